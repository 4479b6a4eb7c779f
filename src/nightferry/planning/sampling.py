"""Which files a restore test takes: some drawn blindly, on which the confidence rests, and some always.

``confidence.py`` says what the blind draws prove. The others (the largest file, some of last night's, some of every
size and age, one of each of the largest folders) make sure that no kind of file is left out; they take no part in the
statements, since they were not drawn blindly.

One pass over all files, in whatever order; memory grows with the sample and not with the number of files.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass, field
from random import Random
from typing import Generic, NamedTuple, TypeVar

from nightferry.planning.confidence import CONFIDENCE, draws, fewest_denied, sample_size

# A sample larger than this is a verification, which has its own command; the statement is then the weaker one.
DRAWN_LIMIT = 10_000

LAST_NIGHTS = 5
RETIRED = 5
PER_STRATUM = 2
FOLDERS_LIMIT = 40

KIB, MIB, GIB = 1 << 10, 1 << 20, 1 << 30
_SIZES = ((0, "empty"), (64 * KIB, "up to 64 KiB"), (MIB, "up to 1 MiB"), (100 * MIB, "up to 100 MiB"),
          (GIB, "up to 1 GiB"))  # fmt: skip
_LARGER = "larger than 1 GiB"
_RECENT_NIGHTS = 30

LARGEST, LAST_NIGHT, A_RETIRED = "the largest file", "from the last night", "a retired version"
DRAWN_FILE, DRAWN_BYTE = "drawn among the files", "drawn among the bytes"

Item = TypeVar("Item")


def size_class(size_bytes: int) -> str:
    """The stratum of a size, in words."""
    return next((words for most, words in _SIZES if size_bytes <= most), _LARGER)


def age_class(since: int, last_run: int) -> str:
    """The stratum of a version by the night that wrote it."""
    if since >= last_run:
        return "last night"
    return f"the last {_RECENT_NIGHTS} nights" if last_run - since < _RECENT_NIGHTS else "older"


class Plan(NamedTuple):
    """How much is drawn. ``files`` without replacement, ``byte_draws`` each on its own."""

    share: float
    files: int
    byte_draws: int


def plan(files_total: int, bytes_total: int, share: float, confidence: float = CONFIDENCE) -> Plan:
    """The draws that can deny ``share`` of bad files, and of bytes in bad files, at this confidence."""
    files = sample_size(files_total, share, confidence)
    if fewest_denied(files_total, share) == 1:
        files = files_total  # not one may be bad, and that asks for nearly all: then all
    files = min(files, DRAWN_LIMIT)
    # Where every file is restored, there is nothing left to draw.
    byte_draws = min(draws(share, confidence), DRAWN_LIMIT) if bytes_total > 0 and files < files_total else 0
    return Plan(share, files, byte_draws)


@dataclass
class Sample(Generic[Item]):
    """What was taken, in the order in which it is to be restored.

    ``always``: with why. ``files`` and ``byte_draws`` in the order of their draw; None: nothing stood at that place,
    so that there is less than was counted. One file can be in all three, and more than once in ``byte_draws``.
    """

    always: list[tuple[str, Item]] = field(default_factory=list)
    files: list[Item | None] = field(default_factory=list)
    byte_draws: list[Item | None] = field(default_factory=list)


class Reservoir(Generic[Item]):
    """So many of all that is offered, every set equally likely (algorithm R in Vitter, ACM TOMS 1985;11:37-57)."""

    def __init__(self, most: int, random: Random) -> None:
        self._most, self._random = most, random
        self.offered = 0
        self.kept: list[Item] = []

    def offer(self, item: Item) -> None:
        self.offered += 1
        if len(self.kept) < self._most:
            self.kept.append(item)
            return
        place = int(self._random.random() * self.offered)
        if place < self._most:
            self.kept[place] = item


class _Places:
    """Places along a line, drawn beforehand and met in the order of the line; told by the number of their draw."""

    def __init__(self, drawn: list[int]) -> None:
        self.found: list[int | None] = [None] * len(drawn)
        self._waiting = sorted(((place, number) for number, place in enumerate(drawn)), reverse=True)
        self._at = 0

    def pass_by(self, length: int) -> Iterator[int]:
        """The numbers of the draws that lie on the next stretch of the line."""
        self._at += length
        while self._waiting and self._waiting[-1][0] < self._at:
            yield self._waiting.pop()[1]


class Drawing(Generic[Item]):
    """Draws while all files pass by. ``offer`` each once, those of one folder of the first level after each other."""

    def __init__(self, files_total: int, bytes_total: int, planned: Plan, last_run: int, random: Random) -> None:
        """``files_total`` and ``bytes_total``: of all that will be offered."""
        self._random, self._last_run = random, last_run
        self._by_number = _Places(random.sample(range(files_total), planned.files))
        self._by_byte = _Places([random.randrange(bytes_total) for _ in range(planned.byte_draws)])
        self._files: list[Item | None] = [None] * planned.files
        self._byte_draws: list[Item | None] = [None] * planned.byte_draws
        self._largest: tuple[int, Item] | None = None
        self._last_night: Reservoir[Item] = Reservoir(LAST_NIGHTS, random)
        self._strata: dict[tuple[str, str], Reservoir[Item]] = {}
        self._folder: bytes | None = None
        self._in_folder: Reservoir[Item] = Reservoir(1, random)
        self._folder_bytes = 0
        self._folders: list[tuple[int, int, bytes, Item]] = []  # a heap: bytes, a number that differs, name, one of it
        self.folders = 0  # of the first level, seen so far

    def offer(self, item: Item, size_bytes: int, since: int, folder: bytes) -> None:
        """``since``: the run that wrote this version. ``folder``: of the first level; empty for the top itself."""
        for number in self._by_number.pass_by(1):
            self._files[number] = item
        for number in self._by_byte.pass_by(size_bytes):
            self._byte_draws[number] = item
        if self._largest is None or size_bytes > self._largest[0]:
            self._largest = (size_bytes, item)
        if since >= self._last_run:
            self._last_night.offer(item)
        stratum = (size_class(size_bytes), age_class(since, self._last_run))
        if stratum not in self._strata:
            self._strata[stratum] = Reservoir(PER_STRATUM, self._random)
        self._strata[stratum].offer(item)
        if folder != self._folder:
            self._end_folder()
            self._folder = folder
        self._in_folder.offer(item)
        self._folder_bytes += size_bytes

    def _end_folder(self) -> None:
        if self._folder is not None and self._in_folder.kept:
            self.folders += 1
            heapq.heappush(self._folders, (self._folder_bytes, self.folders, self._folder, self._in_folder.kept[0]))
            if len(self._folders) > FOLDERS_LIMIT:
                heapq.heappop(self._folders)
        self._in_folder = Reservoir(1, self._random)
        self._folder_bytes = 0

    def end(self) -> Sample[Item]:
        """All files have passed by."""
        self._end_folder()
        always: list[tuple[str, Item]] = []
        if self._largest is not None:
            always.append((LARGEST, self._largest[1]))
        always += [(LAST_NIGHT, item) for item in self._last_night.kept]
        for (size, age), stratum in sorted(self._strata.items()):
            always += [(f"{size}, {age}", item) for item in stratum.kept]
        always += [("one of its folder", item) for _, _, _, item in sorted(self._folders, reverse=True)]
        return Sample(always, self._files, self._byte_draws)
