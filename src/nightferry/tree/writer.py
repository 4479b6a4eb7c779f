"""Writing the content of one new file: past the page cache where that goes, else through it.

Past it (O_DIRECT), the processor copies nothing and the kernel keeps nothing: on the way of large files that is most of
what they cost, and an error of the drive is told at the call and not at the next barrier. Nothing is durable by it.
"""

from __future__ import annotations

import errno
import os
from contextlib import suppress

from nightferry.tree.effects import Effects

# open(2), NOTES on O_DIRECT: what a file system asks for is at most the page size on the drives of today.
ALIGNMENT_BYTES = 4096
# Errors by which a file system says that it does not do so, or not with these lengths.
NO_DIRECT = frozenset({errno.EINVAL, errno.EOPNOTSUPP})

DROP_EVERY_BYTES = 16 << 20


class WriteFailed(OSError):
    """The destination could not be written (for one, ENOSPC)."""


class Writer:
    """Takes the pieces of one file, whose offsets only grow."""

    def __init__(self, fd: int, effects: Effects, *, direct: bool) -> None:
        """``direct``: past the page cache, as long as the file system does so and pieces are aligned."""
        self.written_bytes = 0
        self.direct = direct and goes_direct(fd, effects)
        self._fd, self._effects = fd, effects
        self._sent_to = 0

    def write(self, offset: int, data: memoryview) -> None:
        """All of a piece. Raises ``WriteFailed``."""
        rest = self._past_cache(offset, data) if self.direct else 0
        if rest < len(data):
            self.go_indirect()
            write_all(self._fd, data[rest:], offset + rest, self._effects)
            self._send(offset + len(data))
        self.written_bytes += len(data)

    def go_indirect(self) -> None:
        """From here on through the page cache. Raises ``WriteFailed``."""
        if self.direct:
            self.direct = False
            try:
                self._effects.set_direct(self._fd, False)
            except OSError as error:
                raise WriteFailed(error.errno, error.strerror) from error

    def _past_cache(self, offset: int, data: memoryview) -> int:
        """How much of it was written so: all but what is left at the end of a file, or nothing."""
        size = len(data) // ALIGNMENT_BYTES * ALIGNMENT_BYTES if offset % ALIGNMENT_BYTES == 0 else 0
        try:
            write_all(self._fd, data[:size], offset, self._effects)
        except WriteFailed as error:
            if error.errno not in NO_DIRECT:
                raise
            return 0
        return size

    def _send(self, end: int) -> None:
        if end - self._sent_to >= DROP_EVERY_BYTES:
            # Begins the writing back of these pages (Linux, mm/fadvise.c) and does not wait for it: the destination
            # works while the source is read, and not only at the barrier. Errors of it come up there.
            advise(self._effects, self._fd, os.POSIX_FADV_DONTNEED, self._sent_to, end - self._sent_to)
            self._sent_to = end


def goes_direct(fd: int, effects: Effects) -> bool:
    """Whether what is read and written through an open file from here on may pass the page cache."""
    try:
        effects.set_direct(fd, True)
    except OSError:
        return False  # not on this file system
    return True


def write_all(fd: int, data: memoryview, offset: int, effects: Effects) -> None:
    """All of ``data`` at ``offset``, however little a call takes. Raises ``WriteFailed``."""
    while data:
        try:
            count = effects.pwrite(fd, data, offset)
        except OSError as error:
            raise WriteFailed(error.errno, error.strerror) from error
        if count == 0:
            raise WriteFailed(errno.EIO, "nothing was written, without an error")
        data = data[count:]
        offset += count


def advise(effects: Effects, fd: int, advice: int, offset: int = 0, size_bytes: int = 0) -> None:
    """posix_fadvise(2), which is advice only: a file system that takes none is read and written all the same."""
    with suppress(OSError):
        effects.posix_fadvise(fd, offset, size_bytes, advice)
