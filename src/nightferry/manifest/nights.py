"""Which nights' states can still be had whole, and of which something was let go since."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import islice
from typing import NamedTuple

from nightferry.manifest.manifest import Manifest


class NightState(NamedTuple):
    """One run, and what became since of the state that it left."""

    number: int
    started_s: float | None  # Unix time; None: that is not known
    ended_s: float | None  # None: under way, or cut off
    outcome: str | None  # complete, partial, held, interrupted, failed; None as above
    lost_files: int  # files of that state whose content stands nowhere on the secondary any more
    is_known: bool = True  # False: its records are lost, and what the drive told was entered instead

    @property
    def is_whole(self) -> bool:
        """Whether all that is known of that state is kept."""
        return self.lost_files == 0


# Versions of files whose content is with no version of their row that is kept. What moved, or changed in its metadata
# alone, has its content with a later version. Symlinks and folders are in the manifest whole.
_LOST = (
    "past AS gone WHERE kind = 2 AND entry <> 0 AND since < until"
    " AND NOT EXISTS (SELECT 1 FROM entry WHERE entry.id = gone.entry AND entry.kind = 2"
    "  AND entry.algorithm IS gone.algorithm AND entry.digest IS gone.digest)"
    " AND NOT EXISTS (SELECT 1 FROM past AS kept WHERE kept.entry = gone.entry AND kept.held IS NOT NULL"
    "  AND kept.reason <> 'decayed' AND kept.kind = 2"
    "  AND kept.algorithm IS gone.algorithm AND kept.digest IS gone.digest)"
)


def nights(manifest: Manifest) -> list[NightState]:
    """All runs by their number. Reads the past once; memory grows with the number of runs only.

    What is known to be damaged and not yet mended is not counted here: the damage register has it.
    """
    begins: Counter[int] = Counter()
    ends: Counter[int] = Counter()
    one = manifest.database.connection.execute
    for since, until, count in one(f"SELECT since, until, count(*) FROM {_LOST} GROUP BY since, until"):
        begins[since] += count
        ends[until] += count
    found = []
    unknown = unknown_nights(manifest)
    lost = 0
    edges = sorted(begins.keys() | ends.keys())
    at = 0
    runs = one("SELECT number, started_s, ended_s, outcome FROM run ORDER BY number")
    for number, started_s, ended_s, outcome in _with_undated(runs, unknown):
        while at < len(edges) and edges[at] <= number:
            lost += begins[edges[at]] - ends[edges[at]]
            at += 1
        is_known = not any(number in each for each in unknown)
        found.append(NightState(number, started_s, ended_s, outcome, lost, is_known))
    return found


def _with_undated(
    runs: Iterable[tuple[int, float, float | None, str | None]], unknown: list[range]
) -> Iterator[tuple[int, float | None, float | None, str | None]]:
    """All runs by their number, with those of which nothing is left but that they are counted."""
    after, added = 1, 0
    for run in runs:
        for span in unknown:
            for number in range(max(after, span.start), min(run[0], span.stop)):
                if added >= _UNDATED_LIMIT:
                    break
                added += 1
                yield number, None, None, None
        after = run[0] + 1
        yield run


# --- nights whose records are lost

_UNKNOWN = "unknown_nights"
_SPANS = re.compile(r"([0-9]{1,10})-([0-9]{1,10})")
# Each is a loss of the state; beyond it, those between the oldest are taken for unknown, too.
_SPANS_LIMIT = 100
_UNDATED_LIMIT = 10_000


def unknown_nights(manifest: Manifest) -> list[range]:
    """The numbers of nights of which nobody knows what they left, as spans, by their number."""
    text = manifest.database.meta(_UNKNOWN) or ""
    spans = (range(int(first), int(last) + 1) for first, last in _SPANS.findall(text))
    return sorted(islice(spans, _SPANS_LIMIT), key=lambda each: each.start)


def add_unknown(manifest: Manifest, first: int, last: int) -> None:
    """Enters nights of which the records are lost. Within a transaction."""
    spans: list[range] = []
    for each in sorted([*unknown_nights(manifest), range(first, last + 1)], key=lambda each: each.start):
        if spans and each.start <= spans[-1].stop:
            spans[-1] = range(spans[-1].start, max(spans[-1].stop, each.stop))
        else:
            spans.append(each)
    while len(spans) > _SPANS_LIMIT:
        spans[:2] = [range(spans[0].start, spans[1].stop)]
    manifest.database.set_meta(_UNKNOWN, " ".join(f"{each.start}-{each.stop - 1}" for each in spans))
