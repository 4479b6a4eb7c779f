"""Which pages of a database stand in its write-ahead log, as SQLite would find it after a crash.

The format and its checksums are those of sqlite.org/fileformat2.html, 4. Read without SQLite, which would enter the log
into the database by looking at it.
"""

from __future__ import annotations

import struct

from nightferry.manifest.pages import read_at
from nightferry.tree.effects import Effects

_HEADER_BYTES, _FRAME_BYTES = 32, 24
_LITTLE, _BIG = 0x377F0682, 0x377F0683
_MASK = 0xFFFFFFFF


def committed_pages(fd: int, effects: Effects) -> set[int]:
    """Pages in frames that are whole and belong to a transaction that was committed. Raises ``OSError``."""
    header = read_at(fd, effects, 0, _HEADER_BYTES)
    if len(header) < _HEADER_BYTES:
        return set()
    magic, _, page_bytes, _ = struct.unpack_from(">4I", header)
    if magic not in (_LITTLE, _BIG) or not 512 <= page_bytes <= 65536 or page_bytes & (page_bytes - 1):
        return set()
    order = ">" if magic == _BIG else "<"
    sums = _add(header[:24], order, (0, 0))
    if struct.pack(">2I", *sums) != header[24:]:
        return set()
    found: set[int] = set()
    open_ones: set[int] = set()
    at = _HEADER_BYTES
    while len(frame := read_at(fd, effects, at, _FRAME_BYTES + page_bytes)) == _FRAME_BYTES + page_bytes:
        page, commit_pages = struct.unpack_from(">2I", frame)
        sums = _add(frame[_FRAME_BYTES:], order, _add(frame[:8], order, sums))
        if not page or frame[8:16] != header[16:24] or struct.pack(">2I", *sums) != frame[16:24]:
            break
        open_ones.add(page)
        if commit_pages:
            found |= open_ones
            open_ones.clear()
        at += len(frame)
    return found


def pages_of_frames(fd: int, effects: Effects, page_bytes: int, frames: int) -> set[int]:
    """Pages of the first frames of a log that SQLite has open, and has found to be whole. Raises ``OSError``."""
    step = _FRAME_BYTES + page_bytes
    starts = range(_HEADER_BYTES, _HEADER_BYTES + frames * step, step)
    return {int.from_bytes(read_at(fd, effects, start, 4), "big") for start in starts}


def _add(data: bytes, order: str, sums: tuple[int, int]) -> tuple[int, int]:
    one, two = sums
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for first, second in zip(words[::2], words[1::2], strict=True):
        one = (one + first + two) & _MASK
        two = (two + second + one) & _MASK
    return one, two
