"""``nightferry status``: by what the last run wrote, and by its age."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from box import CONCERT, Box, everything


def rewrite(box: Box, **fields: Any) -> None:
    path = box.folder() / "status.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), **fields}))


def test_sound(paired: Box) -> None:
    paired.ok("run")
    found = paired.json("status")
    assert (found["state"], found["pairs"][0]["state"], found["pairs"][0]["reasons"]) == ("sound", "sound", [])
    shown = paired.ok("status")
    assert "recordings: sound" in shown and "protected as of" in shown and "next report by" in shown


def test_it_needs_no_drive_and_writes_nothing(paired: Box) -> None:
    paired.ok("run")
    paired.primary().rename(paired.root / "unplugged 1")
    paired.secondary().rename(paired.root / "unplugged 2")
    before = everything(paired.state)
    assert paired.run("status").returncode == 0
    assert everything(paired.state) == before


def test_rule_M_a_missing_status_is_a_failure(paired: Box) -> None:
    found = paired.json("status", code=4)
    assert found["pairs"][0]["reasons"][0]["code"] == "no_status"
    assert "nightferry run recordings" in paired.ok("status", code=4)


def test_rule_M_an_old_status_is_a_failure(paired: Box) -> None:
    paired.ok("run")
    rewrite(paired, valid_until="2026-05-04T07:30:00Z", written="2026-05-03T01:00:00Z")
    found = paired.json("status", code=4)
    assert (found["state"], found["pairs"][0]["reasons"][0]["code"]) == ("failed", "stale_status")


def test_rule_M_a_status_from_the_future_is_a_failure(paired: Box) -> None:
    paired.ok("run")
    rewrite(paired, valid_until="2999-05-04T07:30:00Z", written="2999-05-03T01:00:00Z")
    assert paired.json("status", code=4)["pairs"][0]["reasons"][0]["code"] == "clock"


@pytest.mark.parametrize(
    "content",
    [b"", b"{", b"[]", b'{"state": "sound"}', b"\xff\xfe", b"[" * 100_000, b'"' + b"x" * (2 << 20), b"null"],
    ids=["empty", "half", "list", "little", "binary", "deep", "large", "null"],
)
def test_a_status_that_cannot_be_read_is_a_failure(paired: Box, content: bytes) -> None:
    paired.ok("run")
    (paired.folder() / "status.json").write_bytes(content)
    assert paired.json("status", code=4)["pairs"][0]["reasons"][0]["code"] == "bad_status"


@pytest.mark.parametrize("fields", [{"state": "splendid"}, {"written": "yesterday"}, {"reasons": [1]}, {"format": 99}])
def test_a_status_with_a_wrong_value_is_a_failure(paired: Box, fields: dict[str, Any]) -> None:
    paired.ok("run")
    rewrite(paired, **fields)
    assert paired.json("status", code=4)["pairs"][0]["reasons"][0]["code"] == "bad_status"


def test_the_worst_pair_counts(tmp_path: Path) -> None:
    box = Box(tmp_path, ("recordings", "scores"))
    box.fill("recordings", files=20)
    box.ok("pair", "--yes", "recordings", "scores")
    box.ok("run")
    assert box.json("status")["state"] == "sound"
    for path in (box.primary() / CONCERT).iterdir():
        path.unlink()
    box.ok("run", code=1)
    found = box.json("status", code=1)
    assert (found["state"], [each["state"] for each in found["pairs"]]) == ("attention", ["attention", "sound"])
    assert box.json("status", "scores")["state"] == "sound"


def test_hostile_text_in_a_status_is_harmless(paired: Box) -> None:
    paired.ok("run")
    rewrite(paired, state="attention", reasons=[{"code": "held", "sentence": "\x1b[2J\x9b31m gone"}], notes=["\x07"])
    done = paired.run("status")
    assert done.returncode == 1
    assert not {"\x1b", "\x9b", "\x07"} & set(done.stdout) and r"\x1b[2J" in done.stdout
