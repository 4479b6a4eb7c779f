"""What a plan for a pair starts from: its rates, its room, and what the box around its drives can feed."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, replace
from pathlib import Path

import pytest
from harness import Pair

from drives import MIB, Drive, DriveFactory
from nightferry.manifest.rates import Spread
from nightferry.night.measuring import FILE_NAME, Measured
from nightferry.night.situation import Known, situation
from nightferry.planning.capacity import Part
from nightferry.planning.layouts import Layout
from nightferry.planning.prospect import prospect
from nightferry.tree.effects import Effects
from sysfs_tree import Tree

MB = 10**6


@pytest.fixture
def pair(drives: DriveFactory, tmp_path: Path) -> Pair:
    made = Pair(drives("ext4", 64 * MIB), drives("ext4", 64 * MIB), tmp_path / "state")
    made.write("2026-05 spring concert/01 kyrie.wav", os.urandom(8 * MIB))
    return made


def with_rates(pair: Pair, **rates: float) -> None:
    """As ``plan --measure`` leaves them."""
    usual = {
        "primary_read": 112.0,
        "secondary_write": 109.0,
        "secondary_read": 112.0,
        "both_read": 224.0,
        "copy": 109.0,
    }
    spreads = {name: Spread(rate * MB, rate * MB, rate * MB, 1) for name, rate in {**usual, **rates}.items()}
    found = Measured(measured_s=pair.clock.now_s(), direct=True, **spreads)
    (pair.state_dir / "recordings" / FILE_NAME).write_text(json.dumps(asdict(found)))


def known(pair: Pair, root: Path = Path("/sys")) -> Known:
    return situation(pair.settings, pair.state_dir, Effects(), root)


def number(drive: Drive) -> tuple[int, int]:
    found = os.stat(drive.device).st_rdev
    return os.major(found), os.minor(found)


def test_before_the_first_night_what_it_will_take_is_not_free(pair: Pair) -> None:
    with_rates(pair)
    found = known(pair)
    free, used = found.sides.room["secondary"].free_bytes, found.sides.room["primary"]
    to_come = used.total_bytes - used.free_bytes
    assert to_come > 8 * MIB
    assert found.situation.work.free_bytes == free - to_come - pair.settings.keep_free
    pair.run_well()
    found = known(pair)
    assert found.situation.work.free_bytes == found.sides.room["secondary"].free_bytes - pair.settings.keep_free


def test_a_processor_slower_than_the_drives_limits_the_plan(pair: Pair) -> None:
    with_rates(pair, hash=60.0)
    found = prospect(known(pair).situation)
    assert (found.copying.by, found.restore.by) == (Part.HASH, Part.HASH)


def test_a_link_that_carries_one_drive_at_a_time_is_what_limits(pair: Pair) -> None:
    """As two drives behind one USB 2.0 port are measured (common practice, no source: 38 MB/s, for both together)."""
    with_rates(pair, primary_read=38.0, secondary_write=38.0, secondary_read=38.0, both_read=38.0, copy=19.0)
    what = known(pair).situation
    found = prospect(replace(what, work=replace(what.work, changed_bytes_per_day=5e9)))
    assert (found.copying.by, found.copying.rate_bytes_per_s) == (Part.LINK, pytest.approx(19 * MB))
    assert found.best_change is not None
    assert found.best_change.what == "each drive on a port of its own"
    mirror = next(each for each in found.sheets if each.layout is Layout.MIRROR)
    assert mirror.write.high == pytest.approx(19 * MB)  # both halves of a mirror over that link


def test_drives_that_share_a_hub_and_slow_each_other_down_only_when_one_is_written(
    pair: Pair, drives: DriveFactory, tmp_path: Path
) -> None:
    with_rates(pair, copy=60.0)
    assert prospect(known(pair).situation).copying.by is Part.SECONDARY  # for all that is known they share nothing
    tree = Tree(tmp_path / "sys")
    usb = tree.root_hub(2, 5000)
    for place, drive in enumerate(drives._made, start=1):
        tree.usb_disk(usb, f"2-{place}", f"sd{'ab'[place - 1]}", number(drive), speed=5000, version="3.20")
    found = prospect(known(pair, tree.root).situation)
    assert (found.copying.by, found.copying.rate_bytes_per_s) == (Part.LINK, pytest.approx(60 * MB))
    with_rates(pair)
    assert prospect(known(pair, tree.root).situation).copying.by is Part.SECONDARY


def test_drives_on_usb_are_weighed_against_the_board(pair: Pair, drives: DriveFactory, tmp_path: Path) -> None:
    with_rates(pair)
    tree = Tree(tmp_path / "sys")
    usb = tree.root_hub(2, 5000)
    for place, drive in enumerate(drives._made, start=1):
        tree.usb_disk(usb, f"2-{place}", f"sd{'ab'[place - 1]}", number(drive), speed=5000, version="3.20")
    verdict = prospect(known(pair, tree.root).situation).power
    assert verdict is not None
    assert (verdict.running_ma, verdict.over_total) == (2 * 896, True)


def test_a_hub_without_a_supply_is_too_little_for_any_drive(pair: Pair, drives: DriveFactory, tmp_path: Path) -> None:
    with_rates(pair)
    tree = Tree(tmp_path / "sys")
    hub = tree.hub(tree.root_hub(2, 5000), "2-1", 5000, self_powered=False)
    for place, drive in enumerate(drives._made, start=1):
        tree.usb_disk(
            hub, f"2-1.{place}", f"sd{'ab'[place - 1]}", number(drive), speed=5000, version="3.20", current="500mA",
            rotational=0,
        )  # fmt: skip
    verdict = prospect(known(pair, tree.root).situation).power
    assert verdict is not None
    assert (len(verdict.over_port), verdict.over_total, verdict.needs_own_supply) == (2, False, True)


def test_what_feeds_image_files_is_not_known_and_what_feeds_sata_is_the_boxs_supply(
    pair: Pair, drives: DriveFactory, tmp_path: Path
) -> None:
    with_rates(pair)
    assert known(pair).situation.loads is None
    tree = Tree(tmp_path / "sys")
    for port, drive in enumerate(drives._made, start=1):
        tree.sata_disk(port, f"sd{'ab'[port - 1]}", number(drive))
    found = known(pair, tree.root).situation
    assert found.loads == []
    assert prospect(found).power is None
