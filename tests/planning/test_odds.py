"""The odds, against scipy's distributions, a simulation and published figures."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, expon

from nightferry.planning import odds

TB = 1e12


def test_one_in_1e14_bits_over_a_terabyte_is_7_7_percent() -> None:
    assert odds.read_error_chance(TB, 1e-14) == pytest.approx(0.077, abs=5e-4)  # makers' data sheets state 1e-14


@pytest.mark.parametrize("rate", [0.0, 1e-17, 1e-15, 1e-14, 1e-12])
@pytest.mark.parametrize("size_bytes", [1, 10**9, 10**12, 2 * 10**13])
def test_read_errors_against_the_binomial_distribution(rate: float, size_bytes: int) -> None:
    expected = binom.sf(0, size_bytes * 8, rate)
    if rate * size_bytes * 8 > 1e-9:  # below that scipy's own tail has fewer digits than ours
        assert odds.read_error_chance(size_bytes, rate) == pytest.approx(expected, rel=1e-6)
    else:
        assert odds.read_error_chance(size_bytes, rate) == pytest.approx(size_bytes * 8 * rate, rel=1e-6)


@pytest.mark.parametrize("mttf_h", [1_000, 300_000, 1_000_000, 2_500_000])
def test_annual_failure_against_the_exponential_distribution(mttf_h: float) -> None:
    assert odds.annual_failure_chance(mttf_h) == pytest.approx(expon.cdf(odds.HOURS_PER_YEAR, scale=mttf_h))


def test_a_million_hours_are_0_87_percent_a_year() -> None:
    assert odds.annual_failure_chance(1e6) == pytest.approx(0.0087, abs=1e-4)  # common practice, no source


@given(st.floats(min_value=1e-6, max_value=0.99))
def test_mean_time_and_annual_chance_are_each_others_reverse(annual: float) -> None:
    assert odds.annual_failure_chance(odds.mttf_hours(annual)) == pytest.approx(annual, rel=1e-9)


def test_a_mirror_against_the_paper() -> None:
    # Patterson, Gibson, Katz, SIGMOD 1988, section 6 and 7: MTTF of a disk 30,000 hours, repair 1 hour, 100 data disks
    # mirrored: "> 500 years" (4,500,000 hours). From memory.
    assert odds.mirror_mttdl_hours(30_000, 1, pairs=100) == pytest.approx(4_500_000)
    assert odds.mirror_mttdl_hours(30_000, 1, pairs=100) / odds.HOURS_PER_YEAR > 500


def test_a_mirror_against_a_simulation() -> None:
    # Two drives with exponential lives; a failed one is replaced and filled after a fixed time.
    luck, mttf_h, mttr_h = random.Random(20261125), 2_000.0, 20.0
    lives = []
    for _ in range(3_000):
        at_h = 0.0
        while True:
            at_h += luck.expovariate(2 / mttf_h)
            other_h = luck.expovariate(1 / mttf_h)
            if other_h < mttr_h:
                lives.append(at_h + other_h)
                break
            at_h += mttr_h
    mean_h = math.fsum(lives) / len(lives)
    # The standard error of a mean of 3,000 exponential lives is 1.8 %; the formula leaves out terms of MTTR / MTTF.
    assert odds.mirror_mttdl_hours(mttf_h, mttr_h) == pytest.approx(mean_h, rel=0.09)


def test_two_independent_drives_are_a_mirror_as_far_as_drives_fail() -> None:
    annual, repair_h = 0.03, 80.0
    mirror = odds.loss_chance_per_year(odds.mirror_mttdl_hours(odds.mttf_hours(annual), repair_h))
    assert odds.copy_gone_when_needed(annual, repair_h - 72.0, 72.0) == pytest.approx(mirror, rel=0.05)


def test_chances_together() -> None:
    assert odds.any_of(0.1, 0.2) == pytest.approx(1 - 0.9 * 0.8)
    assert odds.any_of() == 0
    assert odds.any_of(0.3, 1.0) == 1.0


@pytest.mark.parametrize("call", [
    lambda: odds.read_error_chance(1, 1.0), lambda: odds.read_error_chance(-1, 1e-14),
    lambda: odds.annual_failure_chance(0), lambda: odds.mttf_hours(1.0), lambda: odds.mirror_mttdl_hours(1, 0),
])  # fmt: skip
def test_what_makes_no_sense_is_refused(call: object) -> None:
    with pytest.raises(ValueError, match=r"."):
        call()  # type: ignore[operator]
