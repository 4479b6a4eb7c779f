"""What links carry, against figures worked out from the standards by other ways."""

from __future__ import annotations

import pytest

from nightferry.planning import links


def test_a_gigabit_of_ethernet_carries_117_7_megabytes() -> None:
    # IEEE 802.3 framing, 1,500-byte MTU, TCP/IPv4 with timestamps: the figure that is commonly published.
    assert links.ethernet_payload_bytes_per_s(1e9) == pytest.approx(117.7e6, rel=5e-4)


def test_the_frames_are_counted_one_by_one() -> None:
    # Another way to the same: how many whole frames a second, and what each brings.
    frames_per_s = 1e9 / (8 * 1538)
    assert frames_per_s == pytest.approx(81_274, abs=1)  # RFC 2544's table gives 81,274 frames for 1,518-byte frames
    assert links.ethernet_payload_bytes_per_s(1e9) == pytest.approx(frames_per_s * 1448)


def test_longer_frames_carry_more() -> None:
    # 99 % of the line with frames of 9,000 bytes (common practice, no source).
    assert links.ethernet_payload_bytes_per_s(1e9, 9000) == pytest.approx(0.99 * 125e6, rel=1e-3)


@pytest.mark.parametrize("mtu_bytes", [0, 52, -1])
def test_a_frame_without_room_for_data_is_refused(mtu_bytes: int) -> None:
    with pytest.raises(ValueError, match="no room"):
        links.ethernet_payload_bytes_per_s(1e9, mtu_bytes)


def test_file_sharing_over_a_gigabit_reads_at_about_95_megabytes() -> None:
    assert links.shared_files_bytes_per_s(1e9) == pytest.approx(95e6, rel=0.01)  # common practice, no source


@pytest.mark.parametrize(
    ("speed", "megabytes_per_s"),
    [
        (480, 53.248),  # USB 2.0 specification, table 5-10
        (5_000, 500.0),  # 5 Gb/s, 8b/10b
        (10_000, 1212.12),  # 10 Gb/s, 128b/132b
        (20_000, 2424.24),
    ],
)
def test_usb_after_its_line_code(speed: int, megabytes_per_s: float) -> None:
    assert links.USB[speed].payload_bytes_per_s == pytest.approx(megabytes_per_s * 1e6, rel=1e-4)


@pytest.mark.parametrize(("speed", "megabytes_per_s"), [(1_500, 150), (3_000, 300), (6_000, 600)])
def test_sata_after_its_line_code(speed: int, megabytes_per_s: float) -> None:
    assert links.SATA[speed].payload_bytes_per_s == pytest.approx(megabytes_per_s * 1e6)  # SATA specification
