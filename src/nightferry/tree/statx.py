"""Metadata of many names of one folder at once.

The standard library makes an object of some twenty numbers for each file, three of them as floats, and drops it again:
that takes as long as the call to the kernel. Here the kernel writes its records one behind the other into memory that
is made once, and whoever wants a number takes it from there: a column of all files, or the metadata of one.
"""

from __future__ import annotations

import ctypes
import errno
import os
import stat
import struct
from collections.abc import Sequence
from itertools import repeat

# Names whose metadata is held at a time. More in one folder are taken in pieces.
NAMES_LIMIT = 4096

# struct statx of linux/stat.h is the same on all architectures. Of its 256 bytes the first 128 are of use; the next
# record is written over the others.
RECORD_BYTES = 128
_STATX_BYTES = 256
_NS = 1_000_000_000
# stx_nlink, stx_uid, stx_gid, stx_mode, stx_ino, stx_size, stx_blocks, stx_ctime, stx_mtime
_RECORD = struct.Struct("=16x III H 2x QQQ 40x qI 4x qI 4x")
_MODE_OFFSET_BYTES = 28
# Of the record's 16 words of 8 bytes: link count, owner, group, mode, inode, size; and both times. Left out is what
# moves without anybody writing: access times, and blocks that are allocated late.
_TELLING_WORDS = (2, 3, 4, 5, 12, 13, 14, 15)

_AT_SYMLINK_NOFOLLOW, _AT_NO_AUTOMOUNT = 0x100, 0x800  # linux/fcntl.h
_STATX_BASIC_STATS = 0x7FF
_STATX_BTIME = 0x800
_BORN = struct.Struct("=I 76x qI")  # stx_mask, stx_btime

_libc = ctypes.CDLL(None)


class Records:
    """Room for the metadata of ``NAMES_LIMIT`` names, used again for each folder. Of one thread."""

    def __init__(self) -> None:
        self._memory = ctypes.create_string_buffer(RECORD_BYTES * NAMES_LIMIT + _STATX_BYTES - RECORD_BYTES)
        # Made once: a call through ctypes takes them as they are.
        self.places = [ctypes.byref(self._memory, at * RECORD_BYTES) for at in range(NAMES_LIMIT)]
        self._bytes = memoryview(self._memory).cast("B")
        self._words = self._bytes.cast("Q")
        self._halves = self._bytes.cast("H")

    def modes(self, count: int) -> list[int]:
        """``st_mode`` of the first so many names."""
        return self._halves[_MODE_OFFSET_BYTES // 2 : count * RECORD_BYTES // 2 : RECORD_BYTES // 2].tolist()

    def columns(self, count: int) -> list[memoryview]:
        """What tells one state of a file from another, of the first so many names: one column a word of 64 bits."""
        words = RECORD_BYTES // 8
        return [self._words[word : count * words : words] for word in _TELLING_WORDS]

    def telling(self, at: int) -> bytes:
        """The same of one name, in one piece."""
        start = at * RECORD_BYTES
        return bytes(self._bytes[start + 16 : start + 48]) + bytes(self._bytes[start + 96 : start + 128])

    def numbers(self, at: int) -> tuple[int, int, int, int, int, int, int, int, int]:
        """Of one name: mode, size in bytes, mtime and ctime in ns, inode, owner, group, link count, blocks of 512."""
        nlink, uid, gid, mode, inode, size_bytes, blocks, ctime_s, ctime_ns, mtime_s, mtime_ns = _RECORD.unpack_from(
            self._bytes, at * RECORD_BYTES
        )
        return (
            mode, size_bytes, mtime_s * _NS + mtime_ns, ctime_s * _NS + ctime_ns, inode, uid, gid, nlink, blocks
        )  # fmt: skip

    def put(self, at: int, found: os.stat_result) -> None:
        """Enters what the standard library found."""
        ctime_s, ctime_ns = divmod(found.st_ctime_ns, _NS)
        mtime_s, mtime_ns = divmod(found.st_mtime_ns, _NS)
        _RECORD.pack_into(
            self._bytes, at * RECORD_BYTES, found.st_nlink, found.st_uid, found.st_gid, found.st_mode, found.st_ino,
            found.st_size, found.st_blocks, ctime_s, ctime_ns, mtime_s, mtime_ns,
        )  # fmt: skip


def _stat_by_kernel(folder_fd: int, names: Sequence[bytes], records: Records) -> list[int]:
    flags = _AT_SYMLINK_NOFOLLOW | _AT_NO_AUTOMOUNT
    done = list(
        map(_libc.statx, repeat(folder_fd), names, repeat(flags), repeat(_STATX_BASIC_STATS), records.places)
    )  # fmt: skip
    return [at for at, result in enumerate(done) if result] if any(done) else []


def stat_by_library(folder_fd: int, names: Sequence[bytes], records: Records) -> list[int]:
    """The same through the standard library, for kernels and sandboxes without statx(2)."""
    failed = []
    for at, name in enumerate(names):
        try:
            records.put(at, os.stat(name, dir_fd=folder_fd, follow_symlinks=False))
        except OSError:
            failed.append(at)
    return failed


def born_ns(name: bytes, *, dir_fd: int) -> int | None:
    """When a name's inode was made, Unix time in ns; None where the file system does not say."""
    if _look is stat_by_library:
        return None
    record = ctypes.create_string_buffer(_STATX_BYTES)
    flags = _AT_SYMLINK_NOFOLLOW | _AT_NO_AUTOMOUNT
    if _libc.statx(dir_fd, name, flags, _STATX_BTIME, ctypes.byref(record)):
        return None
    has, seconds, ns = _BORN.unpack_from(record)
    return seconds * _NS + ns if has & _STATX_BTIME else None


def _has_statx() -> bool:
    if not hasattr(_libc, "statx"):  # glibc 2.28
        return False
    records = Records()
    return not _stat_by_kernel(-100, [b"/"], records) and stat.S_ISDIR(records.modes(1)[0])  # -100: AT_FDCWD


def stat_all(folder_fd: int, names: Sequence[bytes], records: Records) -> list[int]:
    """Fills ``records`` with the metadata of up to ``NAMES_LIMIT`` names in an open folder; no symlink is followed.

    Returns the places of those that could not be looked at: ask for each again to learn why.
    """
    if len(names) > NAMES_LIMIT:
        raise OSError(errno.E2BIG, os.strerror(errno.E2BIG))
    return _look(folder_fd, names, records)


_look = _stat_by_kernel if _has_statx() else stat_by_library
