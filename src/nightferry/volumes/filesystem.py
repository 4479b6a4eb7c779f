"""What a drive's file system is: its type, its identifier, its room."""

from __future__ import annotations

import array
import errno
import fcntl
import os
import re
import stat
import subprocess
import uuid
from dataclasses import dataclass
from pathlib import Path

from nightferry.tree.effects import Effects
from nightferry.volumes.mounts import MOUNTINFO, Mount, mount_of

BY_UUID = Path("/dev/disk/by-uuid")

# linux/fs.h, Linux 6.9: #define FS_IOC_GETFSUUID _IOR(0x15, 0, struct fsuuid2), struct fsuuid2 {__u8 len, uuid[16];}.
# Here with the bits of asm-generic/ioctl.h; the few architectures with others (MIPS, PowerPC) answer ENOTTY.
_FS_IOC_GETFSUUID = (2 << 30) | (17 << 16) | (0x15 << 8)

_BY_UUID_LIMIT = 10_000
_BLKID_TIMEOUT_S = 30.0  # a drive that spins up takes ten
# 8-4-4-4-12 for Unix file systems, 1234-ABCD for FAT and exFAT, sixteen digits for NTFS.
_UUID_TEXT = re.compile(r"[0-9A-Fa-f-]{4,64}")

# The file systems of Linux that store inode numbers, so that a file keeps its own through every mount.
# FAT, exFAT and those in user space make them up.
_KEEPS_INODE_NUMBERS = frozenset({"ext2", "ext3", "ext4", "xfs", "btrfs", "f2fs"})
# Those on which a number and a time of change tell a file from all others, at least while it is mounted: by its number
# it is known again under another name. Everywhere else content decides. FUSE programs number files as they are asked
# for them, FAT and exFAT have no time of change of their own; and "fuseblk" does not say which program it is.
_TELLS_FILES_APART = _KEEPS_INODE_NUMBERS | {
    "bcachefs", "jfs", "nfs", "nfs4", "nilfs2", "ntfs3", "overlay", "reiserfs", "tmpfs", "zfs",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class FileSystemId:
    """Type as mountinfo names it (``ext4``, ``fuseblk``), and the identifier given when it was made, where known."""

    file_system: str
    uuid: str | None

    @property
    def keeps_inode_numbers(self) -> bool:
        return keeps_inode_numbers(self.file_system)


@dataclass(frozen=True, slots=True)
class Room:
    """Space as a file system counts it.

    ``free_bytes`` is what ordinary users may still use: what is reserved for root is not for a backup to eat.
    ``free_inodes`` is None where the file system does not count them.
    """

    free_bytes: int
    total_bytes: int
    free_inodes: int | None


def keeps_inode_numbers(file_system: str) -> bool:
    """Whether a file has the same inode number after the next mount."""
    return file_system in _KEEPS_INODE_NUMBERS


def tells_files_apart(file_system: str) -> bool:
    """Whether inode numbers and times of change say which file it is, and whether anybody wrote to it."""
    return file_system in _TELLS_FILES_APART


def file_system_type(path: Path, mountinfo: Path = MOUNTINFO) -> str:
    """The type of the file system a path lies on, as mountinfo names it.

    Raises:
        Failed: the list of mounts cannot be read or does not cover the path.
    """
    return mount_of(path, mountinfo).file_system


def room(fd: int, effects: Effects) -> Room:
    """The room on the file system that ``fd`` lies on (statvfs(3)).

    Raises:
        OSError: as the kernel says.
    """
    counts = effects.fstatvfs(fd)
    unit_bytes = counts.f_frsize or counts.f_bsize
    return Room(
        free_bytes=counts.f_bavail * unit_bytes,
        total_bytes=counts.f_blocks * unit_bytes,
        free_inodes=counts.f_favail if counts.f_files else None,
    )


def identify(fd: int, mount: Mount) -> FileSystemId:
    """Type and identifier of the file system that ``fd`` lies on and ``mount`` lists."""
    return FileSystemId(mount.file_system, filesystem_uuid(fd, mount))


def filesystem_uuid(fd: int, mount: Mount, by_uuid: Path = BY_UUID) -> str | None:
    """The identifier that a file system got when it was made; None where there is no way to learn it.

    The kernel is asked first, then the names udev gives to the devices, then blkid(8). All give the same text.
    A clone made block by block has the identifier of its original.
    """
    return _from_kernel(fd) or _from_links(mount, by_uuid) or _from_blkid(mount)


def _from_kernel(fd: int) -> str | None:
    answer = array.array("B", bytes(17))
    try:
        fcntl.ioctl(fd, _FS_IOC_GETFSUUID, answer, True)
    except OSError:
        # ENOTTY: an older kernel, or a file system without one. There are other ways to ask.
        return None
    # Shorter ones, and an empty one, are not what the drive's label says.
    if answer[0] != 16 or not any(answer[1:]):
        return None
    return str(uuid.UUID(bytes=answer[1:].tobytes()))


def _device_number(mount: Mount) -> int | None:
    """The block device under a mount; None for file systems that have none.

    The source is asked first: for btrfs and those in user space the number in mountinfo is not a block device's.
    """
    try:
        status = os.stat(mount.source)
        if stat.S_ISBLK(status.st_mode):
            return status.st_rdev
    except (OSError, ValueError):
        pass  # "/dev/root", or a name that is no path at all
    return os.makedev(*mount.device) if mount.device[0] != 0 else None


def block_device(mount: Mount) -> bytes | None:
    """The path of the block device under a mount; None where its source is not one."""
    try:
        return mount.source if stat.S_ISBLK(os.stat(mount.source).st_mode) else None
    except (OSError, ValueError):
        return None


def _from_links(mount: Mount, by_uuid: Path) -> str | None:
    number = _device_number(mount)
    if number is None:
        return None
    try:
        with os.scandir(by_uuid) as entries:
            for count, entry in enumerate(entries):
                if count >= _BY_UUID_LIMIT:
                    break
                try:
                    status = entry.stat()
                except OSError:
                    continue  # a link that udev has not removed yet
                if stat.S_ISBLK(status.st_mode) and status.st_rdev == number and _UUID_TEXT.fullmatch(entry.name):
                    return entry.name
    except OSError as error:
        if error.errno not in (errno.ENOENT, errno.ENOTDIR, errno.EACCES):
            raise
    return None


def _from_blkid(mount: Mount) -> str | None:
    number = _device_number(mount)
    if number is None:
        return None
    device = f"/dev/block/{os.major(number)}:{os.minor(number)}".encode()
    if not os.path.exists(device):
        device = mount.source
    if not device.startswith(b"/"):
        return None
    try:
        done = subprocess.run(
            # Without a cache file: it would answer for the drive that was here before, and be written to /run.
            [b"blkid", b"-c", b"/dev/null", b"-o", b"value", b"-s", b"UUID", device],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            timeout=_BLKID_TIMEOUT_S,
            env={"LC_ALL": "C", "PATH": "/usr/sbin:/usr/bin:/sbin:/bin"},
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired):
        return None  # not installed, or a drive that does not answer: the identifier is a help, not a need
    text = done.stdout.decode("ascii", "replace").strip()
    return text if _UUID_TEXT.fullmatch(text) else None
