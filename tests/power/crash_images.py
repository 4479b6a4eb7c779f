"""Disk images that a power cut could have left, built from a log of writes and flushes (recorder.py).

What a flush covered is there. Of what was written since, a drive may have kept anything: all, nothing, some of the
writes (which is also what comes of writing them in another order), or parts of a write, sector by sector. That is
the model of Pillai et al. (OSDI 2014), one level further down: there of system calls, here of blocks, with the real
file systems in between.
"""

from __future__ import annotations

import errno
import hashlib
import os
import random
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from recorder import FLUSH, WRITE, Event

WAYS = ("nothing", "all", "some", "few", "most", "torn", "last torn", "last missing")
_SHARES = {"some": 0.5, "few": 0.15, "most": 0.85}


class Choice(NamedTuple):
    """What one disk kept of the writes that were not flushed. The same choice gives the same image."""

    way: str
    seed: int
    sector_bytes: int = (
        4096  # what a drive writes whole or not at all: 4,096 since 2010 ("Advanced Format"), 512 before
    )

    def __str__(self) -> str:
        return f"{self.way}, sectors of {self.sector_bytes}, seed {self.seed}"


class Disk:
    """One disk of a log."""

    def __init__(self, events: Sequence[Event], image: int) -> None:
        self.writes = [n for n, event in enumerate(events) if event.kind == WRITE and event.image == image]
        self.flushes = [n for n, event in enumerate(events) if event.kind == FLUSH and event.image == image]
        self.unheeded = 0  # a disk that lies: so many of the last flushes it has answered and not carried out
        self._events = events

    def durable(self, at: int) -> int:
        """All writes before this place in the log are durable when the power goes before event ``at``."""
        before = max(0, bisect_left(self.flushes, at) - self.unheeded)
        return self.flushes[before - 1] if before else 0

    def between(self, start: int, end: int) -> list[Event]:
        """The writes from event ``start`` on, before ``end``."""
        chosen = self.writes[bisect_left(self.writes, start) : bisect_left(self.writes, end)]
        return [self._events[n] for n in chosen]

    def waiting(self, at: int) -> list[Event]:
        return self.between(self.durable(at), at)


def kept(waiting: Sequence[Event], choice: Choice) -> Iterator[tuple[int, bytes]]:
    """The offsets and bytes that reached the platter, in the order in which they are to be written."""
    chance = random.Random(choice.seed)
    way = choice.way
    if way == "nothing":
        return
    last = len(waiting) - 1
    for n, event in enumerate(waiting):
        if way == "last missing" and n == last:
            return
        if way == "torn" or (way == "last torn" and n == last):
            yield from _torn(event, chance, choice.sector_bytes)
        elif way not in _SHARES or chance.random() < _SHARES[way]:
            yield event.offset, event.data


def _torn(event: Event, chance: random.Random, sector_bytes: int) -> Iterator[tuple[int, bytes]]:
    for start in range(0, len(event.data), sector_bytes):
        if chance.random() < 0.5:
            yield event.offset + start, event.data[start : start + sector_bytes]


def places(disks: Sequence[Disk], begins: int, ends: int, count: int, chance: random.Random) -> list[int]:
    """Where to cut: before and after flushes and in between, each kind spread over the whole stretch of the log."""
    flushes = sorted(n for disk in disks for n in disk.flushes if begins < n < ends)
    boundaries = [place for flush in flushes for place in (flush, flush + 1)]
    chosen = [chance.choice(part) for part in _parts(boundaries, count - count // 2)]
    chosen += [chance.choice(part) for part in _parts(range(begins, ends + 1), count // 2)]
    return sorted(chosen)


def _parts(values: Sequence[int], count: int) -> Iterator[Sequence[int]]:
    for n in range(count):
        start, end = len(values) * n // count, len(values) * (n + 1) // count
        yield values[start : max(end, start + 1)] or values[-1:]


class Builder:
    """Builds images of one disk. Cuts are asked for in the order of the log: what is durable only grows."""

    def __init__(self, events: Sequence[Event], image: int, base: Path, folder: Path) -> None:
        self.disk = Disk(events, image)
        self._durable = folder / f"durable-{image}.img"
        self._base = base
        self._until = 0
        sparse_copy(base, self._durable)

    def build(self, at: int, choice: Choice, target: Path) -> None:
        """The image after a cut before event ``at``."""
        durable = self.disk.durable(at)
        if durable < self._until:
            sparse_copy(self._base, self._durable)
            self._until = 0
        _apply(self._durable, ((each.offset, each.data) for each in self.disk.between(self._until, durable)))
        self._until = durable
        sparse_copy(self._durable, target)
        _apply(target, kept(self.disk.between(durable, at), choice))

    def fingerprint(self, at: int, choice: Choice) -> tuple[int, bytes]:
        """The same for cuts and choices that come to the same image."""
        durable = self.disk.durable(at)
        blocks: dict[int, bytes] = {}
        for offset, data in kept(self.disk.between(durable, at), choice):
            for start in range(0, len(data), 512):
                blocks[offset + start] = data[start : start + 512]
        digest = hashlib.sha256()
        for offset, block in sorted(blocks.items()):
            digest.update(offset.to_bytes(8) + block)
        return durable, digest.digest()


def _apply(image: Path, writes: Iterable[tuple[int, bytes]]) -> None:
    fd = os.open(image, os.O_WRONLY)
    try:
        for offset, data in writes:
            assert os.pwrite(fd, data, offset) == len(data)
    finally:
        os.close(fd)


def sparse_copy(source: Path, target: Path) -> None:
    """Copies what is not a hole."""
    target.unlink(missing_ok=True)
    with source.open("rb") as old, target.open("xb") as new:
        size_bytes = os.fstat(old.fileno()).st_size
        new.truncate(size_bytes)
        end = 0
        while end < size_bytes:
            try:
                start = os.lseek(old.fileno(), end, os.SEEK_DATA)
            except OSError:
                return  # only a hole is left
            end = os.lseek(old.fileno(), start, os.SEEK_HOLE)
            while start < end:
                start += _copy_some(old.fileno(), new.fileno(), start, end)


def _copy_some(old: int, new: int, start: int, end: int) -> int:
    try:
        done = os.copy_file_range(old, new, end - start, start, start)
    except OSError as error:
        if error.errno != errno.EXDEV:
            raise
        done = os.pwrite(new, os.pread(old, min(end - start, 1 << 20), start), start)  # out of memory, onto a disk
    assert done, "the file became shorter while it was copied"
    return done
