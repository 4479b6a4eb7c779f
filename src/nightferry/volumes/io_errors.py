"""Errors that the kernel has counted for a drive and for the file system on it.

From sysfs: the SCSI layer's count of commands that failed, since the drive was plugged in; ext4's count of errors, kept
in its superblock until a repair (Documentation/ABI/testing/sysfs-fs-ext4); btrfs's counts for each of its devices.
Other drives and file systems count nothing that can be read: None, not known.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from nightferry.volumes.sysfs import SYSFS, disks_below, read_value


@dataclass(frozen=True)
class Counted:
    """``commands``: that failed on the drive since it was plugged in, harmless ones among them. ``file_system``: errors
    that it noticed; ``last_s`` when the newest was, Unix time."""

    commands: int | None = None
    file_system: int | None = None
    last_s: int | None = None

    def since(self, earlier: Counted) -> Counted:
        """What was added; a count that went back began anew, and counts whole."""
        return Counted(
            _added(self.commands, earlier.commands), _added(self.file_system, earlier.file_system), self.last_s
        )


def _added(now: int | None, then: int | None) -> int | None:
    if now is None:
        return None
    return now - then if then is not None and then <= now else now


def count_errors(device: tuple[int, int], file_system: str, root: Path = SYSFS) -> Counted:
    """``device`` as mountinfo has it, ``file_system`` its type. Never raises."""
    commands = [
        found
        for disk in disks_below(device, root)
        if (found := _hex(root / "class" / "block" / disk.name / "device" / "ioerr_cnt")) is not None
    ]
    counted = sum(commands) if commands else None
    name = _block_name(device, root)
    if file_system in ("ext2", "ext3", "ext4") and name is not None:
        folder = root / "fs" / "ext4" / name
        return Counted(counted, _whole(folder / "errors_count"), _whole(folder / "last_error_time") or None)
    if file_system == "btrfs":
        return Counted(counted, _btrfs(name, root))
    return Counted(counted)


def _block_name(device: tuple[int, int], root: Path) -> str | None:
    path = root / "dev" / "block" / f"{device[0]}:{device[1]}"
    return path.resolve().name if path.exists() else None


def _btrfs(name: str | None, root: Path) -> int | None:
    """The sum over the file system's devices. mountinfo's device number of btrfs is no block device: found by name."""
    folder = root / "fs" / "btrfs"
    for path in sorted(folder.iterdir()) if name is not None and folder.is_dir() else []:
        if (path / "devices" / str(name)).exists():
            said = [read_value(each) or "" for each in sorted((path / "devinfo").glob("*/error_stats"))]
            counts = [int(number) for text in said for number in re.findall(r"^\w+_errs (\d+)$", text, re.MULTILINE)]
            return sum(counts) if counts else None
    return None


def _number(path: Path, base: int) -> int | None:
    try:
        return int(read_value(path) or "", base)
    except ValueError:
        return None


def _whole(path: Path) -> int | None:
    return _number(path, 10)


def _hex(path: Path) -> int | None:
    return _number(path, 16)
