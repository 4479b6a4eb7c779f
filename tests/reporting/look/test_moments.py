"""Moments: UTC for programs, with the zone for people."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest

from nightferry.reporting.look import moments, words


@pytest.fixture
def berlin(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    with monkeypatch.context() as patched:
        patched.setenv("TZ", "Europe/Berlin")
        time.tzset()
        yield
    time.tzset()


def test_each_moment_has_the_offset_that_counted_then(berlin: None) -> None:
    # Berlin is two hours ahead of UTC in summer and one in winter (tz database).
    summer, winter = moments.unix("2026-05-03T00:30:07Z"), moments.unix("2026-11-26T01:30:07Z")
    assert moments.shown(summer) == words.when(summer) == "2026-05-03 02:30 +02:00"
    assert moments.shown(winter) == "2026-11-26 02:30 +01:00"
    assert words.zoned(summer) == "2026-05-03 02:30:07 +02:00"
    assert moments.moment(summer) == "2026-05-03T00:30:07Z"


def test_the_hour_that_comes_twice_is_told_apart(berlin: None) -> None:
    first, second = moments.unix("2026-10-25T00:30:00Z"), moments.unix("2026-10-25T01:30:00Z")
    assert moments.shown(first) == "2026-10-25 02:30 +02:00"
    assert moments.shown(second) == "2026-10-25 02:30 +01:00"


def test_a_moment_without_a_zone_is_none() -> None:
    with pytest.raises(ValueError, match="without its zone"):
        moments.unix("2026-05-03T00:30:07")
