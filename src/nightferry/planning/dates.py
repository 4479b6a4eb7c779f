"""The dates of nights, where the clock may be wrong. Their numbers are their true order; a date only claims one.

Two questions are kept apart. How much time passed since a night is summed up from night to night, so that no jump of
the clock counts for more than a day (``elapsed_s``): that alone says what is old. Whether tonight's date can be
believed (``judge``) says whether anything may go tonight at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from nightferry.planning.absence import CLOCK_TOLERANCE_S

_DAY_S = 86_400.0
# So many nights before are asked whether tonight's date fits them. A clock that was wrong for one night is believed in
# the second night after it; one that was wrong for weeks, in the fifth: then the right dates are more than the wrong.
NIGHTS_ASKED = 9
# More than a week, the longest that a calendar leaves between two nights: the box was off, or the clock jumped.
LONG_GAP_S = 8 * _DAY_S


class Judged(NamedTuple):
    """What the nights before say of tonight's date. Positions are those of the dates that were given."""

    fits: bool  # more nights agree with it than with any order of dates that it contradicts
    odd: tuple[int, ...]  # nights among those asked whose date is wrong; none where tonight's does not fit
    gap_s: float  # since the newest night that agrees; 0.0 where none does

    @property
    def may_expire(self) -> bool:
        """Nothing goes in the first night after a jump, nor after a gap that may be one."""
        return self.fits and self.gap_s <= LONG_GAP_S


def judge(dates: Sequence[float], now_s: float) -> Judged:
    """Judges tonight's date by those of the nights before, oldest first (Unix times).

    Dates agree that rise with the numbers. Where the clock went back, either the nights before or tonight are wrong;
    what more of the last nights agree with is right. A single night that says 1970 is so found at once, one that lies
    ahead once two nights after it agree.
    """
    first = max(0, len(dates) - NIGHTS_ASKED)
    asked = [*dates[first:], now_s]
    longest: list[int] = []  # how many agree, up to and with each
    before: list[int | None] = []
    for position, date_s in enumerate(asked):
        fitting = [place for place in range(position) if asked[place] <= date_s + CLOCK_TOLERANCE_S]
        best = max(fitting, key=lambda place: (longest[place], place), default=None)
        longest.append(1 + (0 if best is None else longest[best]))
        before.append(best)
    if longest[-1] <= max(longest[:-1], default=0):
        return Judged(False, (), 0.0)
    agreeing: set[int] = set()
    at = before[-1]
    while at is not None:
        agreeing.add(at)
        at = before[at]
    newest = before[-1]
    odd = tuple(first + place for place in range(len(asked) - 1) if place not in agreeing)
    return Judged(True, odd, 0.0 if newest is None else max(0.0, now_s - asked[newest]))


def elapsed_s(dates: Sequence[float]) -> float:
    """How much time passed for certain between the first and the last of these nights, in seconds.

    The sum of what lies between neighbours, of each a day at most and nothing where the clock went back. So a clock
    that is a year ahead for one night, or for forty, adds no year. A box that was off for months looks the same, and
    keeps longer for it; a second run on one day adds the hours between.
    """
    return sum(min(max(0.0, after - before), _DAY_S) for before, after in pairwise(dates))
