"""``nightferry rehearse``, as a person and a monitor meet it."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest

from box import CONCERT, Box
from nightferry.reporting.screens.rehearsal_json import schema

NAME = f"{CONCERT}/01 kyrie.wav"


def check_report(report: dict[str, Any]) -> None:
    jsonschema.Draft202012Validator(schema()).validate(report)


def test_all_right(paired: Box) -> None:
    paired.ok("run")
    shown = paired.ok("rehearse", "recordings")
    assert "recordings: the rehearsal passed" in shown
    assert "All 6 files were tried, and each came back right." in shown
    reports = paired.secondary() / "records/reports"
    (text,) = reports.glob("rehearsal-*.txt")
    assert str(text) in shown
    (document,) = reports.glob("rehearsal-*.json")
    check_report(json.loads(document.read_text()))
    status = paired.ok("status")
    assert "restore test" in status and "passed" in status
    found = paired.status()
    assert found["state"] == "sound" and found["rehearsal"]["outcome"] == "passed"
    assert found["rehearsal"]["files_share"] == 0.0 and found["rehearsal"]["confidence"] == 0.95


def test_a_bad_copy_is_1_and_in_the_status_until_a_night_mended_it(paired: Box) -> None:
    paired.ok("run")
    (paired.copy() / NAME).write_bytes(b"\x1b[31mrot")
    shown = paired.ok("rehearse", "recordings", code=1)
    assert NAME in shown and "decayed" in shown and "nightferry mend recordings" in shown
    status = paired.status()
    assert status["state"] == "attention"
    assert sorted(reason["code"] for reason in status["reasons"]) == ["damage", "rehearsal"]
    paired.ok("run")
    assert paired.status()["state"] == "sound"
    assert "passed" in paired.ok("rehearse", "recordings")


def test_json_is_one_document_by_its_published_schema(paired: Box) -> None:
    paired.ok("run")
    found = paired.json("rehearse", "--share", "5%", "recordings")
    (pair,) = found["pairs"]
    assert (found["command"], found["exit_code"], pair["pair"], pair["error"]) == ("rehearse", 0, "recordings", None)
    check_report(pair["rehearsal"])
    assert pair["rehearsal"]["wanted"]["share"] == 0.05
    (paired.copy() / NAME).unlink()
    found = paired.json("rehearse", "recordings", code=1)
    check_report(found["pairs"][0]["rehearsal"])
    assert [each["what"] for each in found["pairs"][0]["rehearsal"]["mismatches"]] == ["missing"]


def test_the_night_tells_of_its_own(paired: Box) -> None:
    paired.ok("run")
    assert "Restore test: passed" in paired.ok("run")
    night = paired.json("lastnight")["pairs"][0]
    assert night["rehearsal"]["outcome"] == "passed"
    assert paired.json("lastnight", "--night", "1")["pairs"][0]["rehearsal"] is None


def test_a_night_whose_rehearsal_fails_wants_attention(paired: Box) -> None:
    paired.ok("run")
    (paired.copy() / NAME).write_bytes(b"rot")
    shown = paired.ok("run", code=1)
    assert "did not come back right" in shown and "rehearsal-000002-" in shown
    assert [reason["code"] for reason in paired.status()["reasons"]] == ["rehearsal"]
    assert (paired.copy() / NAME).read_bytes() == (paired.primary() / NAME).read_bytes()
    paired.ok("run")
    assert paired.status()["state"] == "sound"


@pytest.mark.parametrize(
    "args", ((), ("--share", "0%", "recordings"), ("--share", "some", "recordings"), ("nobody",), ("recordings",))
)
def test_wrong_use_is_2(paired: Box, args: tuple[str, ...]) -> None:
    done = paired.run("rehearse", *args)
    assert done.returncode == 2 and "Traceback" not in done.stderr


def test_an_absent_drive_is_3(paired: Box) -> None:
    paired.ok("run")
    paired.secondary().rename(paired.root / "away")
    assert paired.run("rehearse", "recordings").returncode == 3
