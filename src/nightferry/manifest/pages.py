"""Checksums of a manifest's pages, in a file beside it: so that a flipped bit is found, and in which page.

SQLite keeps none of its own. One number for each page (XXH3, 64 bits) makes 0.2 % of the manifest. The file consists of
blocks of 4 KiB, each with a checksum of its own over the rest of it, and is changed a block at a time, so that a night
writes as much of it as it changed of the manifest, whatever its size. A block that is not whole says nothing of its
pages: no page is ever called damaged for its sake.

Block 0 says whose checksums they are, the others hold 511 numbers each. All numbers are big-endian.

Page 1 begins with the header of the database (sqlite.org/fileformat2.html, 1.3), of which some fields differ between
the working manifest and its sealed copy, and change without us: these do not count, and are compared with each other.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Iterable
from enum import IntEnum
from typing import NamedTuple

from xxhash import xxh3_64_digest

from nightferry.tree.effects import Effects

BLOCK_BYTES = 4096
SUM_BYTES = 8
SUMS = BLOCK_BYTES // SUM_BYTES - 1  # in a block, beside its own
SUFFIX = ".pages"

_MAGIC = b"nightferry pages"
_VERSION = 1
_HEADER = struct.Struct(">16sHHIQQQ")
_PAGE_SIZES = frozenset(1 << bits for bits in range(9, 17))
# Fields of page 1: write and read version; change counter; schema cookie; for which counter the size holds, and the
# SQLite that wrote it last.
_LEFT_OUT = ((18, 20), (24, 28), (40, 44), (92, 100))
LOG_MODE, JOURNAL_MODE = 2, 1  # what the versions say


class Kind(IntEnum):
    """Of what the checksums are."""

    IN_USE = 1  # a working manifest that is open for writing, or was when its process died
    AT_REST = 2  # a working manifest
    SEALED = 3


class Header(NamedTuple):
    """``counter``: the database's change counter, at rest. ``generation``: of a sealed manifest."""

    kind: Kind
    page_bytes: int
    pages: int
    counter: int = 0
    generation: int = 0


class PageOne(NamedTuple):
    """What page 1 says of the database; ``is_whole``: the fields that are left out of its checksum agree."""

    mode: int
    counter: int
    is_whole: bool


def read_page_one(page: bytes) -> PageOne:
    modes, counters = page[18:20], (page[24:28], page[92:96])
    is_whole = modes[:1] == modes[1:] and modes[0] in (LOG_MODE, JOURNAL_MODE) and counters[0] == counters[1]
    return PageOne(modes[0], int.from_bytes(counters[0], "big"), is_whole)


def sum_of(number: int, page: bytes | memoryview) -> bytes:
    """``number`` counts from 1."""
    return xxh3_64_digest(_masked(page) if number == 1 else page)


def _masked(page: bytes | memoryview) -> bytes:
    masked = bytearray(page)
    for start, end in _LEFT_OUT:
        masked[start:end] = bytes(len(masked[start:end]))
    return bytes(masked)


def with_header_of(page: bytes, other: bytes, *, mode: int, counter: int) -> bytes:
    """Page 1, where what is left out of its checksum comes from another page 1, with this mode and counter."""
    mixed = bytearray(page)
    for start, end in _LEFT_OUT:
        mixed[start:end] = other[start:end]
    mixed[18:20] = bytes((mode, mode))
    mixed[24:28] = mixed[92:96] = counter.to_bytes(4, "big")
    return bytes(mixed)


class PageHasher:
    """Takes a database as it is read, whatever the portions, and gives away the checksums of its pages by the block.

    A ``Hasher`` (tree/digests.py) as far as reading goes; its digest is of no use.
    """

    def __init__(self, page_bytes: int, take: Callable[[int, bytes], None]) -> None:
        """``take`` gets the number of the block, from 1, and as many checksums as there are, up to ``SUMS``."""
        self._page_bytes, self._take = page_bytes, take
        self._rest = b""
        self._sums: list[bytes] = []
        self._block = 1
        self.pages = 0

    def update(self, data: bytes | bytearray | memoryview, /) -> None:
        if self._rest:
            data = self._rest + bytes(data)
        view, step = memoryview(data), self._page_bytes
        whole = len(view) - len(view) % step
        for at in range(0, whole, step):
            self._add(view[at : at + step])
        self._rest = bytes(view[whole:])

    def _add(self, page: memoryview) -> None:
        self.pages += 1
        self._sums.append(sum_of(1, page) if self.pages == 1 else xxh3_64_digest(page))
        if len(self._sums) == SUMS:
            self._give()

    def _give(self) -> None:
        self._take(self._block, b"".join(self._sums))
        self._block += 1
        self._sums.clear()

    def digest(self) -> bytes:
        """At the end: what is left is given away."""
        if self._rest:  # a file that was cut within a page
            self._add(memoryview(self._rest))
            self._rest = b""
        if self._sums:
            self._give()
        return b""


def feed(fd: int, effects: Effects, hasher: PageHasher) -> None:
    """Reads a whole file. Raises ``OSError``."""
    buffer = bytearray(1 << 20)
    at = 0
    while count := effects.preadv(fd, [buffer], at):
        hasher.update(memoryview(buffer)[:count])
        at += count
    hasher.digest()


def read_at(fd: int, effects: Effects, start: int, size_bytes: int) -> bytes:
    """As many as there are. Raises ``OSError``."""
    found = b""
    while len(found) < size_bytes:
        buffer = bytearray(size_bytes - len(found))
        count = effects.preadv(fd, [buffer], start + len(found))
        if not count:
            break
        found += buffer[:count]
    return found


def write_at(fd: int, effects: Effects, start: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        count = effects.pwrite(fd, view, start)
        view, start = view[count:], start + count


class PageChecksums:
    """An open file of checksums. The descriptor stays its owner's."""

    def __init__(self, fd: int, effects: Effects) -> None:
        self.fd = fd
        self._effects = effects
        self._known: tuple[int, bytes | None] = (-1, None)

    def header(self) -> Header | None:
        """None where it does not say, or is of another version. Raises ``OSError``."""
        block = self._block(0)
        if block is None:
            return None
        magic, version, kind, page_bytes, pages, counter, generation = _HEADER.unpack_from(block)
        if magic != _MAGIC or version != _VERSION or kind not in list(Kind) or page_bytes not in _PAGE_SIZES:
            return None
        return Header(Kind(kind), page_bytes, pages, counter, generation)

    def set_header(self, header: Header) -> None:
        """Raises ``OSError``; durable with ``sync``."""
        self.write_block(0, _HEADER.pack(_MAGIC, _VERSION, *header))

    def sums(self, number: int) -> bytes | None:
        """Of the block's pages; None where it is not whole. Raises ``OSError``."""
        return self._block(number)

    def _block(self, number: int) -> bytes | None:
        if self._known[0] != number:
            found = read_at(self.fd, self._effects, number * BLOCK_BYTES, BLOCK_BYTES)
            is_whole = len(found) == BLOCK_BYTES and found[:SUM_BYTES] == _seal(number, found[SUM_BYTES:])
            self._known = number, found[SUM_BYTES:] if is_whole else None
        return self._known[1]

    def write_block(self, number: int, content: bytes) -> None:
        """Raises ``OSError``."""
        content = content.ljust(BLOCK_BYTES - SUM_BYTES, b"\0")
        self._known = -1, None
        write_at(self.fd, self._effects, number * BLOCK_BYTES, _seal(number, content) + content)

    def make(self, database: int, header: Header) -> Header:
        """All of them anew, from the database. Raises ``OSError``; durable with ``sync``."""
        hasher = PageHasher(header.page_bytes, self.write_block)
        feed(database, self._effects, hasher)
        header = header._replace(pages=hasher.pages)
        self.set_header(header)
        return header

    def update(self, database: int, header: Header, pages: Iterable[int]) -> bool:
        """Those of ``pages`` that changed. Raises ``OSError``; False where a block is not whole any more."""
        step = header.page_bytes
        blocks: dict[int, list[int]] = {}
        for page in pages:
            blocks.setdefault((page - 1) // SUMS + 1, []).append(page)
        before = self.header()
        last = 0 if before is None else (before.pages + SUMS - 1) // SUMS
        for number in sorted(blocks):
            found = self.sums(number) if number <= last else b""
            if found is None:
                return False
            content = bytearray(found.ljust(SUMS * SUM_BYTES, b"\0"))
            for page in blocks[number]:
                at = (page - 1) % SUMS * SUM_BYTES
                content[at : at + SUM_BYTES] = sum_of(page, read_at(database, self._effects, (page - 1) * step, step))
            if content != found:
                self.write_block(number, bytes(content))
        if header != before:
            self.set_header(header)
        return True

    def sync(self) -> None:
        """Raises ``OSError``."""
        self._effects.fsync(self.fd)


class Comparison:
    """Compares a database that is being read with its checksums: ``take`` is for the ``PageHasher`` that reads it.

    Attributes:
        bad: pages that are not as they were written, each with the checksum that it should have; the first ones.
        bad_pages: how many these are.
        unknown: whether of some pages no checksum could be read, or there is another number of pages.
    """

    LIMIT = 512

    def __init__(self, checksums: PageChecksums, header: Header, *, but: Iterable[int] = ()) -> None:
        """``but``: pages that are not looked at."""
        self._checksums, self._header, self._but = checksums, header, frozenset(but)
        self.bad: list[tuple[int, bytes]] = []
        self.bad_pages = 0
        self.unknown = False

    def take(self, number: int, found: bytes) -> None:
        first = (number - 1) * SUMS + 1
        expected_bytes = min(max(0, self._header.pages - first + 1), SUMS) * SUM_BYTES
        sums = self._checksums.sums(number) if expected_bytes else b""
        if sums is None:
            self.unknown = True
            return
        expected = sums[:expected_bytes]
        if found == expected:
            return
        for at in range(0, max(len(found), len(expected)), SUM_BYTES):
            here, wanted = found[at : at + SUM_BYTES], expected[at : at + SUM_BYTES]
            if here != wanted and first + at // SUM_BYTES not in self._but:
                self._note(first + at // SUM_BYTES, wanted)

    def _note(self, page: int, wanted: bytes) -> None:
        self.bad_pages += 1
        if len(self.bad) < self.LIMIT:
            self.bad.append((page, wanted))

    def end(self, pages: int) -> None:
        """After all was read, so many pages: those that are missing at the end are bad too. Raises ``OSError``."""
        for page in range(pages + 1, self._header.pages + 1):
            if page in self._but:
                continue
            sums = self._checksums.sums((page - 1) // SUMS + 1)
            if sums is None:
                self.unknown = True
                return
            at = (page - 1) % SUMS * SUM_BYTES
            self._note(page, sums[at : at + SUM_BYTES])

    @property
    def is_sound(self) -> bool:
        return not self.bad_pages and not self.unknown


def _seal(number: int, content: bytes) -> bytes:
    return xxh3_64_digest(content, seed=number)


def size_of(fd: int) -> int:
    return os.fstat(fd).st_size
