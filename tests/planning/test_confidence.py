"""The arithmetic of a restore test against scipy.stats, and against what is published."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import pytest
from scipy.stats import beta, binom, hypergeom

from nightferry.planning.confidence import (
    chance_of_none,
    draws,
    fewest_denied,
    most_bad,
    sample_size,
    upper_share,
)

POPULATIONS = (1, 2, 3, 10, 59, 100, 299, 300, 1_000, 12_345, 100_000, 3_000_000)
SHARES = (0.001, 0.01, 0.05, 0.1, 0.5, 1.0)


@pytest.mark.parametrize("population", POPULATIONS)
@pytest.mark.parametrize("share", SHARES)
@pytest.mark.parametrize("confidence", (0.8, 0.95, 0.99))
def test_sample_size_is_the_smallest_by_scipys_hypergeometric(population: int, share: float, confidence: float) -> None:
    bad = math.ceil(Fraction(str(share)) * population)
    size = sample_size(population, share, confidence)
    assert 1 <= size <= population
    assert hypergeom.pmf(0, population, bad, size) <= (1 - confidence) * (1 + 1e-9)
    if size > 1:
        assert hypergeom.pmf(0, population, bad, size - 1) > (1 - confidence) * (1 - 1e-9)


def test_chance_of_none_is_scipys_over_a_grid() -> None:
    for population in (1, 5, 40, 1_000, 250_000):
        for bad in {0, 1, 2, population // 3, population - 1, population}:
            for drawn in {0, 1, 2, population // 5, population // 2, population}:
                if bad <= population and drawn <= population:
                    expected = hypergeom.pmf(0, population, bad, drawn)
                    assert chance_of_none(population, bad, drawn) == pytest.approx(expected, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize("population", (1, 2, 7, 60, 500, 20_000))
def test_most_bad_is_the_largest_that_scipys_hypergeometric_does_not_reject(population: int) -> None:
    for drawn in sorted({0, 1, population // 10, population // 2, population - 1, population}):
        for found in sorted({0, 1, 2, 5, drawn // 4, drawn}):
            if found > drawn:
                continue
            for confidence in (0.9, 0.95):
                most = most_bad(population, drawn, found, confidence)
                assert found <= most <= population - drawn + found
                assert hypergeom.cdf(found, population, most, drawn) > (1 - confidence) * (1 - 1e-9)
                if most < population - drawn + found:
                    assert hypergeom.cdf(found, population, most + 1, drawn) <= (1 - confidence) * (1 + 1e-9)


@pytest.mark.parametrize("drawn", (1, 2, 10, 59, 299, 5_000))
def test_upper_share_is_clopper_and_pearsons_bound_by_scipys_beta(drawn: int) -> None:
    # Clopper and Pearson 1934; as a quantile of the beta distribution: Brown, Cai and DasGupta, Statistical Science
    # 2001;16:101-133, section 4.2.1.
    for found in sorted({0, 1, 2, 7, drawn // 3, drawn - 1, drawn}):
        if found > drawn:
            continue
        for confidence in (0.8, 0.95, 0.99):
            expected = 1.0 if found == drawn else beta.ppf(confidence, found + 1, drawn - found)
            assert upper_share(drawn, found, confidence) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("drawn", (30, 50, 100, 300, 1_000, 3_000))
def test_zero_failures_come_to_the_rule_of_three(drawn: int) -> None:
    # Hanley and Lippman-Hand, JAMA 1983;249:1743-1745: about 3/n, which they call good for n of 30 and more.
    assert upper_share(drawn, 0) == pytest.approx(3 / drawn, rel=0.06)
    assert upper_share(drawn, 0) < 3 / drawn
    population = 10_000_000
    assert most_bad(population, drawn, 0) / population == pytest.approx(3 / drawn, rel=0.06)


def test_the_published_table_of_hanley_and_lippman_hand() -> None:
    # Their question in the title: 0 of 14 tested, at 95 %, leaves 19.3 % possible (quoted from memory of the paper as
    # "19.3%"; 1 - 0.05 ** (1/14) is its formula).
    assert upper_share(14, 0) == pytest.approx(0.193, abs=5e-4)


def test_draws_is_the_smallest_by_scipys_binomial() -> None:
    assert draws(0.01) == 299  # as any table of discovery sampling has it (common practice)
    for share, confidence in itertools.product((0.0005, 0.01, 0.03, 0.2, 0.5, 0.95, 1.0), (0.8, 0.95, 0.99)):
        n = draws(share, confidence)
        assert binom.pmf(0, n, share) <= (1 - confidence) * (1 + 1e-9)
        if n > 1:
            assert binom.pmf(0, n - 1, share) > (1 - confidence) * (1 - 1e-9)


def test_a_share_is_taken_as_a_decimal_and_not_as_the_float_beside_it() -> None:
    for percent, population in itertools.product(range(1, 101), (100, 300, 700, 10_000)):
        assert fewest_denied(population, percent / 100) == max(1, -(-percent * population // 100))


def test_without_replacement_takes_no_more_than_with() -> None:
    for population in (50, 299, 300, 5_000, 10**9):
        assert sample_size(population, 0.01) <= draws(0.01)
    assert sample_size(10**9, 0.01) == 299


def test_all_drawn_leaves_nothing_open() -> None:
    assert most_bad(80, 80, 0) == 0
    assert most_bad(80, 80, 3) == 3
    assert most_bad(80, 0, 0) == 80
    assert sample_size(0, 0.01) == 0
    assert upper_share(0, 0) == 1.0


@pytest.mark.parametrize("wrong", ((10, 11, 0), (10, 5, 6), (10, 5, -1)))
def test_counts_that_cannot_be_are_refused(wrong: tuple[int, int, int]) -> None:
    with pytest.raises(ValueError, match="cannot be"):
        most_bad(*wrong)


def test_stopping_at_any_time_leaves_the_statement_right() -> None:
    """The argument of "cut short", computed whole: an adversary stops wherever it hurts most.

    After each draw without a failure the adversary may stop; a statement is wrong where it denies the true share.
    """
    for population, bad in ((100, 7), (400, 13), (2_000, 21)):
        wrong_from = next(
            (n for n in range(1, population - bad + 2) if n <= population and most_bad(population, n, 0) < bad),
        )
        # The best that an adversary can do is to let it go on to that draw: all before have to be good.
        assert hypergeom.pmf(0, population, bad, wrong_from) <= 0.05
