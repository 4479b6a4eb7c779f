"""Sizes, rates and chances in the units of makers."""

from __future__ import annotations

import math

import pytest

from nightferry.reporting.look.decimal_units import chance, days, rates, size


@pytest.mark.parametrize(
    ("share", "shown"),
    [(0.0, "0"), (0.03, "3.0%"), (0.001, "0.1%"), (1 / 1_949, "1 in 1,900"), (1 / 63_372, "1 in 63,000"),
     (1 / 9_999_999, "1 in 10,000,000"), (1e-300, "1 in ")],
)  # fmt: skip
def test_a_chance_has_two_digits(share: float, shown: str) -> None:
    assert chance(share).startswith(shown)


def test_sizes_rates_and_days() -> None:
    assert (size(10**12), size(999_499), size(math.inf)) == ("1.0 TB", "999 kB", "without end")
    assert (rates(54e6, 109e6), rates(109.1e6, 109.2e6)) == ("54-109 MB/s", "109 MB/s")
    assert (days(math.inf), days(160.2), days(365.25 * 5)) == ("never", "160 d", "5.0 years")
