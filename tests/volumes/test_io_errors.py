"""Errors that the kernel counted: laid out in a folder, and real ones of an ext4 that was made to notice some."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from drives import MIB, DriveFactory
from nightferry.volumes.io_errors import Counted, count_errors
from nightferry.volumes.mounts import mount_of
from sysfs_tree import Tree


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path)


def with_disk(tree: Tree, errors: str) -> Path:
    disk = tree.usb_disk(tree.root_hub(2, 5000), "2-1", "sda", (8, 0), speed=5000, version="3.20")
    tree.partition(disk, "sda1", (8, 1))
    tree.write(disk.parent.parent, ioerr_cnt=errors)
    (tree.root / "class/block").mkdir()
    (tree.root / "class/block/sda").symlink_to(disk)
    return disk


def test_failed_commands_are_counted_in_hexadecimal(tree: Tree) -> None:
    with_disk(tree, "0x1f")  # as drivers/scsi/scsi_sysfs.c prints it
    assert count_errors((8, 1), "xfs", tree.root) == Counted(commands=31)


def test_the_count_of_ext4(tree: Tree) -> None:
    with_disk(tree, "0x0")
    tree.write(tree.root / "fs/ext4/sda1", errors_count=4, last_error_time=1_795_000_000)
    assert count_errors((8, 1), "ext4", tree.root) == Counted(0, 4, 1_795_000_000)


def test_the_counts_of_btrfs(tree: Tree) -> None:
    with_disk(tree, "0x0")
    volume = tree.root / "fs/btrfs/6f1c7e0e-0000-4000-8000-000000000000"
    (volume / "devices").mkdir(parents=True)
    (volume / "devices/sda1").write_text("")
    stats = "write_errs 1\nread_errs 2\nflush_errs 0\ncorruption_errs 3\ngeneration_errs 0"
    tree.write(volume / "devinfo/1", error_stats=stats)
    assert count_errors((8, 1), "btrfs", tree.root) == Counted(0, 6)


@pytest.mark.parametrize("file_system", ["exfat", "ext4", "btrfs", "fuseblk"])
def test_where_nothing_counts_nothing_is_known(tree: Tree, file_system: str) -> None:
    assert count_errors((240, 0), file_system, tree.root) == Counted(None, None, None)


def test_what_was_added_since_the_last_night() -> None:
    assert Counted(5, 2).since(Counted(3, 2)) == Counted(2, 0)
    assert Counted(1, 1).since(Counted(3, None)) == Counted(1, 1)  # plugged in anew: its count began anew
    assert Counted(None, 1).since(Counted(3, 1)) == Counted(None, 0)


def test_a_real_ext4_that_noticed_an_error(drives: DriveFactory) -> None:
    drive = drives("ext4", 16 * MIB)
    mount = mount_of(drive.root)
    before = count_errors(mount.device, mount.file_system)
    assert before.file_system == 0
    began_s = int(time.time())
    # The kernel's own way to try it out (Documentation/ABI/testing/sysfs-fs-ext4).
    Path("/sys/fs/ext4", os.path.basename(drive.device), "trigger_fs_error").write_text("recordings")
    after = count_errors(mount.device, mount.file_system)
    assert after.since(before).file_system == 1
    assert after.last_s is not None
    assert began_s - 2 <= after.last_s <= time.time() + 2
