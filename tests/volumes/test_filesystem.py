from __future__ import annotations

import os
from pathlib import Path

import pytest

from drives import MIB, DriveFactory, Kind, run
from nightferry.tree.effects import Effects
from nightferry.volumes import filesystem
from nightferry.volumes.filesystem import file_system_type, filesystem_uuid, identify, keeps_inode_numbers, room
from nightferry.volumes.mounts import mount_of


@pytest.mark.parametrize(
    ("kind", "named"),
    [("ext4", "ext4"), ("xfs", "xfs"), ("btrfs", "btrfs"), ("exfat", "fuseblk"), ("ntfs", "fuseblk")],
)
def test_identity_of_each_kind_of_drive(drives: DriveFactory, kind: Kind, named: str, tmp_path: Path) -> None:
    drive = drives(kind)
    fd = os.open(drive.root, os.O_RDONLY)
    try:
        mount = mount_of(drive.root)
        found = identify(fd, mount)
        assert file_system_type(drive.root / "anything below") == found.file_system == named
        # blkid(8) -p reads the identifier from the device itself
        assert found.uuid == run("blkid", "-p", "-o", "value", "-s", "UUID", drive.device).decode().strip()
        assert found.keeps_inode_numbers is (kind in ("ext4", "xfs", "btrfs"))

        # Each of the three ways, for whoever has only that one.
        assert filesystem._from_kernel(fd) in (found.uuid, None)
        assert filesystem._from_blkid(mount) == found.uuid
        by_uuid = tmp_path / "by-uuid"
        by_uuid.mkdir()
        (by_uuid / "0000-0000").symlink_to("/dev/null")
        (by_uuid / "1111-1111").symlink_to("/dev/gone")
        assert filesystem._from_links(mount, by_uuid) is None
        (by_uuid / str(found.uuid)).symlink_to(drive.device)
        assert filesystem._from_links(mount, by_uuid) == found.uuid
        assert filesystem._from_links(mount, tmp_path / "absent") is None
    finally:
        os.close(fd)


def test_no_device_no_identifier() -> None:
    fd = os.open("/proc", os.O_RDONLY)
    try:
        assert filesystem_uuid(fd, mount_of(Path("/proc"))) is None
    finally:
        os.close(fd)


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs", "exfat", "ntfs"])
def test_room_is_what_df_says(drives: DriveFactory, kind: Kind) -> None:
    drive = drives(kind, 64 * MIB)
    drive.sync()
    fd = os.open(drive.root, os.O_RDONLY)
    try:
        found = room(fd, Effects())
    finally:
        os.close(fd)
    # df(1) of GNU coreutils
    size, free, inodes = run("df", "--block-size=1", "--output=size,avail,iavail", drive.root).split()[-3:]
    assert (found.total_bytes, found.free_bytes) == (int(size), int(free))
    assert found.free_inodes == (None if kind == "btrfs" else int(inodes))


def test_inode_numbers_are_made_up_by_others() -> None:
    assert keeps_inode_numbers("ext4")
    assert not any(map(keeps_inode_numbers, ("exfat", "vfat", "fuseblk", "fuse.anything", "tmpfs", "ntfs3")))
