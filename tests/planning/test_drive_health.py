"""When a drive is left alone."""

from __future__ import annotations

from nightferry.planning.drive_health import LOST_LIMIT_S, READ_ERRORS_LIMIT, DriveHealth


def test_a_few_errors_are_lived_with_and_many_are_not() -> None:
    health = DriveHealth()
    for _ in range(READ_ERRORS_LIMIT - 1):
        health.failed()
        assert not health.is_given_up
    health.failed()
    assert health.is_given_up


def test_time_lost_counts_too() -> None:
    health = DriveHealth()
    health.failed(LOST_LIMIT_S - 1)
    assert not health.is_given_up
    health.failed(-50.0)  # a clock that went back takes nothing off
    assert not health.is_given_up
    health.failed(1.0)
    assert (health.is_given_up, health.errors) == (True, 3)
