"""Reading a file around its bad spots, in the blocks that a drive gives or refuses."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from typing import NamedTuple

from nightferry.errors import Failed
from nightferry.tree.content import Stopped
from nightferry.tree.effects import Effects

# What a drive gives or refuses as one: the sector of today's drives, and the page of the kernel.
BLOCK_BYTES = 4096
_RUN_BYTES = 1 << 20
# A file whose bad spots are more than that is not worth the list.
RANGES_LIMIT = 10_000


class Filled(NamedTuple):
    """A range of bytes that could not be read, and what stands there now."""

    start: int
    end: int
    filled_from: str  # the name of the other source, or zeros


def read_around(
    source: int, other: int | None, out: int, effects: Effects, should_stop: Callable[[], bool], *, other_name: str
) -> tuple[int, list[Filled]]:
    """Writes into ``out``, an empty file, what can be read of ``source``, and the rest from ``other`` or as zeros.

    Returns the size and the ranges that were filled. Raises ``Failed`` where there are too many of them, ``Stopped``,
    and ``OSError`` where ``out`` cannot be written.
    """
    with suppress(OSError):
        effects.posix_fadvise(source, 0, 0, os.POSIX_FADV_RANDOM)  # no reading ahead into a bad spot
    size_bytes = effects.fstat(source).st_size
    filled: list[Filled] = []
    for at in range(0, size_bytes, _RUN_BYTES):
        if should_stop():
            raise Stopped
        size = min(_RUN_BYTES, size_bytes - at)
        whole = _read(source, at, size, effects)
        if whole is not None:
            _write(out, whole, at, effects)
            continue
        for start in range(at, at + size, BLOCK_BYTES):
            length = min(BLOCK_BYTES, at + size - start)
            block = _read(source, start, length, effects)
            if block is None:
                block = None if other is None else _read(other, start, length, effects)
                _note(filled, Filled(start, start + length, "zeros" if block is None else other_name))
            if block is not None:
                _write(out, block, start, effects)
    effects.ftruncate(out, size_bytes)
    return size_bytes, filled


def _note(filled: list[Filled], new: Filled) -> None:
    last = filled[-1] if filled else None
    if last is not None and (last.end, last.filled_from) == (new.start, new.filled_from):
        filled[-1] = last._replace(end=new.end)
    elif len(filled) >= RANGES_LIMIT:
        raise Failed(
            "It has more bad spots than a file worth salvaging: nothing was written. Put back another version with"
            " --from."
        )
    else:
        filled.append(new)


def _read(fd: int, at: int, size: int, effects: Effects) -> bytes | None:
    """All bytes asked for; None where one of them cannot be read, or the file ends before."""
    buffer = memoryview(bytearray(size))
    got = 0
    try:
        while got < size:
            count = effects.preadv(fd, [buffer[got:]], at + got)
            if count == 0:
                return None
            got += count
    except OSError:
        return None
    return bytes(buffer)


def _write(out: int, data: bytes, at: int, effects: Effects) -> None:
    if not any(data):
        return  # a hole: the file gets its size at the end
    view = memoryview(data)
    while view:
        count = effects.pwrite(out, view, at)
        view, at = view[count:], at + count
