"""When a retired version may go."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

_DAY_S = 86_400


@dataclass(frozen=True)
class Retention:
    keep_s: float
    floor_s: float  # need of room never goes below this
    expiry_open: bool  # False while a hold or damage is open, or the clock is not to be trusted


class Candidate(NamedTuple):
    """A retired version, oldest first."""

    held: bytes
    size_bytes: int
    age_s: float  # by the clock, from night to night (dates.elapsed_s)
    nights_since: int  # completed nights after the one that retired it


def nights_for(period_s: float) -> int:
    """How many completed nights a period asks for beside its days: one a day, at least one."""
    return max(1, math.ceil(period_s / _DAY_S))


def is_over(candidate: Candidate, period_s: float) -> bool:
    """Old by date and by nights: neither a clock that jumped nor a box that was off ends a period."""
    return candidate.age_s >= period_s and candidate.nights_since >= nights_for(period_s)


def to_expire(
    candidates: Iterable[Candidate], retention: Retention, bytes_wanted: int, files_wanted: int = 0
) -> Iterator[Candidate]:
    """Those whose time is over, then, oldest first, as many as give what is wanted of both, down to the floor.

    ``files_wanted`` counts inodes, which a file system can run out of with bytes left.

    Candidates come oldest first; the answer ends at the first that must stay, since all after it
    are younger.
    """
    if not retention.expiry_open:
        return
    freed = 0
    for files, candidate in enumerate(candidates):
        needed = (freed < bytes_wanted or files < files_wanted) and is_over(candidate, retention.floor_s)
        if not needed and not is_over(candidate, retention.keep_s):
            return
        freed += candidate.size_bytes
        yield candidate
