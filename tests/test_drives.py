"""The drives that the other tests stand on."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from drives import MIB, CommandError, DriveFactory, make_drive, requires_root_and_loops, run

pytestmark = requires_root_and_loops
ALL = ["ext4", "xfs", "btrfs", "exfat", "ntfs"]


@pytest.mark.parametrize("kind", ALL)
def test_a_drive_keeps_its_files_through_unmount_detach_and_read_only(drives: DriveFactory, kind: str) -> None:
    drive = drives(kind, 64 * MIB)
    file = drive.root / "01 kyrie.wav"
    file.write_bytes(b"kyrie")
    drive.drop_caches()
    drive.unmount()
    assert not file.exists()
    drive.detach()
    assert str(drive.image) not in run("losetup", "-l", "-O", "BACK-FILE").decode()
    drive.mount()
    assert file.read_bytes() == b"kyrie"
    drive.remount(read_only=True)
    with pytest.raises(OSError, match="Read-only"):
        file.write_bytes(b"gloria")
    drive.remount()
    file.write_bytes(b"gloria")


@pytest.mark.parametrize("kind", ALL)
def test_a_flipped_byte_is_seen_once_the_caches_are_dropped(drives: DriveFactory, kind: str) -> None:
    drive = drives(kind, 64 * MIB)
    file = drive.root / "02 gloria.wav"
    content = os.urandom(200_000)
    file.write_bytes(content)
    drive.flip_byte(file, 150_001)
    drive.drop_caches()
    if kind == "btrfs":  # its own checksums notice
        with pytest.raises(OSError, match="Input/output"):
            file.read_bytes()
    else:
        seen = file.read_bytes()
        assert [n for n in range(len(content)) if content[n] != seen[n]] == [150_001]


def test_a_drive_in_use_is_still_taken_apart(tmp_path: Path) -> None:
    factory = DriveFactory(tmp_path / "drives")
    drive = factory("ext4")
    with (drive.root / "open").open("wb"):
        image = drive.image
        factory.close()
    assert str(image) not in run("losetup", "-l", "-O", "BACK-FILE").decode()
    assert str(tmp_path) not in Path("/proc/self/mounts").read_text()


def test_a_half_made_drive_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(CommandError):
        make_drive(tmp_path, "ext4", options="no_such_option")
    assert str(tmp_path) not in run("losetup", "-l", "-O", "BACK-FILE").decode()
    assert not list(tmp_path.glob("*.img"))
