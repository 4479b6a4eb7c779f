"""What is said of a run under way: numbers that are honest, and nothing of a run that was cut off."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from nightferry.reporting.look.progress import StatusFile, left_of
from nightferry.reporting.standing import status
from nightferry.reporting.standing.following import Look, Pace, heading, line, look, rows, share
from nightferry.reporting.standing.status import RunProgress, Status, moment
from nightferry.volumes.lock import PairLock

MIB = 1 << 20


def at(second: float, files: int, size_bytes: int, *, phase: str = "copy", busy: str | None = "run") -> Look:
    """A look at a run of 100 files and 1,000 MiB, some seconds after it began."""
    run = RunProgress(12, phase, files, size_bytes, 100, 1000 * MIB, moment(1_800_000_000))
    found = Status("recordings", "sound", None, (), moment(1_800_000_000 + second), moment(1_900_000_000), run=run)
    return Look("recordings", found, "sound", (), busy)


def test_pace_is_told_once_enough_was_seen_and_by_phase() -> None:
    pace = Pace()
    pace.see(at(0, 0, 0))
    assert pace.rate_bytes_per_s() is None
    pace.see(at(4, 0, 40 * MIB))
    assert pace.rate_bytes_per_s() is None
    pace.see(at(10, 10, 100 * MIB))
    assert pace.rate_bytes_per_s() == 10 * MIB
    run = at(10, 10, 100 * MIB).run
    assert run is not None
    # a tenth of the files and of the bytes took 10 s
    assert pace.left_s(run) == pytest.approx(90)
    pace.see(at(11, 0, 0, phase="verify"))
    assert pace.rate_bytes_per_s() is None


def test_time_left_counts_files_too() -> None:
    assert left_of((10, 0), (30, 0), 5.0) == pytest.approx(15.0)
    assert left_of((0, 0), (30, 0), 5.0) is None
    assert left_of((10, 10), (-1, -1), 5.0) is None


def test_a_table_and_a_line_of_a_run() -> None:
    found, pace = at(61, 40, 250 * MIB), Pace()
    assert heading(found) == "recordings: night 12 is under way"
    told = dict(rows(found, pace))
    assert told["phase"] == "copy" and told["done"] == "250.0 MiB of 1,000.0 MiB, 40 of 100 files in place"
    assert "pace" not in told
    assert share(found.run) == 0.25  # type: ignore[arg-type]
    said = line(found, pace)
    assert said.endswith("recordings: night 12, copy, 250.0 MiB of 1,000.0 MiB, 40 of 100 files in place")
    assert said[:10] == time.strftime("%Y-%m-%d", time.localtime(1_800_000_061))


def test_a_run_that_was_cut_off_is_not_under_way() -> None:
    found = at(61, 40, 250 * MIB, busy=None)
    assert found.run is None and heading(found) == "recordings: sound" and not list(rows(found, Pace()))


def test_the_lock_says_whether_something_is_under_way(tmp_path: Path) -> None:
    assert look("recordings", tmp_path, time.time()).busy is None
    with PairLock(tmp_path / "lock", "verify"):
        found = look("recordings", tmp_path, time.time())
        assert found.busy is not None and f"process {os.getpid()}" in found.busy and "verify" in heading(found)
    assert look("recordings", tmp_path, time.time()).busy is None


def test_a_status_written_by_a_run_is_followed(tmp_path: Path) -> None:
    file = StatusFile(tmp_path, "recordings", time.time() + 86_400)
    with PairLock(tmp_path / "lock", "run"):
        file.note("started", number=3)
        file.phase("copy", 10, 1000)
        found = look("recordings", tmp_path, time.time())
        assert found.run is not None and (found.run.number, found.run.phase) == (3, "copy")
    # The process is gone and its last word is still there.
    assert status.read(tmp_path).run is not None  # type: ignore[union-attr]
    assert look("recordings", tmp_path, time.time()).run is None


def test_as_another_user_the_status_counts_while_it_is_new(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = StatusFile(tmp_path, "recordings", time.time() + 86_400)
    file.note("started", number=3)
    (tmp_path / "lock").touch(mode=0o600)
    monkeypatch.setattr(os, "access", lambda *_: False)
    assert look("recordings", tmp_path, time.time()).run is not None
    assert look("recordings", tmp_path, time.time() + 3600).run is None
