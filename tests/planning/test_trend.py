"""How fast a drive fills, against scipy's own Theil-Sen slopes and against trends that are known."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import theilslopes

from nightferry.planning.trend import LEAST_NIGHTS, MOST_NIGHTS, Full, Trend, fit, until_full

DAY_S = 86_400.0
GIB = 1 << 30


@given(st.lists(st.integers(0, 10**13), min_size=LEAST_NIGHTS, max_size=40), st.floats(0, 2e9))
def test_slope_and_bounds_are_those_of_scipy(held: list[int], start_s: float) -> None:
    nights = [(start_s + number * DAY_S, used) for number, used in enumerate(held)]
    found = fit(nights)
    expected = theilslopes(held, list(range(len(held))), alpha=0.95)
    assert found is not None
    near = {"rel": 1e-6, "abs": 1e-3 + max(held) * 1e-9}
    assert found.bytes_per_day == pytest.approx(expected.slope, **near)
    # scipy leaves out the spread of equal values; with ties its bounds are a little closer than Sen's.
    if len(set(held)) == len(held):
        assert (found.low, found.high) == (
            pytest.approx(expected.low_slope, **near), pytest.approx(expected.high_slope, **near),
        )  # fmt: skip


def test_a_steady_archive_fills_when_it_says() -> None:
    found = fit([(number * DAY_S, 100 * GIB + number * GIB) for number in range(30)])
    assert found is not None
    assert found.bytes_per_day == pytest.approx(GIB)
    assert until_full(50 * GIB, found) == Full(pytest.approx(50), pytest.approx(50), pytest.approx(50))


def test_one_night_of_a_whole_archive_does_not_bend_it() -> None:
    steady = [(number * DAY_S, number * GIB) for number in range(30)]
    jump = [(at, used + (500 * GIB if at >= 25 * DAY_S else 0)) for at, used in steady]
    found = fit(jump)
    assert found is not None
    assert found.bytes_per_day == pytest.approx(GIB, rel=0.1)  # a line through both ends says 18 GiB a day


def test_the_truth_lies_within_the_bounds_as_often_as_they_say() -> None:
    luck, within, rounds = random.Random(20261125), 0, 400
    for _ in range(rounds):
        nights = [(number * DAY_S, int(number * GIB + luck.gauss(0, 3 * GIB) + 100 * GIB)) for number in range(25)]
        found = fit(nights)
        assert found is not None
        within += found.low <= GIB <= found.high
    # 95 % of 400 is 380 with a standard deviation of 4.4; beyond five of them is no accident.
    assert within > 380 - 5 * 4.4


def test_too_few_nights_say_nothing() -> None:
    assert fit([(number * DAY_S, number) for number in range(LEAST_NIGHTS - 1)]) is None
    assert fit([(0.0, number) for number in range(LEAST_NIGHTS)]) is None


def test_many_nights_of_one_evening_say_nothing() -> None:
    assert fit([(number * 60.0, number * GIB) for number in range(LEAST_NIGHTS * 4)]) is None


def test_only_the_newest_nights_count() -> None:
    old = [(number * DAY_S, 0) for number in range(MOST_NIGHTS)]
    new = [((MOST_NIGHTS + number) * DAY_S, number * GIB) for number in range(MOST_NIGHTS)]
    found = fit(old + new)
    assert found is not None
    assert found.bytes_per_day == pytest.approx(GIB)


def test_a_drive_that_empties_is_never_full() -> None:
    assert until_full(10, Trend(-5.0, -9.0, -1.0, 30)) == Full(math.inf, math.inf, math.inf)
    assert until_full(0, Trend(-5.0, -9.0, -1.0, 30)) == Full(0.0, 0.0, 0.0)
    mixed = until_full(100, Trend(1.0, -1.0, 10.0, 30))
    assert (mixed.soonest_days, mixed.likely_days, mixed.latest_days) == (10, 100, math.inf)
