"""day.json, and what `lastnight` says of it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from box import Box
from nightferry.planning.day import Day
from nightferry.reporting.standing import day_report
from nightferry.reporting.standing.status import unix


def a_day(since_s: float = 1_000_000.0) -> Day:
    day = Day(since_s)
    for number in range(25):
        day.file_created(b"takes/%02d\xff\n\x1b[31m.wav" % number, since_s + number)
    for number in range(25):
        day.file_deleted(b"takes/%02d\xff\n\x1b[31m.wav" % number, since_s + 100 + number)
    day.may_be_incomplete("More happened at once than the kernel kept.")
    return day


def test_it_is_read_again_for_the_run_that_followed(tmp_path: Path) -> None:
    day_report.write(tmp_path, a_day(), 1_010_000.0)
    found = day_report.read(tmp_path, 1_010_010.0)
    assert found is not None
    assert found["came_and_went_count"] == 25
    assert found["complete"] is False
    for other_run_s in (1_000_000.0, 1_009_000.0, 1_100_000.0):
        assert day_report.read(tmp_path, other_run_s) is None


@pytest.mark.parametrize("content", ["", "[]", '{"until": 3}', '{"format": 9, "until": "1970-01-12T16:33:20Z"}'])
def test_what_is_no_day_is_none(tmp_path: Path, content: str) -> None:
    (tmp_path / "day.json").write_text(content)
    assert day_report.read(tmp_path, 1_010_010.0) is None


def test_rule_H_names_break_no_line(tmp_path: Path) -> None:
    day_report.write(tmp_path, a_day(), 1_010_000.0)
    found = day_report.read(tmp_path, 1_010_010.0)
    assert found is not None
    lines = list(day_report.sentences(found))
    assert all(line.isprintable() for line in lines)
    assert lines[0].startswith("By day 25 files appeared and vanished")
    assert sum(".wav" in line for line in lines) == 20
    assert "5 more" in lines[-2]
    assert "incomplete" in lines[-1]


def test_the_audit_names_what_came_and_went(tmp_path: Path) -> None:
    box = Box(tmp_path)
    box.fill()
    box.ok("pair", "--yes", "recordings")
    box.ok("run", "recordings")
    started_s = unix(box.status()["last_run"]["started"])
    day_report.write(box.folder(), a_day(), started_s)
    shown = box.ok("lastnight")
    assert "By day 25 files appeared" in shown
    assert "takes/07" in shown
    assert "\x1b[31m" not in shown


def test_a_surge_is_shown_at_once_and_makes_nothing_better(tmp_path: Path) -> None:
    box = Box(tmp_path)
    box.fill()
    box.ok("pair", "--yes", "recordings")
    box.ok("run", "recordings")
    assert box.json("status")["state"] == "sound"
    day_report.leave_surge(box.state, "recordings", ["200 files were deleted within an hour."], box_now(box))
    day_report.leave_surge(box.state, "recordings", ["210 files were deleted within an hour."], box_now(box))
    found = box.json("status", code=1)["pairs"][0]
    assert found["state"] == "attention"
    assert [reason["code"] for reason in found["reasons"]] == ["surge"]
    assert "210 files" in found["reasons"][0]["sentence"]
    box.ok("run", "recordings")
    assert box.json("status")["state"] == "sound"


def box_now(box: Box) -> float:
    return unix(json.loads((box.folder() / "status.json").read_text())["written"])
