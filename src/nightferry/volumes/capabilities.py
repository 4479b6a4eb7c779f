"""What a file system can hold: tried out, not looked up.

The same type of file system can hold more or less, by its mount options, its age and the program that serves it. So
each ability is tried with a small file of its own, below one folder that is removed again whatever happens.
"""

from __future__ import annotations

import errno
import mmap
import os
import secrets
import stat
import struct
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from nightferry.tree.effects import Effects

PREFIX = b".probe-"

# Errors by which a file system says "not here"; all others (a full or broken drive) are raised.
_UNSUPPORTED = frozenset(
    {
        errno.EOPNOTSUPP,
        errno.ENOSYS,
        errno.EPERM,
        errno.EACCES,
        errno.EINVAL,
        errno.EILSEQ,
        errno.ENOTTY,
        errno.EMLINK,
        errno.ENOENT,
        errno.ENODATA,
    }
)

# File systems in the kernel, over a block device. In these, syncfs(2) writes back every file and folder and flushes the
# drive's cache. For one served by a program (FUSE) the kernel's syncfs does not reach it before Linux 5.15, and after
# that only where the program answers it, which the two for exFAT and NTFS do not.
_IN_KERNEL = frozenset({"ext2", "ext3", "ext4", "xfs", "btrfs", "f2fs", "exfat", "vfat", "ntfs3"})

# Not btrfs: it compresses, where it is asked to, only what goes through the page cache.
_DIRECT_WRITES = frozenset({"ext4", "xfs"})

_BLOCK_BYTES = 4096
_HOLE_BYTES = 1024 * 1024

# 2023-11-14T22:13:21.123456789Z: odd in seconds and in every decimal, so that each rounding shows.
_TIME_NS = 1_700_000_001_123_456_789
# Nanoseconds; NTFS's 100 ns; micro- and milliseconds; exFAT's 10 ms; seconds; FAT's 2 s.
_GRANULARITIES_NS = (1, 100, 1_000, 1_000_000, 10_000_000, 1_000_000_000, 2_000_000_000)

# No account of a usual system has it: chown to it must be the file system's own doing.
_STRANGE_ID = 47_003

# linux/posix_acl_xattr.h: version 2, then (tag, permissions, id) each, little endian: user::rw-, user:47003:r--,
# group::r--, mask::r--, other::---. Tags of linux/posix_acl.h.
_ACL = struct.pack("<I", 2) + b"".join(
    struct.pack("<HHI", *entry)
    for entry in (
        (0x01, 6, 0xFFFFFFFF),
        (0x02, 4, _STRANGE_ID),
        (0x04, 4, 0xFFFFFFFF),
        (0x10, 4, 0xFFFFFFFF),
        (0x20, 0, 0xFFFFFFFF),
    )
)


@dataclass(frozen=True, slots=True)
class Capabilities:
    """What a tree on this file system carries, for the user that asked.

    ``exchange``: two names can be swapped in one step. ``modes``: all twelve bits. ``owners``: any owner can be given,
    which only root can. ``time_granularity_ns``: the step of modification times, 1 where every nanosecond is kept.
    ``sparse``: holes stay and are found. ``direct_reads``: O_DIRECT reads from the drive itself, past every page cache.
    ``raw_names``: any name that the kernel allows, also one that is not UTF-8. ``syncfs_covers``: syncfs(2) makes all
    that was written durable; where not, each file and folder needs fsync(2). ``direct_writes``: large files are better
    written past the page cache.
    """

    hard_links: bool
    exchange: bool
    symlinks: bool
    owners: bool
    modes: bool
    user_xattrs: bool
    posix_acls: bool
    time_granularity_ns: int
    case_sensitive: bool
    sparse: bool
    direct_reads: bool
    directory_fsync: bool
    raw_names: bool
    syncfs_covers: bool
    direct_writes: bool

    def lacks(self) -> list[str]:
        """In words, what the tree alone will not carry; empty where it carries everything."""
        found = [
            words
            for carried, words in (
                (self.symlinks, "symbolic links"),
                (self.hard_links, "hard links (each name holds its own copy)"),
                (self.owners, "owners and groups"),
                (self.modes, "permissions"),
                (self.user_xattrs, "extended attributes"),
                (self.posix_acls, "access control lists"),
                (self.sparse, "holes in sparse files (they take up their full size)"),
                (self.case_sensitive, "names that differ only in upper and lower case"),
                (self.raw_names, "some names (not UTF-8, or with characters such as : or a newline)"),
            )
            if not carried
        ]
        if self.time_granularity_ns > 1:
            found.append(f"modification times finer than {_duration(self.time_granularity_ns)}")
        return found


def _duration(ns: int) -> str:
    for unit_ns, unit in ((1_000_000_000, "s"), (1_000_000, "ms"), (1_000, "µs")):
        if ns >= unit_ns:
            return f"{ns // unit_ns} {unit}"
    return f"{ns} ns"


def syncfs_covers(file_system: str) -> bool:
    """Whether syncfs(2) makes everything durable on a file system of this type (as mountinfo names it)."""
    return file_system in _IN_KERNEL


def _try(attempt: Callable[[], bool]) -> bool:
    try:
        return attempt()
    except OSError as error:
        if error.errno in _UNSUPPORTED:
            return False
        raise


class _Probe:
    """The attempts, in a folder of their own. Each makes what it needs, under names that no other uses."""

    def __init__(self, fd: int, effects: Effects, as_root: bool) -> None:
        self._fd = fd
        self._effects = effects
        self._as_root = as_root

    def _make(self, name: bytes, content: bytes = b"") -> int:
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        fd = self._effects.open(name, flags, 0o600, dir_fd=self._fd)
        try:
            if content:
                self._effects.pwrite(fd, content, 0)
        except BaseException:
            self._effects.close(fd)
            raise
        return fd

    def _with(self, name: bytes, use: Callable[[int], bool], content: bytes = b"") -> bool:
        fd = self._make(name, content)
        try:
            return _try(lambda: use(fd))
        finally:
            self._effects.close(fd)

    def _stat(self, name: bytes) -> os.stat_result:
        return self._effects.stat(name, dir_fd=self._fd, follow_symlinks=False)

    def hard_links(self) -> bool:
        def use(fd: int) -> bool:
            self._effects.link(b"link-1", b"link-2", src_dir_fd=self._fd, dst_dir_fd=self._fd, follow_symlinks=False)
            return self._stat(b"link-2").st_ino == self._effects.fstat(fd).st_ino

        return self._with(b"link-1", use)

    def exchange(self) -> bool:
        self._effects.close(self._make(b"swap-1"))

        def use(fd: int) -> bool:
            self._effects.exchange(b"swap-1", b"swap-2", src_dir_fd=self._fd, dst_dir_fd=self._fd)
            return self._stat(b"swap-1").st_size == 1

        return self._with(b"swap-2", use, b"2")

    def symlinks(self) -> bool:
        def use() -> bool:
            self._effects.symlink(b"target", b"symlink", dir_fd=self._fd)
            return stat.S_ISLNK(self._stat(b"symlink").st_mode)

        return _try(use)

    def owners(self) -> bool:
        def use(fd: int) -> bool:
            self._effects.chown(fd, _STRANGE_ID, _STRANGE_ID)
            status = self._effects.fstat(fd)
            return status.st_uid == status.st_gid == _STRANGE_ID

        return self._as_root and self._with(b"owner", use)

    def modes(self) -> bool:
        # A user may set the set-group-id bit only on a file of a group of theirs, which a setgid folder can prevent.
        allowed = 0o7777 if self._as_root else 0o5777

        def use(fd: int) -> bool:
            for mode in (0o6755, 0o1640, 0o0000, 0o7777):
                self._effects.chmod(fd, mode & allowed)
                if stat.S_IMODE(self._effects.fstat(fd).st_mode) != mode & allowed:
                    return False
            return True

        return self._with(b"mode", use)

    def user_xattrs(self) -> bool:
        def use(fd: int) -> bool:
            self._effects.setxattr(fd, b"user.nightferry.probe", b"\x00\xff")
            return self._effects.getxattr(fd, b"user.nightferry.probe") == b"\x00\xff"

        return self._with(b"xattr", use)

    def posix_acls(self) -> bool:
        def use(fd: int) -> bool:
            self._effects.setxattr(fd, b"system.posix_acl_access", _ACL)
            return self._effects.getxattr(fd, b"system.posix_acl_access") == _ACL

        return self._with(b"acl", use)

    def time_granularity_ns(self) -> int:
        fd = self._make(b"time")
        try:
            self._effects.utime(fd, ns=(_TIME_NS, _TIME_NS))
            kept_ns = self._effects.fstat(fd).st_mtime_ns
        finally:
            self._effects.close(fd)
        # Rounded down or up: both leave a multiple of the step, less than a step away.
        for step_ns in _GRANULARITIES_NS:
            if kept_ns % step_ns == 0 and abs(kept_ns - _TIME_NS) < step_ns:
                return step_ns
        return _GRANULARITIES_NS[-1]

    def case_sensitive(self) -> bool:
        def use(_: int) -> bool:
            try:
                self._stat(b"CASE")
            except FileNotFoundError:
                return True
            return False

        return self._with(b"case", use)

    def sparse(self) -> bool:
        def use(fd: int) -> bool:
            self._effects.pwrite(fd, b"x" * _BLOCK_BYTES, _HOLE_BYTES)
            return self._effects.lseek(fd, 0, os.SEEK_HOLE) == 0

        return self._with(b"sparse", use)

    def direct_reads(self) -> bool:
        content = b"x" * _BLOCK_BYTES

        def use(fd: int) -> bool:
            self._effects.fsync(fd)
            direct = self._effects.open(b"direct", os.O_RDONLY | os.O_DIRECT | os.O_CLOEXEC, dir_fd=self._fd)
            try:
                # Anonymous memory begins on a page, which O_DIRECT asks for (open(2)).
                with mmap.mmap(-1, _BLOCK_BYTES) as buffer:
                    count = self._effects.preadv(direct, [buffer], 0)
                    return count == _BLOCK_BYTES and buffer[:] == content
            finally:
                self._effects.close(direct)

        return self._with(b"direct", use, content)

    def directory_fsync(self) -> bool:
        def use() -> bool:
            self._effects.fsync(self._fd)
            return True

        return _try(use)

    def raw_names(self) -> bool:
        names = (b"raw-\xff\xfe", b"raw-a:b\nc")

        def use() -> bool:
            for name in names:
                self._effects.close(self._make(name))
            return set(_names(self._fd, self._effects)).issuperset(names)

        return _try(use)


def probe(staging_fd: int, effects: Effects, *, as_root: bool, file_system: str) -> Capabilities:
    """Tries out what the file system of an open folder can hold, and leaves the folder as it was.

    Args:
        staging_fd: the folder, writable.
        as_root: whether the caller may give files to any owner.
        file_system: the type as mountinfo names it. Decides what cannot be tried: whether syncfs reaches the drive, and
            whether a direct read does; below a program that serves files is the page cache of its device.

    Raises:
        OSError: the drive fails, is full, or cannot be written.
    """
    folder = PREFIX + secrets.token_hex(8).encode()
    effects.mkdir(folder, 0o700, dir_fd=staging_fd)
    try:
        fd = effects.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=staging_fd)
        try:
            return _probe_all(_Probe(fd, effects, as_root), file_system)
        finally:
            _empty(fd, effects)
            effects.close(fd)
    finally:
        # Only after a failure is it not empty; the start of the next run empties all of staging.
        with suppress(OSError):
            effects.rmdir(folder, dir_fd=staging_fd)


def _probe_all(attempts: _Probe, file_system: str) -> Capabilities:
    in_kernel = syncfs_covers(file_system)
    direct = attempts.direct_reads() and in_kernel
    return Capabilities(
        hard_links=attempts.hard_links(),
        exchange=attempts.exchange(),
        symlinks=attempts.symlinks(),
        owners=attempts.owners(),
        modes=attempts.modes(),
        user_xattrs=attempts.user_xattrs(),
        posix_acls=attempts.posix_acls(),
        time_granularity_ns=attempts.time_granularity_ns(),
        case_sensitive=attempts.case_sensitive(),
        sparse=attempts.sparse(),
        direct_reads=direct,
        directory_fsync=attempts.directory_fsync(),
        raw_names=attempts.raw_names(),
        syncfs_covers=in_kernel,
        direct_writes=direct and file_system in _DIRECT_WRITES,
    )


def _names(fd: int, effects: Effects) -> list[bytes]:
    # btrfs lists a folder as it was when it was opened, until its descriptor is set back to the start.
    effects.lseek(fd, 0, os.SEEK_SET)
    with effects.scandir(fd) as entries:
        return [os.fsencode(entry.name) for entry in entries]


def _empty(fd: int, effects: Effects) -> None:
    """Removes what the attempts made. One that cannot be removed keeps no other from it."""
    for _ in range(2):
        names: list[bytes] = []
        with suppress(OSError):
            names = _names(fd, effects)
        for name in names:
            with suppress(OSError):
                effects.unlink(name, dir_fd=fd)
