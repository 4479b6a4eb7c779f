"""Rule A: the primary is only read. Looked at on a mount with ``strictatime``, where every access leaves its time."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from harness import Pair, contents, footprint

from compare import access_differences, access_times
from drives import MIB, DriveFactory, requires_root_and_loops
from trees import tree_with_everything

pytestmark = requires_root_and_loops


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs"])
def test_rule_A_three_nights_leave_no_trace_on_the_primary(drives: DriveFactory, tmp_path: Path, kind: str) -> None:
    primary = drives(kind, 300 * MIB, options="strictatime")
    pair = Pair(primary, drives("ext4", 200 * MIB), tmp_path / "state")
    tree_with_everything(pair.primary / "choir")
    for night in (1, 2, 3):
        if night == 2:  # every way in which a night reads: touched, moved, linked, another kind
            concert = pair.primary / "choir/2026-05 spring concert"
            (concert / "02 gloria.wav").chmod(0o600)
            (concert / "01 kyrie.wav").rename(concert / "01 kyrie, moved.wav")
            os.link(concert / "04 click.wav", pair.primary / "linked.wav")
            (concert / "scans").rename(pair.primary / "scans")
            (concert / "loop").unlink()
            (concert / "loop").mkdir()
            shutil.rmtree(pair.primary / "choir/sparse")
        said = contents(pair.primary)  # reads, and so moves access times: before they are noted
        primary.remount()
        traces = footprint(pair.primary)  # lists folders: likewise
        times = access_times(pair.primary)
        pair.run_well()
        primary.drop_caches()  # what is remembered in memory only would not be a trace
        assert access_differences(times, access_times(pair.primary)) == [], f"night {night}"
        assert footprint(pair.primary) == traces, f"night {night}"
        assert contents(pair.primary) == said, f"night {night}"
    assert pair.differences() == []


def test_rule_A_a_night_works_from_a_primary_mounted_read_only(drives: DriveFactory, tmp_path: Path) -> None:
    primary = drives("ext4", 64 * MIB)
    pair = Pair(primary, drives("ext4", 64 * MIB), tmp_path / "state")
    tree_with_everything(pair.primary / "choir")
    primary.remount(read_only=True)
    pair.run_well()
    assert pair.differences() == []
    pair.run_quiet()


def test_rule_A_a_failed_and_a_held_night_leave_no_trace_either(drives: DriveFactory, tmp_path: Path) -> None:
    primary = drives("ext4", 64 * MIB, options="strictatime")
    pair = Pair(primary, drives("ext4", 16 * MIB), tmp_path / "state", hold_count=1)
    for number in range(4):
        pair.write(f"2026-05 spring concert/{number}.wav", b"take" * 1000)
    pair.run_well()
    (pair.primary / "too large.wav").write_bytes(os.urandom(30 * MIB))
    for number in range(3):
        pair.at(f"2026-05 spring concert/{number}.wav").unlink()
    primary.remount()
    traces = footprint(pair.primary)
    times = access_times(pair.primary)
    assert pair.run().outcome == "held"
    pair.release()
    assert pair.run().outcome == "partial"
    assert access_differences(times, access_times(pair.primary)) == []
    assert footprint(pair.primary) == traces
