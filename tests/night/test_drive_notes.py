"""What drives said of themselves is kept with the night, and asks nothing of the drives' files."""

from __future__ import annotations

import json
from pathlib import Path

from harness import Pair

from drives import MIB, DriveFactory
from nightferry.night.context import Unwatched
from nightferry.night.drive_notes import notes
from nightferry.night.run import run_night
from nightferry.reporting.page.reports import leave_night_report


def test_a_night_with_a_report_keeps_them_in_its_summary(drives: DriveFactory, tmp_path: Path) -> None:
    pair = Pair(drives("ext4", 32 * MIB), drives("ext4", 32 * MIB), tmp_path / "state")
    pair.write("programme.txt", b"Kyrie")
    run_night(pair.settings, pair.state_dir, Unwatched(), clock=pair.clock, report=leave_night_report)
    with pair.manifest() as manifest:
        run = manifest.runs.last()
    assert run is not None
    found = json.loads(run.summary)["drives"]
    assert {each["about"] for each in found} >= {"primary", "secondary"}
    # A loop device over a file: the kernel says so in sysfs (loop(4)), and the page repeats it.
    assert any("is an image file" in each["found"] and each["state"] == "note" for each in found)
    page = (pair.state_dir / "recordings" / "reports" / "latest.html").read_text()
    assert "is an image file" in page and "So they were after night 1" in page


def test_a_night_without_a_report_asks_nobody(tmp_path: Path) -> None:
    pair = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")
    pair.run()
    with pair.manifest() as manifest:
        run = manifest.runs.last()
    assert run is not None and json.loads(run.summary)["drives"] == []


def test_a_device_that_is_gone_raises_nothing() -> None:
    """Major 259 and such a minor stand for no device here: what sysfs does not have is not known."""
    found = notes({"primary": ((259, 1_000_000), "ext4"), "secondary": ((259, 1_000_001), "ext4")})
    assert {(each["about"], each["state"]) for each in found} == {
        (about, "not known") for about in ("primary", "secondary", "pair")
    }
