"""Content: copied with one read that is hashed on its way, or read and hashed.

Holes are found with SEEK_DATA and SEEK_HOLE (lseek(2)): they are not read, are hashed as the zeros
that they stand for, and stay holes in a copy. Memory is that of one ``Buffers``, whatever the size
of a file. Nothing here opens a file by its name or makes anything durable: that is the caller's.
"""

from __future__ import annotations

import contextlib
import errno
import mmap
import os
import stat
import time
from collections.abc import Callable, Iterator
from functools import partial
from typing import NamedTuple

from nightferry.tree.aside import Aside
from nightferry.tree.digests import Hasher
from nightferry.tree.effects import Effects
from nightferry.tree.writer import (
    ALIGNMENT_BYTES,
    DROP_EVERY_BYTES,
    NO_DIRECT,
    WriteFailed,
    Writer,
    advise,
    goes_direct,
    write_all,
)

# Measured (ext4, virtual disk, XXH3): 256 KiB takes up to twice the processor time; beyond 1 MiB nothing is won,
# and progress and stopping get coarser. Past the page cache nobody reads ahead, so there blocks are larger.
BLOCK_BYTES = 1 << 20
DIRECT_BLOCK_BYTES = 4 << 20

_STOP_EVERY_BYTES = 16 << 20  # half a second of a USB 2 drive
# A file up to this size is copied by one read and one write, and its pages are left to the page cache, which drops
# those that were used once before all others: for many small files, each call that can be left out counts.
AT_ONCE_BYTES = 64 << 10
# From this size on, two blocks and more, a file passes the page cache where it may.
DIRECT_FROM_BYTES = 2 * DIRECT_BLOCK_BYTES
_KEEP_CACHED_BYTES = 64 << 20  # what is hashed may be copied next: up to this size its pages stay

ShouldStop = Callable[[], bool]
ReportBytes = Callable[[int], None]


class Stopped(Exception):
    """``should_stop`` said so; what was written so far is of no use."""


class ReadFailed(OSError):
    """The source could not be read (for one, EIO). ``lost_s``: how long the drive tried, as far as is known."""

    lost_s = 0.0


class Copied(NamedTuple):
    """What a copy came to.

    Attributes:
        read_bytes: logical size of what was read, holes included; another than expected means that the file changed.
        written_bytes: bytes that were written; without the holes.
        digest: of all ``read_bytes``.
    """

    read_bytes: int
    written_bytes: int
    digest: bytes


class Platter(NamedTuple):
    """What a reading past the page cache came to.

    Attributes:
        read_bytes: logical size of what was read, holes included.
        digest: of all of it.
        direct: True where every block was read with O_DIRECT. False: the file's pages were dropped, then it was
            read as usual; pages that the kernel would not drop (dirty, mapped) came from memory.
    """

    read_bytes: int
    digest: bytes
    direct: bool


class Buffers:
    """The memory for all reading of one thread: made once, used for every file. Not for two readers at once."""

    def __init__(self) -> None:
        # Anonymous maps are page-aligned, as O_DIRECT needs it; the zeros are never written, so they take one page.
        # Private, which is not what mmap makes by itself: else a process forked from this one would read into our
        # memory what we are about to write (night/side_by_side.py).
        private = mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS
        self._block = mmap.mmap(-1, DIRECT_BLOCK_BYTES, flags=private)
        self._other_block = mmap.mmap(-1, DIRECT_BLOCK_BYTES, flags=private)
        self._zeros = mmap.mmap(-1, BLOCK_BYTES, flags=private, prot=mmap.PROT_READ)
        self.block = memoryview(self._block)
        self.other_block = memoryview(self._other_block)  # is read into while ``block`` is hashed
        self.aside = Aside()
        self.zeros = memoryview(self._zeros)

    def close(self) -> None:
        """Gives the memory back; pieces that an exception's traceback still holds keep it until they go."""
        self.aside.close()
        self.block.release()
        self.other_block.release()
        self.zeros.release()
        for memory in (self._block, self._other_block, self._zeros):
            with contextlib.suppress(BufferError):
                memory.close()


class _Piece(NamedTuple):
    offset: int
    is_hole: bool
    data: memoryview  # valid until the next piece


class _Reader:
    """Reads one open file from its start in pieces of data and of holes."""

    def __init__(
        self,
        fd: int,
        effects: Effects,
        buffers: Buffers,
        *,
        drop_behind: bool,
        indirect: Callable[[int], int] | None = None,
    ) -> None:
        """``indirect`` is given where ``fd`` is open with O_DIRECT: what to read without it, should reads need that."""
        self.fd = fd
        self._effects = effects
        self._buffers = buffers
        self._drop_behind = drop_behind
        self._dropped_bytes = 0
        self._indirect = indirect

    @property
    def direct(self) -> bool:
        return self._indirect is not None

    def pieces(self, limit_bytes: int) -> Iterator[_Piece]:
        """All pieces up to the end of the file, as far as ``limit_bytes``; raises ``ReadFailed``."""
        pos = 0
        while pos < (end := min(_size_bytes(self.fd, self._effects), limit_bytes)):
            data, data_end = self._next_data(pos, end)
            while pos < data:
                size = min(data - pos, BLOCK_BYTES)
                yield _Piece(pos, True, self._buffers.zeros[:size])
                pos += size
            while pos < data_end:
                piece = self._read(pos, data_end)
                if not piece:
                    return  # it was cut short since its size was asked for
                yield _Piece(pos, False, piece)
                pos += len(piece)
                if self._drop_behind and pos - self._dropped_bytes >= DROP_EVERY_BYTES:
                    self._drop_to(pos)
        if self._drop_behind:
            self._drop_to(pos)

    def _next_data(self, pos: int, end: int) -> tuple[int, int]:
        """Where the next data begins and ends, aligned, at most at ``end``; both are ``end`` where there is none."""
        try:
            start = self._effects.lseek(self.fd, pos, os.SEEK_DATA)
            stop = self._effects.lseek(self.fd, start, os.SEEK_HOLE)
        except OSError as error:
            if error.errno == errno.ENXIO:  # no data behind here
                return end, end
            if error.errno in (errno.EINVAL, errno.EOPNOTSUPP):  # holes are not told here: all is data
                return pos, end
            raise ReadFailed(error.errno, error.strerror) from error
        return min(max(pos, _align_down(start)), end), min(_align_up(max(stop, start + 1)), end)

    def _read(self, pos: int, end: int) -> memoryview:
        if self.direct:
            self._buffers.block, self._buffers.other_block = self._buffers.other_block, self._buffers.block
        # O_DIRECT takes aligned offsets and lengths only: what lies before or behind is read too, and left out
        start = _align_down(pos) if self.direct else pos
        size = min(DIRECT_BLOCK_BYTES if self.direct else BLOCK_BYTES, end - start)
        if self.direct:
            size = _align_up(size)
        started_s = time.monotonic()
        try:
            count = self._effects.preadv(self.fd, [self._buffers.block[:size]], start)
        except OSError as error:
            if self.direct and error.errno in NO_DIRECT:
                self._go_indirect()
                return self._read(pos, end)
            failed = ReadFailed(error.errno, error.strerror)
            failed.lost_s = time.monotonic() - started_s
            raise failed from error
        return self._buffers.block[pos - start : min(count, end - start)]

    def _go_indirect(self) -> None:
        assert self._indirect is not None
        self.fd, self._indirect = self._indirect(self.fd), None

    def _drop_to(self, pos: int) -> None:
        advise(self._effects, self.fd, os.POSIX_FADV_DONTNEED, self._dropped_bytes, pos - self._dropped_bytes)
        self._dropped_bytes = pos


class _Watch:
    """Tells how far it got, and asks now and then whether to stop."""

    def __init__(self, should_stop: ShouldStop, progress: ReportBytes) -> None:
        self._should_stop = should_stop
        self._progress = progress
        self._unasked_bytes = 0

    def passed(self, size_bytes: int) -> None:
        self._progress(size_bytes)
        self._unasked_bytes += size_bytes
        if self._unasked_bytes >= _STOP_EVERY_BYTES:
            self._unasked_bytes = 0
            if self._should_stop():
                raise Stopped


def copy_content(
    src_fd: int,
    dst_fd: int,
    *,
    size_bytes: int,
    hasher: Hasher,
    effects: Effects,
    buffers: Buffers,
    should_stop: ShouldStop,
    progress: ReportBytes,
    has_holes: bool = True,
    past_cache: bool = False,
) -> Copied:
    """Copies a whole file, reading it once. It stays in the page cache on neither side longer than it must.

    Args:
        src_fd: open for reading.
        dst_fd: open for writing, an empty file. Holes stay holes where its file system has them.
        size_bytes: what the source's size was. Of a file that grew, at most ``BLOCK_BYTES`` more are read.
        hasher: takes every byte.
        should_stop: asked every 16 MiB.
        progress: told of each piece, in bytes.
        has_holes: False where the source is known to have none: a small file is then one read and one write.
        past_cache: whether a large file may pass the page cache on both sides, as far as the file systems do that.

    Raises:
        ReadFailed: the source; ``errno`` as the kernel said.
        WriteFailed: the destination.
        Stopped: by ``should_stop``.
    """
    if size_bytes <= AT_ONCE_BYTES and not has_holes:
        block = buffers.block[: size_bytes + 1]
        try:
            count = effects.preadv(src_fd, [block], 0)
        except OSError as error:
            raise ReadFailed(error.errno, error.strerror) from error
        if count == size_bytes:  # one byte more was asked for, so this is all of it
            data = block[:count]
            hasher.update(data)
            write_all(dst_fd, data, 0, effects)
            progress(count)
            return Copied(count, count, hasher.digest())
    watch = _Watch(should_stop, progress)
    direct = past_cache and size_bytes >= DIRECT_FROM_BYTES and goes_direct(src_fd, effects)
    if size_bytes > BLOCK_BYTES and not direct:
        advise(effects, src_fd, os.POSIX_FADV_SEQUENTIAL)
    writer = Writer(dst_fd, effects, direct=direct)

    def through_cache(fd: int) -> int:
        try:
            effects.set_direct(fd, False)
        except OSError as error:
            raise ReadFailed(error.errno, error.strerror) from error
        return fd

    reader = _Reader(src_fd, effects, buffers, drop_behind=True, indirect=through_cache if direct else None)
    read, ends_in_hole = _copy(reader, writer, hasher, watch, size_bytes + BLOCK_BYTES, buffers.aside)
    if ends_in_hole:
        try:
            effects.ftruncate(dst_fd, read)
        except OSError as error:
            raise WriteFailed(error.errno, error.strerror) from error
    return Copied(read, writer.written_bytes, hasher.digest())


def _copy(
    reader: _Reader, writer: Writer, hasher: Hasher, watch: _Watch, limit_bytes: int, aside: Aside
) -> tuple[int, bool]:
    """Returns the bytes read, and whether the last of them are a hole.

    With O_DIRECT, a block is hashed and written while the next one is read into other memory: neither drive waits for
    the other.
    """
    read, ends_in_hole = 0, False
    try:
        for offset, is_hole, data in reader.pieces(limit_bytes):
            aside.wait()  # so that blocks are hashed in their order, and an error ends it
            read, ends_in_hole = offset + len(data), is_hole
            if is_hole:
                hasher.update(data)
            elif reader.direct and read < limit_bytes - BLOCK_BYTES:
                aside.do(partial(_hash_and_write, writer, hasher, offset), data)
            else:  # nothing is left to read beside the last block; without O_DIRECT the next one takes the same memory
                _hash_and_write(writer, hasher, offset, data)
            watch.passed(len(data))
    finally:
        aside.wait()
    return read, ends_in_hole


def _hash_and_write(writer: Writer, hasher: Hasher, offset: int, data: memoryview) -> None:
    hasher.update(data)
    writer.write(offset, data)


def hash_content(
    fd: int,
    *,
    hasher: Hasher,
    effects: Effects,
    buffers: Buffers,
    should_stop: ShouldStop,
    progress: ReportBytes,
) -> tuple[int, bytes]:
    """Reads a whole file as usual, through the page cache; returns its size as read, in bytes, and its digest.

    Raises:
        ReadFailed: ``errno`` as the kernel said.
        Stopped: by ``should_stop``.
    """
    size_bytes = _size_bytes(fd, effects)
    if size_bytes > BLOCK_BYTES:
        advise(effects, fd, os.POSIX_FADV_SEQUENTIAL)
    reader = _Reader(fd, effects, buffers, drop_behind=size_bytes > _KEEP_CACHED_BYTES)
    watch = _Watch(should_stop, progress)
    return _hash(reader, hasher, watch, size_bytes + BLOCK_BYTES, buffers.aside), hasher.digest()


def hash_from_platter(
    folder_fd: int,
    name: bytes,
    *,
    hasher: Hasher,
    effects: Effects,
    buffers: Buffers,
    should_stop: ShouldStop,
    progress: ReportBytes,
    direct: bool = True,
) -> Platter:
    """Reads a whole file from the drive, past the page cache. It must be synced: dirty pages cannot be dropped.

    Where a program serves the file system (FUSE: exFAT, NTFS), it reads through the page cache of the block device,
    which O_DIRECT on a file does not pass: give ``direct=False``, and call ``drop_device_cache`` before.

    Args:
        folder_fd, name: the file; no symlink is followed, nothing but a regular file is read, its access time is kept.
        direct: whether to try O_DIRECT. Where the file system refuses it, pages are dropped instead.

    Raises:
        ReadFailed: opening or reading; btrfs answers EIO where its own checksum differs.
        Stopped: by ``should_stop``.
    """

    def open_indirect() -> int:
        fd = _open_regular(folder_fd, name, 0, effects)
        advise(effects, fd, os.POSIX_FADV_DONTNEED)
        advise(effects, fd, os.POSIX_FADV_SEQUENTIAL)
        return fd

    if direct:
        try:
            fd = _open_regular(folder_fd, name, os.O_DIRECT, effects)
        except ReadFailed as error:
            if error.errno not in NO_DIRECT:
                raise
            direct, fd = False, open_indirect()
        else:
            # Some file systems quietly read through the cache all the same: ext4 with data=journal, compressed
            # extents of btrfs.
            advise(effects, fd, os.POSIX_FADV_DONTNEED)
    else:
        fd = open_indirect()

    def again_indirect(refused: int) -> int:
        opened = open_indirect()
        effects.close(refused)
        return opened

    reader = _Reader(fd, effects, buffers, drop_behind=not direct, indirect=again_indirect if direct else None)
    try:
        limit_bytes = _size_bytes(fd, effects) + BLOCK_BYTES
        read_bytes = _hash(reader, hasher, _Watch(should_stop, progress), limit_bytes, buffers.aside)
        return Platter(read_bytes, hasher.digest(), reader.direct)
    finally:
        effects.close(reader.fd)


def _open_regular(folder_fd: int, name: bytes, flags: int, effects: Effects) -> int:
    flags |= os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY
    try:
        try:
            fd = effects.open_inside(name, flags | os.O_NOATIME, dir_fd=folder_fd)
        except PermissionError:  # O_NOATIME is for the owner only
            fd = effects.open_inside(name, flags, dir_fd=folder_fd)
    except OSError as error:
        raise ReadFailed(error.errno, error.strerror) from error
    try:
        if not stat.S_ISREG(_state(fd, effects).st_mode):
            raise ReadFailed(errno.EINVAL, "not a regular file any more")
    except BaseException:
        effects.close(fd)
        raise
    return fd


def drop_device_cache(device_fd: int, effects: Effects) -> None:
    """Drops the clean pages of a block device, so that a program that reads it (FUSE) gets them from the drive.

    Args:
        device_fd: the device, open for reading. Sync the file system before: dirty pages stay.
    """
    effects.posix_fadvise(device_fd, 0, 0, os.POSIX_FADV_DONTNEED)


def _hash(reader: _Reader, hasher: Hasher, watch: _Watch, limit_bytes: int, aside: Aside) -> int:
    """Returns the bytes read. With O_DIRECT, a block is hashed while the next one is read into other memory."""
    read = 0
    try:
        for offset, is_hole, data in reader.pieces(limit_bytes):
            read = offset + len(data)
            # Beside the last block nothing is left to read, and without O_DIRECT the next block takes the same memory.
            if reader.direct and not is_hole and read < limit_bytes - BLOCK_BYTES:
                aside.do(hasher.update, data)
            else:
                aside.wait()
                hasher.update(data)
            watch.passed(len(data))
    finally:
        aside.wait()
    return read


def _align_down(offset: int) -> int:
    return offset // ALIGNMENT_BYTES * ALIGNMENT_BYTES


def _align_up(offset: int) -> int:
    return _align_down(offset + ALIGNMENT_BYTES - 1)


def _size_bytes(fd: int, effects: Effects) -> int:
    return _state(fd, effects).st_size


def _state(fd: int, effects: Effects) -> os.stat_result:
    try:
        return effects.fstat(fd)
    except OSError as error:
        raise ReadFailed(error.errno, error.strerror) from error
