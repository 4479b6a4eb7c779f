"""Right after a pair was taken over, the status says what the records on the secondary know, and nothing better."""

from __future__ import annotations

import json
import shutil
from importlib.resources import files
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from box import CONCERT, Box

SCHEMA = json.loads(files("nightferry.reporting").joinpath("schemas/status.schema.json").read_text(encoding="utf-8"))


@pytest.fixture
def box(tmp_path: Path) -> Box:
    made = Box(tmp_path)
    made.fill(files=5)
    made.ok("pair", "--yes", "recordings")
    made.ok("run")
    return made


def codes(box: Box) -> list[str]:
    found = box.status()
    Draft202012Validator(SCHEMA, format_checker=Draft202012Validator.FORMAT_CHECKER).validate(found)
    return [reason["code"] for reason in found["reasons"]]


@pytest.mark.parametrize("with_primary", [True, False])
def test_rule_M_what_the_records_know_is_told_and_is_not_sound(box: Box, with_primary: bool) -> None:
    before = box.status()
    shutil.rmtree(box.state)
    primary = box.primary()
    if not with_primary:
        primary.rename(box.root / "dead")
    box.ok("pair", "--yes", "recordings")
    found = box.json("status", code=1)["pairs"][0]
    assert codes(box) == ["taken_over"]
    for known in ("last_run", "last_complete", "protected_as_of", "outcome", "unprotected", "open_damage", "coverage"):
        assert found[known] == json.loads(json.dumps(before[known])), known
    assert found["secondary_room"] is not None
    shown = box.ok("status", code=1)
    assert "No night has run here yet" not in shown and "1, complete" in shown
    if not with_primary:
        (box.root / "dead").rename(primary)
    box.ok("run")
    assert codes(box) == []
    assert box.json("status")["pairs"][0]["last_run"]["number"] == 2


def test_what_was_wrong_still_is(box: Box) -> None:
    for path in (box.primary() / CONCERT).iterdir():
        path.unlink()
    box.ok("run", code=1)
    assert codes(box) == ["held"]
    shutil.rmtree(box.state)
    box.ok("pair", "--yes", "recordings")
    assert codes(box) == ["held", "taken_over"]
    assert box.status()["hold"] is not None


def test_an_older_state_does_not_speak_for_the_newer_one(box: Box) -> None:
    """The system disk comes back from an image of the day before."""
    shutil.copytree(box.state, box.root / "image")
    (box.primary() / CONCERT / "06 kyrie.wav").write_bytes(b"kyrie")
    box.ok("run")
    shutil.rmtree(box.state)
    (box.root / "image").rename(box.state)
    box.ok("pair", "--yes", "recordings")
    assert box.json("status", code=1)["pairs"][0]["last_run"]["number"] == 2


def test_no_night_was_ever_sealed(tmp_path: Path) -> None:
    box = Box(tmp_path)
    box.ok("pair", "--yes", "recordings")
    shutil.rmtree(box.state)
    box.ok("pair", "--yes", "recordings")
    assert not (box.folder() / "status.json").exists()
    assert "No night has run here yet" in box.ok("status", code=4)


def test_a_new_box_and_a_new_primary(box: Box) -> None:
    """Both are gone: the pair is taken over while the new drive is filled."""
    shutil.rmtree(box.state)
    box.primary().rename(box.root / "dead")
    box.primary().mkdir()
    box.ok("restore", "recordings", "--new-primary", "--yes")
    assert codes(box) == ["taken_over"]
    assert box.json("status", code=1)["pairs"][0]["last_run"]["outcome"] == "complete"
    box.ok("run")
    assert codes(box) == []
