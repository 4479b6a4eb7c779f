"""How fast a drive fills, and when it is full, from what it held after earlier nights.

The slope is the median of the slopes between all pairs of nights (Theil 1950; Sen, "Estimates of the regression
coefficient based on Kendall's tau", JASA 1968;63:1379-1389): one night on which a whole archive was added or an
old one let go hardly bends it, unless it lies in the middle. Its bounds are Sen's: they assume no distribution, only
nights that do not depend on each other, which real ones do a little.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from statistics import NormalDist, median

CONFIDENCE = 0.95
# Fewer nights than these say nothing; more than these speak of another time, and of pairs without end.
LEAST_NIGHTS = 5
# Several nights of one evening, as when somebody tries things out, are no pace of days.
LEAST_DAYS = 3
MOST_NIGHTS = 180
_DAY_S = 86_400.0


@dataclass(frozen=True)
class Trend:
    """Bytes a day, with the bounds of 95 % confidence. Negative where the drive empties."""

    bytes_per_day: float
    low: float
    high: float
    nights: int


@dataclass(frozen=True)
class Full:
    """Days from now until nothing is left; infinite where it does not fill at that pace."""

    soonest_days: float
    likely_days: float
    latest_days: float


def fit(held: Sequence[tuple[float, int]]) -> Trend | None:
    """``held``: Unix time and bytes in use, oldest first. None for too few nights, or for fewer than ``LEAST_DAYS``."""
    nights = held[-MOST_NIGHTS:]
    if len(nights) < LEAST_NIGHTS or nights[-1][0] - nights[0][0] < LEAST_DAYS * _DAY_S:
        return None
    slopes = sorted(
        (later - earlier) / (after_s - before_s) * _DAY_S
        for (before_s, earlier), (after_s, later) in combinations(nights, 2)
        if after_s != before_s
    )
    if not slopes:
        return None
    low, high = _bounds(slopes, len(nights))
    return Trend(median(slopes), low, high, len(nights))


def _bounds(slopes: Sequence[float], nights: int) -> tuple[float, float]:
    """Sen's: as many pairs to each side of the middle as Kendall's tau may stray by chance."""
    z = NormalDist().inv_cdf((1 + CONFIDENCE) / 2)
    strays = z * math.sqrt(nights * (nights - 1) * (2 * nights + 5) / 18)
    below = round((len(slopes) - strays) / 2)
    above = round((len(slopes) + strays) / 2)
    return slopes[max(0, below - 1)], slopes[min(len(slopes) - 1, above)]


def until_full(free_bytes: int, trend: Trend) -> Full:
    """When so much room is used up at that pace."""
    return Full(*(_days(free_bytes, pace) for pace in (trend.high, trend.bytes_per_day, trend.low)))


def _days(free_bytes: int, bytes_per_day: float) -> float:
    if free_bytes <= 0:
        return 0.0
    return free_bytes / bytes_per_day if bytes_per_day > 0 else math.inf
