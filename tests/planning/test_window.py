"""When nights start and end, also on the days on which the clock is changed."""

from __future__ import annotations

import os
import time as time_module
from collections.abc import Iterator
from datetime import datetime, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightferry.planning.window import next_moment


@pytest.fixture(scope="module", autouse=True)
def _berlin() -> Iterator[None]:
    """A zone with summer time: IANA tz database, Europe/Berlin; POSIX's own notation needs no database."""
    before = os.environ.get("TZ")
    os.environ["TZ"] = "CET-1CEST,M3.5.0,M10.5.0/3"
    time_module.tzset()
    yield
    if before is None:
        del os.environ["TZ"]
    else:
        os.environ["TZ"] = before
    time_module.tzset()


def at(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


@pytest.mark.parametrize(
    ("now", "clock", "then"),
    [
        ("2026-05-03 02:29:59", time(2, 30), "2026-05-03 02:30"),
        ("2026-05-03 02:30:00", time(2, 30), "2026-05-04 02:30"),
        ("2026-05-03 23:59:00", time(0, 0), "2026-05-04 00:00"),
        ("2026-12-31 12:00:00", time(6, 30), "2027-01-01 06:30"),
        # 2026-03-29 in Berlin has no 02:30: the clock goes from 02:00 CET to 03:00 CEST.
        ("2026-03-28 12:00:00", time(6, 30), "2026-03-29 06:30"),
        # 2026-10-25 has 02:30 twice: the first of the two, at +02:00.
        ("2026-10-24 12:00:00", time(2, 30), "2026-10-25 02:30+02:00"),
    ],
)
def test_the_next_time_that_the_clock_shows(now: str, clock: time, then: str) -> None:
    assert next_moment(at(now), clock) == at(then)


def test_a_time_that_a_day_does_not_have() -> None:
    found = next_moment(at("2026-03-28 12:00"), time(2, 30))
    assert at("2026-03-29 01:59+01:00") < found <= at("2026-03-29 03:30+02:00")


@given(
    st.datetimes(datetime(2020, 1, 1), datetime(2035, 1, 1)),
    st.times().map(lambda clock: clock.replace(second=0, microsecond=0)),
)
def test_it_is_always_to_come_and_within_a_day_and_an_hour(now: datetime, clock: time) -> None:
    found = next_moment(now.timestamp(), clock)
    assert 0 < found - now.timestamp() <= timedelta(days=1, hours=1).total_seconds()
