"""Layouts of the same drives, against what people measured on small boards, and against what must always hold."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightferry.planning.layouts import Box, DriveFigures, Layout, Survives, Threat, possible, serial, sheet

MB = 1e6
# Common practice, no source: 5,400 rpm 2.5-inch drives of 1 TB on a small board with USB 3, one big sequential file.
DISK = DriveFigures(10**12, 112 * MB, 109 * MB, 0.03)
SOLID_STATE = DriveFigures(10**12, 238 * MB, 125 * MB, 0.03)
BOARD = Box(bus_bytes_per_s=350 * MB, network_bytes_per_s=95 * MB)


@pytest.mark.parametrize(
    ("layout", "drives", "drive", "written", "over_network"),
    [
        (Layout.SINGLE, 1, DISK, (109,), 49),
        (Layout.STRIPE, 2, DISK, (178,), 57),
        (Layout.MIRROR, 2, DISK, (68,), None),
        (Layout.SINGLE, 1, SOLID_STATE, (125,), 60),
        (Layout.MIRRORED_STRIPE, 4, DISK, (64,), 35),
    ],
)
def test_what_was_measured_lies_within_what_is_said(
    layout: Layout, drives: int, drive: DriveFigures, written: tuple[float, ...], over_network: float | None
) -> None:
    # Common practice, no source. Within 4 % of the range: these were round figures of single runs.
    said = sheet(layout, drives, drive, BOARD)
    for each in written:
        assert said.write.low * 0.96 <= each * MB <= said.write.high * 1.04
    if over_network is not None:
        assert said.network_write.low * 0.96 <= over_network * MB <= said.network_write.high * 1.04


def test_a_small_board_writes_from_the_network_in_turns() -> None:
    # Receiving and writing wait for each other there: 49 measured for 109 and 95 (common practice, no source).
    assert serial(109, 95) == pytest.approx(49, rel=0.05)


def test_a_mirror_writes_well_below_one_drive_where_both_share_a_bus() -> None:
    mirror = sheet(Layout.MIRROR, 2, DISK, Box(178 * MB, 95 * MB))
    assert mirror.write.low == pytest.approx(DISK.write_bytes_per_s / 2)
    assert mirror.write.high < 0.85 * DISK.write_bytes_per_s
    assert mirror.write.low <= 68 * MB <= mirror.write.high


def test_the_network_caps_what_a_client_reads_whatever_the_drives() -> None:
    for layout in possible(2):
        said = sheet(layout, 2, DISK, BOARD)
        assert said.network_read.low == said.network_read.high == 95 * MB


def test_four_drives_read_no_faster_than_their_port() -> None:
    assert sheet(Layout.MIRRORED_STRIPE, 4, DISK, BOARD).read.high == 350 * MB


def test_only_an_independent_copy_survives_a_persons_mistake() -> None:
    mistakes = (Threat.DELETION, Threat.OVERWRITE, Threat.ENCRYPTION, Threat.DECAY)
    for layout in Layout:
        drives = 4 if layout is Layout.MIRRORED_STRIPE else 2
        found = {sheet(layout, drives, DISK, BOARD).survives[threat] for threat in mistakes}
        assert (found == {Survives.NO}) == (layout is not Layout.TWO_DRIVES)
        assert sheet(layout, drives, DISK, BOARD).survives[Threat.SITE] is Survives.NO


def test_only_a_mirror_loses_no_work_with_a_drive() -> None:
    assert sheet(Layout.MIRROR, 2, DISK, BOARD).at_risk_h == 0
    assert sheet(Layout.TWO_DRIVES, 2, DISK, BOARD).at_risk_h == 24


def test_a_stripe_loses_all_with_any_drive() -> None:
    single = sheet(Layout.SINGLE, 2, DISK, BOARD).drive_loss_per_year
    assert sheet(Layout.STRIPE, 2, DISK, BOARD).drive_loss_per_year == pytest.approx(1 - (1 - single) ** 2)


@given(
    drives=st.sampled_from([1, 2, 3, 4, 6]),
    read=st.floats(1e6, 1e10), write=st.floats(1e6, 1e10),
    bus=st.floats(1e6, 1e11), network=st.floats(1e6, 1e10), annual=st.floats(0, 0.5),
)  # fmt: skip
def test_every_sheet_makes_sense(
    drives: int, read: float, write: float, bus: float, network: float, annual: float
) -> None:
    drive, box = DriveFigures(10**12, read, write, annual), Box(bus, network)
    for layout in possible(drives):
        said = sheet(layout, drives, drive, box)
        for rate in (said.write, said.read, said.network_write, said.network_read):
            assert 0 < rate.low <= rate.high * (1 + 1e-9)
        assert said.network_write.high <= network
        assert said.read.high <= bus * (1 + 1e-9)
        assert 0 <= said.drive_loss_per_year <= 1
        assert said.usable_bytes <= drives * drive.size_bytes
        assert (said.back_h == math.inf) == (layout in (Layout.SINGLE, Layout.STRIPE))


def test_a_layout_that_the_drives_do_not_allow_is_refused() -> None:
    with pytest.raises(ValueError, match="3 drives"):
        sheet(Layout.MIRROR, 3, DISK, BOARD)
