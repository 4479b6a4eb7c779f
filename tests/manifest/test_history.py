"""The life of names. Random nights: tests/night/test_as_of.py compares every life with what really stood."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from nightferry.errors import Failed
from nightferry.manifest import history as module
from nightferry.manifest.history import History
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.records import Content, Intent
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat

FOLDER = Stat(Kind.FOLDER, 0, 10, 11, 1, 0o755, 0, 0, 1, 0)
FILE = Stat(Kind.FILE, 5, 20, 21, 2, 0o644, 0, 0, 1, 0)
ONE, TWO = (Content(1, bytes([number]) * 16) for number in (1, 2))


@pytest.fixture
def manifest(tmp_path: Path) -> Iterator[Manifest]:
    """1: year/concert/kyrie.wav and year/notes. 2: kyrie changes. 3: year becomes archive. 4: concert becomes mass.

    5: kyrie moves to the top. 6: concert is made anew beside mass, with another kyrie. 7: mass, empty, is removed.
    """
    made = Manifest.create(tmp_path / FILE_NAME, Effects(), pair_id="p", pair_name="recordings")
    with made.database.transaction():
        made.entries.insert(0, b"", FOLDER, Content(), None, 1)
    settle(
        made,
        1,
        folder(b"year"),
        folder(b"year/concert"),
        place(b"year/concert/kyrie.wav", ONE),
        place(b"year/notes", ONE),
    )
    assert [entry.id for _, entry in made.entries.below(1, b"")] == [1, 2, 3, 4, 5]
    settle(made, 2, place(b"year/concert/kyrie.wav", TWO, entry=4, held=b"2/kyrie.wav", reason="changed"))
    settle(made, 3, Intent("move", b"archive", 2, source=b"year", stat=FOLDER))
    settle(made, 4, Intent("move", b"archive/mass", 3, source=b"archive/concert", stat=FOLDER))
    settle(made, 5, Intent("move", b"kyrie.wav", 4, source=b"archive/mass/kyrie.wav", stat=FILE))
    settle(made, 6, folder(b"archive/concert"), place(b"archive/concert/kyrie.wav", ONE))
    settle(made, 7, Intent("remove_folder", b"archive/mass", 3, reason="removed", stat=FOLDER))
    yield made
    made.close()


def folder(path: bytes) -> Intent:
    return Intent("folder", path, stat=FOLDER)


def place(path: bytes, content: Content, **more: object) -> Intent:
    return Intent("place", path, staged=b"staging/1", stat=FILE, content=content, **more)


def settle(manifest: Manifest, run: int, *intents: Intent) -> None:
    manifest.journal.write(intents, run)
    manifest.journal.settle([intent for _, intent in manifest.journal.read()], run)


def told(manifest: Manifest, entry: int) -> list[tuple[int, int | None, bytes, str | None]]:
    return [(each.since, each.until, each.path, each.reason) for each in History(manifest).life(entry)]


def test_a_life_is_followed_through_moves_of_the_folders_above(manifest: Manifest) -> None:
    assert told(manifest, 4) == [
        (1, 2, b"year/concert/kyrie.wav", "changed"),
        (2, 3, b"year/concert/kyrie.wav", "moved"),
        (3, 4, b"archive/concert/kyrie.wav", "moved"),
        (4, 5, b"archive/mass/kyrie.wav", "moved"),
        (5, None, b"kyrie.wav", None),
    ]
    assert [each.node.content for each in History(manifest).life(4)] == [ONE, TWO, TWO, TWO, TWO]
    assert told(manifest, 3) == [
        (1, 3, b"year/concert", "moved"),
        (3, 4, b"archive/concert", "moved"),
        (4, 7, b"archive/mass", "removed"),
    ]
    assert told(manifest, 99) == []
    assert told(manifest, 1) == [(1, None, b"", None)]


def test_names_are_found_by_every_path_they_had(manifest: Manifest) -> None:
    history = History(manifest)
    for path in (b"year/concert/kyrie.wav", b"archive/mass/kyrie.wav", b"kyrie.wav"):
        assert history.find(path) == [4]
    assert history.find(b"archive/concert/kyrie.wav") == [4, 7]
    assert history.find(b"archive/concert") == [3, 6]
    assert history.find(b"") == [1]
    for path in (b"year/mass/kyrie.wav", b"mass", b"Kyrie.wav", b"kyrie.wav/x", b"concert/kyrie.wav"):
        assert history.find(path) == []


def test_names_that_fit_are_told_once_by_path(manifest: Manifest) -> None:
    history = History(manifest)
    files = list(history.matching(lambda path, is_folder: path.endswith(b"kyrie.wav")))
    assert files == [(b"archive/concert/kyrie.wav", 4), (b"archive/concert/kyrie.wav", 7)]
    assert list(history.matching(lambda path, is_folder: is_folder and b"/" in path)) == [
        (b"archive/concert", 3), (b"archive/concert", 6),
    ]  # fmt: skip
    assert list(history.matching(lambda path, is_folder: path.startswith(b"year"))) == [(b"year", 2)], (
        "a folder stands for what is below it"
    )
    assert list(history.below(3, b"x")) == [(b"x/kyrie.wav", 4)]
    assert [entry for _, entry in history.below(2, b"archive")] == [3, 6, 4, 7, 5]


def test_what_changed_below_a_folder(manifest: Manifest) -> None:
    history = History(manifest)
    assert {run: dict(found) for run, found in history.nights_below(2).items()} == {
        1: {"added": 3}, 2: {"changed": 1}, 4: {"moved": 1}, 5: {"moved": 1}, 6: {"added": 2}, 7: {"removed": 1},
    }  # fmt: skip
    assert {run: dict(found) for run, found in history.nights_below(1).items()} == {
        1: {"added": 4}, 2: {"changed": 1}, 3: {"moved": 1}, 4: {"moved": 1}, 5: {"moved": 1}, 6: {"added": 2},
        7: {"removed": 1},
    }  # fmt: skip


def test_what_moves_into_a_folder_counts_once(manifest: Manifest) -> None:
    settle(manifest, 8, Intent("move", b"archive/kyrie.wav", 4, source=b"kyrie.wav", stat=FILE))
    settle(manifest, 9, Intent("move", b"archive/concert/gloria.wav", 4, source=b"archive/kyrie.wav", stat=FILE))
    below = History(manifest).nights_below(2)
    assert below[8] == {"moved": 1} == below[9]
    assert History(manifest).nights_below(6)[9] == {"moved": 1}
    assert 8 not in History(manifest).nights_below(6)


def test_rule_I_folders_that_lie_in_one_another(manifest: Manifest, monkeypatch: pytest.MonkeyPatch) -> None:
    """As only a damaged manifest has them: no walk goes on for ever, and no path is invented."""
    with manifest.database.transaction() as connection:
        connection.execute("UPDATE entry SET parent = 6 WHERE id = 2")
    monkeypatch.setattr(module, "_STEPS_LIMIT", 1_000)
    history = History(manifest)
    assert list(history.matching(lambda path, is_folder: False)) == []
    assert history.find(b"kyrie.wav") == [4]
    with pytest.raises(Failed, match="lie within one another"):
        history.life(7)


def test_a_folder_of_which_nothing_is_known_shows_as_such(manifest: Manifest) -> None:
    with manifest.database.transaction() as connection:
        connection.execute("DELETE FROM past WHERE entry = 2")
    assert told(manifest, 4)[:2] == [(1, 2, b"?/concert/kyrie.wav", "changed"), (2, 3, b"?/concert/kyrie.wav", "moved")]
