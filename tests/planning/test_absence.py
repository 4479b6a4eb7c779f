"""An absent secondary: allowed, and how old its copy is."""

from __future__ import annotations

from nightferry.planning.absence import Absence, absence

DAY_S = 86_400.0


def test_within_its_time() -> None:
    assert absence(1000.0, 1000.0 + 3 * DAY_S, 14 * DAY_S) == Absence(True, 3 * DAY_S)
    assert absence(1000.0, 1000.0 + 14 * DAY_S, 14 * DAY_S) == Absence(True, 14 * DAY_S)


def test_after_its_time() -> None:
    assert absence(1000.0, 1001.0 + 14 * DAY_S, 14 * DAY_S) == Absence(False, 14 * DAY_S + 1)


def test_not_allowed_at_all() -> None:
    assert absence(1000.0, 1000.0, 0.0) == Absence(False, 0.0)


def test_without_a_complete_run() -> None:
    assert absence(None, 5000.0, 14 * DAY_S) == Absence(False, None)


def test_a_clock_that_went_back_tells_no_age() -> None:
    assert absence(10_000.0, 10_000.0 - 3600, 14 * DAY_S) == Absence(False, None)
    assert absence(10_000.0, 10_000.0 - 30, 14 * DAY_S) == Absence(True, 0.0)
