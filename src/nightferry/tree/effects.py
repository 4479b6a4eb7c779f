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
import os
import sqlite3
from collections.abc import Iterator
from contextlib import AbstractContextManager

_libc = ctypes.CDLL(None, use_errno=True)

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2  # linux/fs.h


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


def _exchange(src: bytes, dst: bytes, *, src_dir_fd: int, dst_dir_fd: int) -> None:
    """Swaps two names in one step (renameat2(2) with RENAME_EXCHANGE)."""
    if not hasattr(_libc, "renameat2"):
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))
    if _libc.renameat2(src_dir_fd, src, dst_dir_fd, dst, _RENAME_EXCHANGE) != 0:
        _raise_errno()


def _commit(connection: sqlite3.Connection) -> None:
    """Ends the open transaction of a manifest; durable when it returns."""
    connection.commit()


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
    close = staticmethod(os.close)
    stat = staticmethod(os.stat)
    fstat = staticmethod(os.fstat)
    fstatvfs = staticmethod(os.fstatvfs)
    scandir = staticmethod(_scandir)
    readlink = staticmethod(os.readlink)

    # content
    readv = staticmethod(os.readv)
    preadv = staticmethod(os.preadv)
    write = staticmethod(os.write)
    pwrite = staticmethod(os.pwrite)
    lseek = staticmethod(os.lseek)
    ftruncate = staticmethod(os.ftruncate)
    posix_fadvise = staticmethod(os.posix_fadvise)

    # shape
    mkdir = staticmethod(os.mkdir)
    rmdir = staticmethod(os.rmdir)
    unlink = staticmethod(os.unlink)
    rename = staticmethod(os.rename)
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
