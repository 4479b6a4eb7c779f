"""Rot: bits of a file flipped so that the file system sees nothing of it: size, mtime and ctime stay.

On real drives the image is written behind the file system (drives.py). In memory (tmpfs) there is no platter behind
the pages. There a store through a shared mapping does it: tmpfs notes a write to a mapping only when the page is
faulted in for writing (mm/memory.c: do_shared_fault), and a page that was read first is mapped writable already. So
the byte is read, then written, and no time moves; ``flip`` checks that each time.
"""

from __future__ import annotations

import hashlib
import mmap
import os

from drives import Drive
from lives.looking import Key, forget

Identity = tuple[int, int, int]  # inode, size, mtime


def flip(path: bytes, at: int, drive: Drive | None = None) -> tuple[Key, Key, Identity] | None:
    """Inverts a bit of the file's byte ``at`` (modulo its size): what it has now, what it had, and who it is.

    None where there is no byte to flip. Raises ``OSError``.
    """
    before = os.lstat(path)
    if before.st_size == 0:
        return None
    good = _digest(path)
    at %= before.st_size
    if drive is None:
        _store(path, at)
    else:
        try:
            drive.flip_byte(path, at, mask=1 << at % 8)
        except LookupError:
            return None  # its place on the drive cannot be told: in the inode, or a hole
        _forget(path, drive)
    forget()
    after = os.lstat(path)
    telling = ("st_ino", "st_size", "st_mtime_ns", "st_ctime_ns")
    if drive is None or not drive.is_fuse:
        assert [getattr(before, each) for each in telling] == [getattr(after, each) for each in telling]
    bad = _digest(path)
    assert bad != good, "the flipped byte does not show"
    return ("f", bad), ("f", good), (after.st_ino, after.st_size, after.st_mtime_ns)


def _store(path: bytes, at: int) -> None:
    fd = os.open(path, os.O_RDWR | os.O_NOFOLLOW)
    try:
        with mmap.mmap(fd, 0) as view:
            old = view[at]  # the page is there, and writable, before it is written to
            view[at] = old ^ (1 << at % 8)
    finally:
        os.close(fd)


def _forget(path: bytes, drive: Drive) -> None:
    """Has the next reading come from the drive."""
    if drive.is_fuse:
        drive.unmount()
        drive.mount()
        return
    fd = os.open(path, os.O_RDONLY)
    try:
        os.fsync(fd)
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(fd)


def _digest(path: bytes) -> bytes:
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").digest()
