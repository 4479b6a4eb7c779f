"""A preflight of real drives, with the box around them laid out: it finds what is there, and leaves no trace."""

from __future__ import annotations

import json
import os
from datetime import timedelta
from pathlib import Path

import pytest
from harness import Pair, footprint

from drives import MIB, Drive, DriveFactory
from nightferry.night.context import Clock
from nightferry.night.readiness import Sources, of_box, of_pair
from nightferry.planning.findings import Finding, State, exit_code
from nightferry.tree.effects import Effects
from nightferry.volumes.lock import PairLock
from sysfs_tree import Tree

HEALTHY = {"smart_status": {"passed": True}, "ata_smart_self_test_log": {"standard": {"table": [
    {"status": {"passed": True}}]}}, "temperature": {"current": 38}}  # fmt: skip


class BoxAround:
    """A sysfs tree, an fstab, mount units and a smartctl for two real drives."""

    def __init__(self, folder: Path, primary: Drive, secondary: Drive) -> None:
        self.tree = Tree(folder / "sys")
        self.fstab = folder / "fstab"
        self.fstab.write_text(
            "".join(
                f"UUID=1234-{number} {each.root} ext4 nofail 0 2\n" for number, each in enumerate((primary, secondary))
            )
        )
        self.tool = folder / "smartctl"
        self.says(HEALTHY)
        self.sources = Sources(self.tree.root, self.fstab, folder / "no units", str(self.tool))

    def says(self, document: dict[str, object], status: int = 0) -> None:
        self.tool.write_text(f"#!/bin/sh\ncat <<'END'\n{json.dumps(document)}\nEND\nexit {status}\n")
        self.tool.chmod(0o755)


def number(drive: Drive) -> tuple[int, int]:
    found = os.stat(drive.device).st_rdev
    return os.major(found), os.minor(found)


@pytest.fixture
def pair(drives: DriveFactory, tmp_path: Path) -> Pair:
    made = Pair(drives("ext4", 64 * MIB), drives("ext4", 64 * MIB), tmp_path / "state")
    made.write("2026-05 spring concert/01 kyrie.wav", b"kyrie" * 1000)
    return made


@pytest.fixture
def around(pair: Pair, drives: DriveFactory, tmp_path: Path) -> BoxAround:
    primary, secondary = drives._made
    found = BoxAround(tmp_path, primary, secondary)
    usb = found.tree.root_hub(2, 5000)
    found.tree.usb_disk(usb, "2-1", "sda", number(primary), speed=5000, version="3.20")
    found.tree.usb_disk(usb, "2-2", "sdb", number(secondary), speed=5000, version="3.20")
    return found


def look(pair: Pair, sources: Sources, clock: Clock | None = None) -> list[Finding]:
    return of_pair(pair.settings, pair.state_dir, Effects(), clock or pair.clock, sources)[0]


def states(found: list[Finding], *about: str) -> dict[str, State]:
    return {each.code: each.state for each in found if not about or each.about in about}


def test_two_good_drives_are_ready(pair: Pair, around: BoxAround) -> None:
    pair.run_well()
    found = look(pair, around.sources)
    said = states(found)
    for code in ("identity", "mount", "room", "inodes", "writable", "file_system", "drive", "link", "power", "health"):
        assert said[code] is State.OK, (code, [each for each in found if each.code == code])
    assert exit_code(found) == []


def test_rule_A_it_leaves_no_trace_on_either_drive(pair: Pair, around: BoxAround) -> None:
    pair.run_well()
    state_before = footprint(pair.state_dir)
    before = footprint(pair.primary)
    copy_before = footprint(pair.copy, pair.retired, pair.records)
    look(pair, around.sources)
    assert footprint(pair.primary) == before
    assert footprint(pair.copy, pair.retired, pair.records) == copy_before
    assert footprint(pair.state_dir) == state_before
    assert pair.staging() == []


def test_before_pairing_it_says_so_and_still_looks_at_the_hardware(
    drives: DriveFactory, tmp_path: Path
) -> None:  # fmt: skip
    primary, secondary = drives("ext4", 64 * MIB), drives("ext4", 64 * MIB)
    unpaired = Pair(primary, secondary, tmp_path / "state", paired=False)
    around = BoxAround(tmp_path, primary, secondary)
    around.tree.usb_disk(around.tree.root_hub(1, 480), "1-1", "sda", number(primary), speed=480, version="2.10")
    found = look(unpaired, around.sources)
    failures = [each for each in found if each.state is State.FAILURE]
    assert [(each.code, each.exit_code) for each in failures] == [("identity", 3)]
    assert "nightferry pair recordings" in failures[0].found
    assert states(found, "primary")["link"] is State.ATTENTION
    assert states(found, "secondary")["drive"] is State.UNKNOWN
    assert os.listdir(secondary.root) == ["lost+found"]


def test_a_missing_drive_is_code_3_unless_it_may_be_away(pair: Pair, around: BoxAround, drives: DriveFactory) -> None:
    pair.run_well()
    drives._made[1].unmount()
    found = look(pair, around.sources)
    assert exit_code(found)[0] == 3
    pair.set(may_be_absent=timedelta(days=7))
    found = look(pair, around.sources)
    assert states(found, "secondary")["identity"] is State.NOTE
    assert 3 not in exit_code(found)


def test_a_drive_mounted_read_only_is_a_failure(pair: Pair, around: BoxAround, drives: DriveFactory) -> None:
    pair.run_well()
    drives._made[1].remount(read_only=True)
    found = look(pair, around.sources)
    assert states(found, "secondary")["writable"] is State.FAILURE
    assert exit_code(found)[0] == 3


def test_a_drive_that_says_it_fails(pair: Pair, around: BoxAround) -> None:
    around.says({**HEALTHY, "smart_status": {"passed": False}}, 8)
    assert states(look(pair, around.sources))["health"] is State.ATTENTION


def test_no_tool_is_not_known(pair: Pair, around: BoxAround) -> None:
    around.tool.unlink()
    assert states(look(pair, around.sources))["health"] is State.UNKNOWN


def test_loop_devices_have_no_health(pair: Pair) -> None:
    found = look(pair, Sources())
    assert {each.state for each in found if each.code == "health"} == {State.UNKNOWN}


def test_errors_are_told_against_what_the_last_night_left(pair: Pair, around: BoxAround, drives: DriveFactory) -> None:
    pair.run_well()
    assert states(look(pair, around.sources), "secondary")["io_errors"] is State.UNKNOWN
    name = Path(drives._made[1].device).name
    counts = around.tree.root / "fs/ext4" / "sdb"
    around.tree.write(counts, errors_count=3, last_error_time=0)
    assert name.startswith("loop")
    found = [each for each in look(pair, around.sources) if each.code == "io_errors" and each.about == "secondary"]
    assert [each.state for each in found] == [State.ATTENTION]
    assert "3 errors" in found[0].found


def test_a_night_keeps_the_counts_of_errors(pair: Pair) -> None:
    result = pair.run_well()
    assert set(result.io_errors) == {"primary", "secondary"}
    with pair.manifest() as manifest:
        last = manifest.runs.last()
        assert last is not None
        said = json.loads(last.summary)["io_errors"]
    for drive in ("primary", "secondary"):
        path = Path("/sys/fs/ext4", Path(drives_device(pair, drive)).name, "errors_count")
        wanted = int(path.read_text()) if path.exists() else None
        assert said[drive]["file_system"] == wanted


def drives_device(pair: Pair, drive: str) -> str:
    root = pair.primary if drive == "primary" else pair.secondary
    lines = [line.split() for line in Path("/proc/mounts").read_text().splitlines()]
    return next(fields[0] for fields in lines if fields[1] == str(root))


def test_while_a_run_is_in_progress_nothing_is_tried_out(pair: Pair, around: BoxAround) -> None:
    pair.run_well()
    with PairLock(pair.state_dir / "recordings" / "lock", "run"):
        found = look(pair, around.sources)
    assert states(found)["identity"] is State.OK
    assert states(found)["writable"] is State.UNKNOWN
    assert exit_code(found) == []


def test_what_exfat_does_not_keep_is_noted(drives: DriveFactory, tmp_path: Path) -> None:
    primary, secondary = drives("ext4", 64 * MIB), drives("exfat", 64 * MIB)
    made = Pair(primary, secondary, tmp_path / "state")
    made.run_well()
    found = [each for each in look(made, BoxAround(tmp_path, primary, secondary).sources) if each.code == "file_system"]
    assert {each.state for each in found} == {State.NOTE}
    assert any("owners and groups" in each.found for each in found)
    assert made.staging() == []


def test_rule_L_a_clock_behind_the_last_run_wants_attention(pair: Pair, around: BoxAround) -> None:
    pair.run_well()
    pair.clock.pass_days(-2)
    _, behind_s = of_pair(pair.settings, pair.state_dir, Effects(), pair.clock, around.sources)
    assert behind_s == pytest.approx(2 * 86_400, abs=60)
    assert states(of_box(around.sources, behind_s))["clock"] is State.ATTENTION


def test_of_the_box_what_has_no_sensor_is_not_known(around: BoxAround) -> None:
    said = states(of_box(around.sources))
    assert (said["voltage"], said["network"], said["third_copy"]) == (State.UNKNOWN, State.UNKNOWN, State.NOTE)
    around.tree.voltage_sensor(sagged=True)
    around.tree.interface("eth0", speed=1000)
    said = states(of_box(around.sources))
    assert (said["voltage"], said["network"]) == (State.ATTENTION, State.OK)
