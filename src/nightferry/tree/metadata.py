"""What a file system keeps beside the content: owner, mode, times, attributes.

POSIX ACLs travel as the extended attributes ``system.posix_acl_access`` and
``system.posix_acl_default``, in which the kernel keeps them (acl(5), xattr(7)).
"""

from __future__ import annotations

import array
import errno
import fcntl
import os
import stat
import struct
from enum import IntEnum
from typing import NamedTuple

from nightferry.tree.effects import Effects

# xattr(7): the kernel's own limits, taken as ours for what we accept from a manifest.
XATTR_NAME_LIMIT_BYTES = 255
XATTR_VALUE_LIMIT_BYTES = 65_536

# XFS shows root its ACLs a second time under these (fs/xfs/xfs_acl.h); they are set through the first.
_SHOWN_TWICE = frozenset({"trusted.SGI_ACL_FILE", "trusted.SGI_ACL_DEFAULT"})

_NOT_KEPT = {errno.EOPNOTSUPP, errno.EPERM, errno.EACCES, errno.EINVAL, errno.ENOSYS, errno.ENODATA}
# Of one attribute: a name that is not text (NTFS), or a value longer than this file system takes.
_ATTRIBUTE_NOT_KEPT = _NOT_KEPT | {errno.EILSEQ, errno.ENAMETOOLONG, errno.E2BIG, errno.ERANGE}


class Kind(IntEnum):
    """The kinds that a copy holds; the numbers stand in the manifest."""

    FOLDER = 1
    FILE = 2
    SYMLINK = 3


class _Kinds(dict[int, Kind]):
    def __missing__(self, number: int) -> Kind:
        raise ValueError(f"{number} is no kind")


# The same as ``Kind(number)``, in a tenth of the time, which counts where a million rows are read.
KIND_OF = _Kinds((kind.value, kind) for kind in Kind)

# linux/fs.h: _IOR('f', 1, long), and its bits
_FS_IOC_GETFLAGS = (2 << 30) | (array.array("l").itemsize << 16) | (ord("f") << 8) | 1
_FS_IMMUTABLE, _FS_APPEND = 0x10, 0x20

_KINDS = {stat.S_IFDIR: Kind.FOLDER, stat.S_IFREG: Kind.FILE, stat.S_IFLNK: Kind.SYMLINK}
_UNSUPPORTED = {
    stat.S_IFSOCK: "a socket",
    stat.S_IFIFO: "a FIFO",
    stat.S_IFBLK: "a block device",
    stat.S_IFCHR: "a character device",
}


class Stat(NamedTuple):
    """What tells one state of a file from another, and what is put back with it."""

    kind: Kind
    size_bytes: int
    mtime_ns: int
    ctime_ns: int
    inode: int
    mode: int  # the twelve permission bits
    uid: int
    gid: int
    nlink: int
    allocated_bytes: int

    @classmethod
    def of(cls, found: os.stat_result) -> Stat:
        """Raises ``KeyError`` for sockets, FIFOs and devices; ask ``unsupported`` first."""
        return cls.made(
            found.st_mode, found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino, found.st_uid,
            found.st_gid, found.st_nlink, found.st_blocks,
        )  # fmt: skip

    @classmethod
    def made(
        cls, mode: int, size_bytes: int, mtime_ns: int, ctime_ns: int, inode: int, uid: int, gid: int, nlink: int,
        blocks: int,
    ) -> Stat:  # fmt: skip
        """Of the numbers as the kernel gives them. Raises ``KeyError`` as ``of`` does."""
        kind = _KINDS[stat.S_IFMT(mode)]
        return cls(
            kind,
            size_bytes if kind is not Kind.FOLDER else 0,
            mtime_ns,
            ctime_ns,
            signed(inode),
            stat.S_IMODE(mode),
            uid,
            gid,
            nlink if kind is not Kind.FOLDER else 1,
            blocks * 512,  # stat(2): in units of 512 bytes, whatever the block size
        )


def unsupported(found: os.stat_result) -> str | None:
    """What a name stands for where no copy can hold it, in words; None for what can be copied."""
    return unsupported_mode(found.st_mode)


def unsupported_mode(mode: int) -> str | None:
    """The same by ``st_mode``."""
    return _UNSUPPORTED.get(stat.S_IFMT(mode))


def signed(inode: int) -> int:
    """An inode number as SQLite can hold it: 64 bits, signed."""
    return inode - (1 << 64) if inode >= 1 << 63 else inode


Xattrs = tuple[tuple[bytes, bytes], ...]


def pack_xattrs(xattrs: Xattrs) -> bytes:
    """Length-prefixed names and values, in the order of the names."""
    return b"".join(struct.pack("<HI", len(name), len(value)) + name + value for name, value in sorted(xattrs))


def unpack_xattrs(packed: bytes) -> Xattrs:
    """The reverse of ``pack_xattrs``; raises ``ValueError`` where the bytes are not such a list."""
    found = []
    at = 0
    while at < len(packed):
        if at + 6 > len(packed):
            raise ValueError("a list of attributes ends in the middle of one")
        name_bytes, value_bytes = struct.unpack_from("<HI", packed, at)
        at += 6
        if not 0 < name_bytes <= XATTR_NAME_LIMIT_BYTES or value_bytes > XATTR_VALUE_LIMIT_BYTES:
            raise ValueError("a list of attributes holds one longer than the kernel allows")
        if at + name_bytes + value_bytes > len(packed):
            raise ValueError("a list of attributes ends in the middle of one")
        found.append((packed[at : at + name_bytes], packed[at + name_bytes : at + name_bytes + value_bytes]))
        at += name_bytes + value_bytes
    return tuple(found)


def read_xattrs(target: int | bytes, effects: Effects) -> Xattrs:
    """All attributes of an open file, or of a name (``bytes``, not followed). Empty where there are none."""
    follow = isinstance(target, int)
    try:
        names = effects.listxattr(target, follow_symlinks=follow)
    except OSError as error:
        if error.errno in (errno.EOPNOTSUPP, errno.ENOSYS):
            return ()
        raise
    found = []
    for name in names:
        if name in _SHOWN_TWICE:
            continue
        try:
            found.append((os.fsencode(name), effects.getxattr(target, name, follow_symlinks=follow)))
        except OSError as error:
            if error.errno not in (errno.ENODATA, errno.EOPNOTSUPP, errno.EPERM, errno.EACCES):
                raise
    return tuple(sorted(found))


def _write_xattrs(target: int | bytes, wanted: Xattrs, effects: Effects, *, fresh: bool) -> list[str]:
    follow = isinstance(target, int)
    lost = []
    present = () if fresh else read_xattrs(target, effects)
    if present == wanted:
        return []
    for name, value in wanted:
        if (name, value) in present:
            continue
        try:
            effects.setxattr(target, name, value, follow_symlinks=follow)
        except OSError as error:
            if error.errno not in _ATTRIBUTE_NOT_KEPT and not _has_no_place(error, target, effects):
                raise
            lost.append("attributes")
    for name, _ in present:
        if name not in dict(wanted):
            try:
                effects.removexattr(target, name, follow_symlinks=follow)
            except OSError as error:
                if error.errno not in _NOT_KEPT:
                    raise
                lost.append("attributes")
    return lost


def _has_no_place(error: OSError, target: int | bytes, effects: Effects) -> bool:
    """Whether attributes are larger than the file system's place for them, which ext4 and btrfs call a full drive."""
    return error.errno == errno.ENOSPC and isinstance(target, int) and effects.fstatvfs(target).f_bavail > 0


class OwnerOfNew:
    """User and group of what this process makes in one folder: the same for all, so only the first is looked at."""

    def __init__(self, effects: Effects) -> None:
        self._effects = effects
        self._known: tuple[int, int] | None = None

    def of(self, fd: int) -> tuple[int, int]:
        """``fd``: what was just made there, open."""
        if self._known is None:
            found = self._effects.fstat(fd)
            self._known = (found.st_uid, found.st_gid)
        return self._known


def apply_to_open(
    fd: int, wanted: Stat, xattrs: Xattrs, effects: Effects, *, fresh: bool, owner: tuple[int, int] | None = None
) -> list[str]:
    """Gives an open file or folder its metadata; returns what the file system would not keep.

    ``fresh`` says that it was just made by us, so that nothing has to be removed first; ``owner``, user and group that
    it has now, where that is known.
    The order matters: a change of owner clears the set-id bits and file capabilities
    (chown(2), capabilities(7)), a change of mode rewrites the mask of an ACL (acl(5)), and all
    of them move the times.
    """
    lost = []
    if owner is None:
        now = effects.fstat(fd)
        owner = (now.st_uid, now.st_gid)
    if owner != (wanted.uid, wanted.gid):
        try:
            effects.chown(fd, wanted.uid, wanted.gid)
        except OSError as error:
            if error.errno not in _NOT_KEPT or _is_locked(fd, error):
                raise
            lost.append("owner")
    try:
        effects.chmod(fd, wanted.mode)
    except OSError as error:
        if error.errno not in _NOT_KEPT or _is_locked(fd, error):
            raise
        lost.append("mode")
    if xattrs or not fresh:
        lost += _write_xattrs(fd, xattrs, effects, fresh=fresh)
    lost += _set_times(fd, wanted.mtime_ns, effects)
    return lost


def apply_to_symlink(
    folder_fd: int, name: bytes, wanted: Stat, xattrs: Xattrs, effects: Effects, *, fresh: bool = False
) -> list[str]:
    """Gives a symlink its owner, times and attributes; its mode has no meaning on Linux (symlink(7)).

    ``fresh`` as in ``apply_to_open``.
    """
    lost = []
    try:
        effects.chown(name, wanted.uid, wanted.gid, dir_fd=folder_fd, follow_symlinks=False)
    except OSError as error:
        if error.errno not in _NOT_KEPT:
            raise
        lost.append("owner")
    if xattrs or not fresh:
        lost += _write_xattrs(path_of_name(folder_fd, name), xattrs, effects, fresh=fresh)
    lost += _set_times(name, wanted.mtime_ns, effects, folder_fd)
    return lost


def path_of_name(folder_fd: int, name: bytes) -> bytes:
    """A path for the calls that take no descriptor (xattr(7) has no ``*at`` form before Linux 6.13)."""
    return b"/proc/self/fd/%d/%s" % (folder_fd, name)


def _set_times(target: int | bytes, mtime_ns: int, effects: Effects, folder_fd: int | None = None) -> list[str]:
    # No access time is kept: the primary is read without leaving one, so it means nothing there.
    times = (mtime_ns, mtime_ns)
    try:
        if folder_fd is None:
            effects.utime(target, ns=times)
        else:
            effects.utime(target, ns=times, dir_fd=folder_fd, follow_symlinks=False)
    except (OSError, OverflowError) as error:
        if isinstance(error, OSError) and (error.errno not in _NOT_KEPT or _is_locked(target, error)):
            raise
        return ["time"]
    return []


def _is_locked(target: int | bytes, error: OSError) -> bool:
    """Whether an open file refuses a change since somebody made it immutable or append-only (chattr(1)).

    That is not what its file system can hold: it is to be named, and tried again.
    """
    if error.errno != errno.EPERM or not isinstance(target, int):
        return False
    flags = array.array("I", [0, 0])
    try:
        fcntl.ioctl(target, _FS_IOC_GETFLAGS, flags)
    except OSError:
        return False
    return bool(flags[0] & (_FS_IMMUTABLE | _FS_APPEND))
