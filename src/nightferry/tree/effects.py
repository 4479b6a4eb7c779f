"""The seam: every call through which nightferry touches a drive.

Nothing else in the package opens, reads, writes, names or syncs a file on a drive. One place,
so that a test can replace it and make the N-th call fail, for every N, and look at what is left.

The members are the kernel's own calls under their own names, held as attributes rather than
wrapped in methods: on a tree of a million files the wrapper would cost more than the call.
All of them raise ``OSError`` as the standard library does.
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import sqlite3
from collections.abc import Iterator
from contextlib import AbstractContextManager
from functools import cache

from nightferry.tree.statx import born_ns, stat_all

_libc = ctypes.CDLL(None, use_errno=True)

_AT_FDCWD = -100
_RENAME_NOREPLACE, _RENAME_EXCHANGE = 1, 2  # linux/fs.h

# openat2(2), Linux 5.6; called by number, which is the same on all architectures but alpha (asm-generic/unistd.h).
_SYS_OPENAT2 = 437
_RESOLVE_NO_XDEV, _RESOLVE_NO_SYMLINKS = 0x01, 0x04  # linux/openat2.h


class _OpenHow(ctypes.Structure):
    """struct open_how of linux/openat2.h."""

    _fields_ = (("flags", ctypes.c_uint64), ("mode", ctypes.c_uint64), ("resolve", ctypes.c_uint64))


_OPENAT2, _HOW_BYTES = ctypes.c_long(_SYS_OPENAT2), ctypes.c_size_t(ctypes.sizeof(_OpenHow))


@cache
def _how(flags: int) -> _OpenHow:
    """Made once for each set of flags, of which there are a handful; the kernel only reads it."""
    return _OpenHow(flags | os.O_CLOEXEC | os.O_LARGEFILE, 0, _RESOLVE_NO_XDEV | _RESOLVE_NO_SYMLINKS)


def _raise_errno() -> None:
    number = ctypes.get_errno()
    raise OSError(number, os.strerror(number))


def _syncfs(fd: int) -> None:
    """Writes back the whole file system that ``fd`` lies on (syncfs(2)).

    Since Linux 5.8 it also reports a write-back error of any file there, once per descriptor
    opened before the error.
    """
    if _libc.syncfs(fd) != 0:
        _raise_errno()


# linux/fs.h: SYNC_FILE_RANGE_WAIT_BEFORE, _WRITE, _WAIT_AFTER. All three together are a write-back of integrity, which
# also takes pages that were written to while they were under way (sync_file_range(2)).
_WRITE_AND_WAIT = 1 | 2 | 4
_sync_file_range = _libc.sync_file_range
_sync_file_range.argtypes = (ctypes.c_int, ctypes.c_int64, ctypes.c_int64, ctypes.c_uint)
# Systems without the call, and files without pages to be written back.
_NO_WRITE_BACK = frozenset({errno.ENOSYS, errno.EINVAL, errno.EOPNOTSUPP, errno.EPERM, errno.ESPIPE})


def _write_back(fd: int) -> None:
    """Has what programs stored into an open file's mapped pages written back; returns when it is. Nothing is flushed.

    What counts is not the platter: a page that was written back is write-protected, so the next store into it is a
    fault, and moves mtime and ctime. A store into a page that is dirty already moves neither. ``fd`` may be open for
    reading only.
    """
    while _sync_file_range(fd, 0, 0, _WRITE_AND_WAIT) != 0:
        number = ctypes.get_errno()
        if number in _NO_WRITE_BACK:
            return
        if number != errno.EINTR:
            raise OSError(number, os.strerror(number))


_renameat2_call = getattr(_libc, "renameat2", None)  # glibc 2.28
if _renameat2_call is not None:
    _renameat2_call.argtypes = (ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_uint)


def _renameat2(src: bytes, dst: bytes, src_dir_fd: int, dst_dir_fd: int, flags: int) -> None:
    if _renameat2_call is None:
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))
    if _renameat2_call(src_dir_fd, src, dst_dir_fd, dst, flags) != 0:
        _raise_errno()


def _exchange(src: bytes, dst: bytes, *, src_dir_fd: int, dst_dir_fd: int) -> None:
    """Swaps two names in one step (renameat2(2) with RENAME_EXCHANGE)."""
    _renameat2(src, dst, src_dir_fd, dst_dir_fd, _RENAME_EXCHANGE)


def _rename_new(src: bytes, dst: bytes, *, src_dir_fd: int, dst_dir_fd: int) -> None:
    """As rename(2), but never over something: EEXIST then. EINVAL where a file system cannot do that."""
    _renameat2(src, dst, src_dir_fd, dst_dir_fd, _RENAME_NOREPLACE)


def _openat2(name: bytes, flags: int, dir_fd: int) -> int:
    how = _how(flags)
    while True:
        fd: int = _libc.syscall(_OPENAT2, ctypes.c_int(dir_fd), ctypes.c_char_p(name), ctypes.byref(how), _HOW_BYTES)
        if fd >= 0:
            return fd
        number = ctypes.get_errno()
        if number != errno.EINTR:
            raise OSError(number, os.strerror(number), os.fsdecode(name))


def _has_openat2() -> bool:
    try:
        os.close(_openat2(b"/", os.O_RDONLY | os.O_DIRECTORY, _AT_FDCWD))
    except OSError as error:
        # Not in this kernel; or kept from us by what confines this process, which answers EPERM.
        return error.errno not in (errno.ENOSYS, errno.EPERM)
    return True


def _mount_id(fd: int) -> bytes:
    """The mount that an open file was reached through (proc_pid_fdinfo(5))."""
    info = os.open(f"/proc/self/fdinfo/{fd}", os.O_RDONLY | os.O_CLOEXEC)
    try:
        lines = os.read(info, 4096).splitlines()
    finally:
        os.close(info)
    return next((line for line in lines if line.startswith(b"mnt_id:")), b"")


def _open_and_compare(name: bytes, flags: int, dir_fd: int) -> int:
    fd = os.open(name, flags | os.O_NOFOLLOW, dir_fd=dir_fd)
    try:
        if _mount_id(fd) != _mount_id(dir_fd):
            raise OSError(errno.EXDEV, os.strerror(errno.EXDEV), os.fsdecode(name))
    except BaseException:
        os.close(fd)
        raise
    return fd


_HAS_OPENAT2 = _has_openat2()


def _open_inside(name: bytes, flags: int, *, dir_fd: int) -> int:
    """Opens a name in an open folder, not followed where it is a symlink, not entered where something is mounted there.

    Device numbers would not tell a bind mount of a folder of the same drive from a folder. ``OSError`` with ``EXDEV``.
    """
    return _openat2(name, flags, dir_fd) if _HAS_OPENAT2 else _open_and_compare(name, flags, dir_fd)


def _set_direct(fd: int, on: bool) -> None:
    """Has an open file read and written past the page cache from here on, or not (fcntl(2), F_SETFL, O_DIRECT)."""
    flags = fcntl.fcntl(fd, fcntl.F_GETFL)
    fcntl.fcntl(fd, fcntl.F_SETFL, flags | os.O_DIRECT if on else flags & ~os.O_DIRECT)


def _commit(connection: sqlite3.Connection) -> None:
    """Ends the open transaction of a manifest; durable when it returns."""
    connection.commit()


def _checkpoint(connection: sqlite3.Connection) -> tuple[int, int, int]:
    """Enters a manifest's write-ahead log into its database, as far as no reader needs the older state, and syncs both.

    Returns whether something was in the way, the frames of the log, and how many of them are in the database now.
    """
    busy, logged, entered = connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
    return busy, logged, entered


def _set_journal_mode(connection: sqlite3.Connection, mode: str) -> str:
    """How a manifest makes its transactions durable; returns the mode that it has then, in small letters."""
    return str(connection.execute(f"PRAGMA journal_mode = {mode}").fetchone()[0])


def _scandir(fd: int) -> AbstractContextManager[Iterator[os.DirEntry[str]]]:
    """The names in an open folder, from the start and as they are now.

    Rewound first: through a descriptor that was open before, btrfs lists the folder as it was then.
    """
    os.lseek(fd, 0, os.SEEK_SET)
    return os.scandir(fd)


class Effects:
    """The calls themselves. Tests put another object with the same members in its place."""

    # names and descriptors
    open = staticmethod(os.open)
    open_inside = staticmethod(_open_inside)
    close = staticmethod(os.close)
    stat = staticmethod(os.stat)
    fstat = staticmethod(os.fstat)
    fstatvfs = staticmethod(os.fstatvfs)
    scandir = staticmethod(_scandir)
    stat_all = staticmethod(stat_all)
    born_ns = staticmethod(born_ns)
    readlink = staticmethod(os.readlink)

    # content
    readv = staticmethod(os.readv)
    preadv = staticmethod(os.preadv)
    write = staticmethod(os.write)
    pwrite = staticmethod(os.pwrite)
    lseek = staticmethod(os.lseek)
    ftruncate = staticmethod(os.ftruncate)
    posix_fadvise = staticmethod(os.posix_fadvise)
    set_direct = staticmethod(_set_direct)
    write_back = staticmethod(_write_back)

    # shape
    mkdir = staticmethod(os.mkdir)
    rmdir = staticmethod(os.rmdir)
    unlink = staticmethod(os.unlink)
    rename = staticmethod(os.rename)
    rename_new = staticmethod(_rename_new)
    exchange = staticmethod(_exchange)
    link = staticmethod(os.link)
    symlink = staticmethod(os.symlink)

    # metadata
    chmod = staticmethod(os.chmod)
    chown = staticmethod(os.chown)
    utime = staticmethod(os.utime)
    listxattr = staticmethod(os.listxattr)
    getxattr = staticmethod(os.getxattr)
    setxattr = staticmethod(os.setxattr)
    removexattr = staticmethod(os.removexattr)

    # durability
    fsync = staticmethod(os.fsync)
    syncfs = staticmethod(_syncfs)
    commit = staticmethod(_commit)
    checkpoint = staticmethod(_checkpoint)
    set_journal_mode = staticmethod(_set_journal_mode)
