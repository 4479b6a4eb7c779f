"""Until when what a night displaced is kept: an estimate, for people."""

from __future__ import annotations

from dataclasses import dataclass

from nightferry.planning.retention import nights_for

_DAY_S = 86_400


@dataclass(frozen=True)
class Kept:
    """Until when the displaced versions of a run are kept. Unix time."""

    until_s: float  # at the earliest, room permitting
    at_least_until_s: float  # however much room is needed
    nights: int  # completed nights that have to pass as well


def kept_until(newest_s: float, since_s: float, completed_since: int, *, keep_s: float, floor_s: float) -> Kept:
    """``newest_s``: when the newest run began. ``since_s``: how much time passed from the run to it (``elapsed_s``).
    ``completed_since``: nights completed after the run.

    Old by date and by nights (see ``retention``): one night a day, those that are still to come take as many days.
    """
    nights = nights_for(keep_s)
    by_nights_s = newest_s + max(0, nights - completed_since) * _DAY_S
    return Kept(max(newest_s + keep_s - since_s, by_nights_s), newest_s + floor_s - since_s, nights)
