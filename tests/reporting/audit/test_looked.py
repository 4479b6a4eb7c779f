"""Up to which night somebody has looked."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightferry.errors import Failed
from nightferry.reporting.audit.looked import file_of_this_user, last_looked, note_looked


def test_each_pair_has_its_own(tmp_path: Path) -> None:
    file = tmp_path / "new" / "folders" / "looked.json"
    assert last_looked(file, "a") is None
    note_looked(file, "a", 5)
    note_looked(file, "b", 9)
    note_looked(file, "a", 6)
    assert (last_looked(file, "a"), last_looked(file, "b"), last_looked(file, "c")) == (6, 9, None)


@pytest.mark.parametrize(
    "text", ["", "[]", '{"format": 1, "nights": {"a": "5"}}', '{"format": 2, "nights": {"a": 5}}', "[" * 9999]
)
def test_what_cannot_be_read_counts_as_never(tmp_path: Path, text: str) -> None:
    file = tmp_path / "looked.json"
    file.write_text(text)
    assert last_looked(file, "a") is None
    note_looked(file, "a", 3)
    assert last_looked(file, "a") == 3


def test_where_it_cannot_be_noted_the_sentence_says_where(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(Failed, match="XDG_STATE_HOME"):
        note_looked(tmp_path / "file" / "looked.json", "a", 1)


def test_the_place_is_that_of_the_user(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", "/somewhere")
    assert file_of_this_user() == Path("/somewhere/nightferry/looked.json")
    monkeypatch.setenv("XDG_STATE_HOME", "relative is ignored")  # XDG Base Directory Specification 0.8
    monkeypatch.setenv("HOME", "/home/alto")
    assert file_of_this_user() == Path("/home/alto/.local/state/nightferry/looked.json")
    monkeypatch.delenv("HOME")
    with pytest.raises(Failed, match="--night"):
        file_of_this_user()
