"""What drives can do, against figures worked out by hand and properties that must always hold."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightferry.planning import links
from nightferry.planning.capacity import (
    DAY_S,
    Part,
    Rates,
    Work,
    best_change,
    copying,
    days_kept,
    first_copy_s,
    possible_cycle_s,
    recovery_point_s,
    restoring,
    usual_night,
    verify_seconds,
)

MB, GB, TB = 10**6, 10**9, 10**12
HOUR_S = 3600.0
# 5,400 rpm 2.5-inch drives of 1 TB, one big sequential file (common practice, no source).
DISKS = Rates(112 * MB, 109 * MB, 112 * MB, network=links.shared_files_bytes_per_s(1e9))
WORK = Work(
    files=20_000, total_bytes=TB, changed_files_per_day=50, changed_bytes_per_day=5 * GB,
    displaced_bytes_per_day=GB, retired_bytes=30 * GB, scan_s=20, window_s=4 * HOUR_S, read_back_share=1.0,
    verify_cycle_s=30 * DAY_S, verify_share=1.0, free_bytes=200 * GB,
)  # fmt: skip


def test_the_nightly_copy_is_limited_by_the_side_that_writes() -> None:
    assert copying(DISKS).by is Part.SECONDARY
    assert copying(DISKS).rate_bytes_per_s == pytest.approx(109 * MB)


def test_the_first_copy_of_a_terabyte_takes_two_and_a_half_hours() -> None:
    copy_s, back_s = first_copy_s(DISKS, WORK)
    assert copy_s == pytest.approx(2.5 * HOUR_S, rel=0.05)  # common practice, no source
    assert back_s == pytest.approx(TB / (112 * MB))


def test_a_restore_over_the_network_is_limited_to_95_megabytes() -> None:
    found = restoring(DISKS, over_network=True)
    assert found.by is Part.NETWORK
    assert found.rate_bytes_per_s == pytest.approx(95 * MB, rel=0.02)  # common practice, no source
    assert restoring(DISKS).by is Part.SECONDARY
    assert restoring(DISKS, 80 * MB).by is Part.NEW_DRIVE


def test_one_usb2_link_carries_reads_and_writes_in_turns() -> None:
    slow = replace(DISKS, link_in=53 * MB, link_out=53 * MB, half_duplex=True)
    assert (copying(slow).rate_bytes_per_s, copying(slow).by) == (26.5 * MB, Part.LINK)


def test_both_drives_are_verified_in_the_time_of_the_slower() -> None:
    seconds, by = verify_seconds(DISKS, TB, TB + 30 * GB)
    assert (seconds, by) == (pytest.approx(1.03 * TB / (112 * MB)), Part.SECONDARY)
    shared, by = verify_seconds(replace(DISKS, link_in=100 * MB), TB, TB)
    assert (shared, by) == (pytest.approx(2 * TB / (100 * MB)), Part.LINK)


def test_a_usual_night_adds_up() -> None:
    night = usual_night(DISKS, WORK)
    assert night.copy_s == pytest.approx(5e9 / 109e6)
    assert night.read_back_s == pytest.approx(5e9 / 112e6)
    assert night.verify_s == pytest.approx(1.03e12 / 30 / 112e6)
    assert night.whole_s + night.margin_s == pytest.approx(4 * HOUR_S)
    assert night.margin_s > 3 * HOUR_S


def test_a_cycle_that_is_possible_fills_what_is_left_of_the_window() -> None:
    cycle_s = possible_cycle_s(DISKS, WORK)
    filled = usual_night(DISKS, replace(WORK, verify_cycle_s=max(cycle_s, DAY_S)))
    assert cycle_s < DAY_S or filled.margin_s == pytest.approx(0, abs=1)
    assert possible_cycle_s(DISKS, replace(WORK, window_s=60)) == math.inf


def test_how_long_versions_are_kept() -> None:
    assert days_kept(WORK) == pytest.approx(230)
    assert days_kept(replace(WORK, displaced_bytes_per_day=0)) == math.inf


def test_work_of_a_day_is_at_risk() -> None:
    assert recovery_point_s(WORK) == DAY_S
    assert recovery_point_s(replace(WORK, nights_per_day=1 / 7)) == pytest.approx(7 * DAY_S)


def test_the_best_change_is_named() -> None:
    shared = replace(DISKS, link_in=60 * MB, link_out=60 * MB)
    found = best_change(shared, WORK)
    assert found is not None
    assert found.what == "each drive on a port of its own"
    assert best_change(DISKS, replace(WORK, changed_bytes_per_day=0, total_bytes=0, retired_bytes=0)) is None


@given(
    read=st.floats(1e6, 1e10), write=st.floats(1e6, 1e10), back=st.floats(1e6, 1e10), link=st.floats(1e6, 1e11),
    changed=st.floats(0, 1e12), total=st.integers(0, 10**14), cycle_days=st.floats(1, 365),
)  # fmt: skip
def test_nothing_is_faster_than_its_slowest_part_and_no_change_makes_it_worse(
    read: float, write: float, back: float, link: float, changed: float, total: int, cycle_days: float
) -> None:
    rates = Rates(read, write, back, link_in=link, link_out=link)
    work = replace(WORK, changed_bytes_per_day=changed, total_bytes=total, verify_cycle_s=cycle_days * DAY_S)
    assert copying(rates).rate_bytes_per_s == min(read, write, link)
    better = replace(rates, primary_read=2 * read, secondary_write=2 * write, secondary_read=2 * back)
    assert usual_night(better, work).whole_s <= usual_night(rates, work).whole_s
    found = best_change(rates, work)
    assert found is None or found.gained_s > 0
