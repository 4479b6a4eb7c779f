"""Measured rates against what a link and a kind of drive should give."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightferry.planning.expectation import judge, link_payload
from nightferry.volumes.sysfs import Disk, disks_below
from sysfs_tree import Tree

MB = 10**6


def usb(tmp_path: Path, speed: int, rotational: int) -> Disk:
    tree = Tree(tmp_path)
    tree.usb_disk(
        tree.root_hub(2, speed), "2-1", "sda", (8, 0), speed=speed, version="3.20", rotational=rotational
    )  # fmt: skip
    (found,) = disks_below((8, 0), tree.root)
    return found


def test_payloads_of_links(tmp_path: Path) -> None:
    assert link_payload(usb(tmp_path, 5000, 1)) == 500 * MB  # 5 Gb/s after 8b/10b, USB 3.2 specification


@pytest.mark.parametrize(
    ("speed", "rotational", "rate", "words"),
    [
        (5000, 1, 112, "as a drive with platters"),  # common practice, no source
        (5000, 0, 238, "as a solid-state drive"),  # common practice, no source
        (5000, 1, 30, "slow for a drive with platters"),
        (5000, 1, 400, "more than a drive with platters gives"),
        (5000, 0, 700, "came from a cache"),
        (480, 1, 38, "what its link gives"),
        (480, 1, 60, "came from a cache"),
        (480, 1, 8, "slow for"),
    ],
)
def test_rates(tmp_path: Path, speed: int, rotational: int, rate: int, words: str) -> None:
    assert words in judge(rate * MB, usb(tmp_path, speed, rotational))


def test_a_drive_on_pci_express_may_be_faster_than_sata_carries() -> None:
    drive = Disk("nvme0n1", "nvme", 10**12, False, "Portable", None)
    assert "as a solid-state drive" in judge(3_000 * MB, drive)  # common practice, no source
    assert "slow for" in judge(150 * MB, drive)


def test_of_what_is_no_drive_nothing_is_expected(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    tree.loop("loop7", (7, 7), "/srv/recordings.img")
    (loop,) = disks_below((7, 7), tree.root)
    for each in (loop, None):
        assert "not known" in judge(100 * MB, each)
