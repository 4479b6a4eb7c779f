"""Whether so much is deleted, overwritten or renamed within an hour that somebody should look before the night."""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass, field

from nightferry.units import format_count

HOUR_S = 3600.0
_SLICE_S = 60.0
# Different endings that one minute keeps apart; what a program that encrypts uses is one and the same.
_MOST_ENDINGS = 200
_LONGEST_ENDING = 20
# Renaming to one new ending is the mark of mass encryption (planning/hold.py), and nobody's ordinary work; a person
# who renames a handful of files by hand stays below.
RENAMED_FLOOR = 20

DELETED, CHANGED, RENAMED = "deleted", "changed", "renamed"


@dataclass
class _Slice:
    began_s: float
    counts: Counter[str] = field(default_factory=Counter)
    endings: Counter[bytes] = field(default_factory=Counter)


class Surge:
    """Counts what happens, over the hour before. Moments count on a clock that nobody sets; memory is bounded."""

    def __init__(self) -> None:
        self._slices: deque[_Slice] = deque()

    def deleted(self, now_s: float) -> None:
        self._now(now_s).counts[DELETED] += 1

    def changed(self, now_s: float) -> None:
        self._now(now_s).counts[CHANGED] += 1

    def renamed(self, old: bytes, new: bytes, now_s: float) -> None:
        """Two names of a file, without folders."""
        found = self._now(now_s)
        found.counts[RENAMED] += 1
        ending = _ending(new)
        if ending and ending != _ending(old) and (ending in found.endings or len(found.endings) < _MOST_ENDINGS):
            found.endings[ending] += 1

    def reasons(self, limit: int | None, now_s: float) -> list[str]:
        """What there is to say, each a sentence; empty while nothing is out of the ordinary.

        Args:
            limit: deletions, or changes of files, within an hour (``hold_count``); None: none is too many.
        """
        self._forget(now_s)
        counts: Counter[str] = Counter()
        endings: Counter[bytes] = Counter()
        for each in self._slices:
            counts += each.counts
            endings += each.endings
        found = []
        for kind in (DELETED, CHANGED):
            if limit is not None and counts[kind] > limit:
                found.append(f"{format_count(counts[kind])} files were {kind} within an hour.")
        if endings:
            ending, number = endings.most_common(1)[0]
            if number >= RENAMED_FLOOR:
                shown = ending.decode("utf-8", "backslashreplace")
                found.append(f'{format_count(number)} files were renamed to end in ".{shown}" within an hour.')
        return found

    def _now(self, now_s: float) -> _Slice:
        self._forget(now_s)
        if not self._slices or now_s - self._slices[-1].began_s >= _SLICE_S:
            self._slices.append(_Slice(now_s))
        return self._slices[-1]

    def _forget(self, now_s: float) -> None:
        while self._slices and now_s - self._slices[0].began_s >= HOUR_S:
            self._slices.popleft()


def _ending(name: bytes) -> bytes:
    stem, dot, ending = name.rpartition(b".")
    return ending.lower()[:_LONGEST_ENDING] if dot and stem else b""
