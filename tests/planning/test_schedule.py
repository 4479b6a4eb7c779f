"""Nights over whole years in zones with and without daylight saving, against a reckoning that only goes forward.

The independent reckoning walks through a year in UTC, a quarter of an hour at a time, and asks zoneinfo (the IANA data
base) what the wall clock shows then. It never turns a wall clock into a moment, which is where the traps are.
"""

from __future__ import annotations

import random
from bisect import bisect_left
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from nightferry.planning.schedule import (
    ON_TIME_S,
    Calendar,
    due,
    next_window,
    report_due_s,
    window_of,
    windows_before,
)
from nightferry.planning.window import GRACE_S

BERLIN = "Europe/Berlin"
ZONES = (
    BERLIN,  # the north, an hour, at 02:00
    "Australia/Sydney",  # the south
    "Australia/Lord_Howe",  # half an hour
    "Asia/Kolkata",  # half an hour off, without daylight saving
    "America/St_Johns",  # half an hour off, with it
    "Africa/Cairo",  # begins at midnight
    "America/Nuuk",  # begins an hour before midnight
    "Pacific/Chatham",  # three quarters of an hour off
    "UTC",
)
# The hours in and around which clocks are changed, midnight, and noon.
STARTS = tuple(
    time.fromisoformat(at) for at in ("00:00", "00:30", "01:45", "02:00", "02:30", "03:00", "12:00", "23:30")
)
DAY_S = 86_400.0
STEP_S = 900


def at(wall: str, zone: str = BERLIN) -> float:
    return datetime.fromisoformat(wall).replace(tzinfo=ZoneInfo(zone)).timestamp()


@cache
def wall_clock(zone: str, year: int) -> list[tuple[int, datetime]]:
    """Each quarter of an hour of a year and some days more: the moment, and what the wall clock shows.

    All these zones change their clocks by multiples of it, at such moments.
    """
    info = ZoneInfo(zone)
    first, last = datetime(year, 1, 1, tzinfo=UTC) - timedelta(days=2), datetime(year + 1, 1, 1, tzinfo=UTC)
    minutes = range(int(first.timestamp()), int(last.timestamp()) + 2 * 86_400, STEP_S)
    return [(moment, datetime.fromtimestamp(moment, info).replace(tzinfo=None, fold=0)) for moment in minutes]


def starts_by_walking(zone: str, year: int, start: time) -> dict[date, int]:
    """For each date, the first moment that shows `start`; where none does, as much later as the clock skipped."""
    found: dict[date, int] = {}
    minutes = wall_clock(zone, year)
    for (_, before), (moment, shown) in pairwise(minutes):
        if shown.time() == start:
            found.setdefault(shown.date(), moment)
        elif shown - before > timedelta(seconds=STEP_S):
            for day in {before.date(), shown.date()}:
                wanted = datetime.combine(day, start)
                if before < wanted < shown:
                    found.setdefault(day, moment - STEP_S + int((wanted - before).total_seconds()))
    return {day: moment for day, moment in found.items() if day.year == year}


@pytest.mark.parametrize("zone", ZONES)
def test_a_whole_year_has_each_night_once(zone: str) -> None:
    for start in STARTS:
        calendar = Calendar(start, time(6, 45), zone=ZoneInfo(zone))
        expected = starts_by_walking(zone, 2026, start)
        assert len(expected) == 365
        found = {}
        now_s = min(expected.values()) - 1.0
        while (window := next_window(calendar, now_s)) is not None and window.day.year == 2026:
            assert window.start_s > now_s
            assert window.day not in found
            found[window.day] = window.start_s
            now_s = window.start_s
        assert found == expected, start


@pytest.mark.parametrize("zone", ZONES)
def test_the_end_is_when_the_clock_first_shows_it_after_the_start(zone: str) -> None:
    minutes = wall_clock(zone, 2026)
    moments = {moment: position for position, (moment, _) in enumerate(minutes)}
    for finish_by in (time(6, 30), time(2, 45), time(1, 30)):
        calendar = Calendar(time(0, 45), finish_by, zone=ZoneInfo(zone))
        for day in (date(2026, 1, 1) + timedelta(days=n) for n in range(364)):
            window = window_of(calendar, day)
            assert window is not None
            assert window.start_s < window.end_s
            position = moments[int(window.start_s)]
            first, shown = next(each for each in minutes[position : position + 200] if each[1].time() >= finish_by)
            if shown.time() == finish_by:
                assert window.end_s == first, day
            else:  # skipped: as much later as the clock skipped
                assert first <= window.end_s <= first + 3600, day


def test_a_start_and_end_that_the_clock_skips_are_as_long_as_ever() -> None:
    window = window_of(Calendar(time(2, 30), time(3, 0), zone=ZoneInfo(BERLIN)), date(2026, 3, 29))
    assert window is not None
    assert window.start_s == at("2026-03-29 03:30")
    assert window.end_s == at("2026-03-29 04:00")


def test_a_date_that_the_zone_leaves_out_has_no_night() -> None:
    """Samoa went from the end of 29 December 2011 to the start of the 31st (tz data base, file australasia)."""
    calendar = Calendar(time(2, 30), time(6, 30), zone=ZoneInfo("Pacific/Apia"))
    before = window_of(calendar, date(2011, 12, 29))
    assert before is not None
    assert window_of(calendar, date(2011, 12, 30)) is None
    after = next_window(calendar, before.start_s)
    assert after is not None
    assert after.day == date(2011, 12, 31)
    assert after.start_s - before.start_s == DAY_S


def test_days_of_the_week_are_those_of_the_zone() -> None:
    calendar = Calendar(time(0, 30), time(6, 0), frozenset({0, 4}), ZoneInfo("Australia/Sydney"))
    now_s, found = at("2026-01-01 00:00", "Australia/Sydney"), []
    for _ in range(6):
        window = next_window(calendar, now_s)
        assert window is not None
        found.append(datetime.fromtimestamp(window.start_s, ZoneInfo("Australia/Sydney")).strftime("%a %d"))
        now_s = window.start_s
    # `cal 1 2026`
    assert found == ["Fri 02", "Mon 05", "Fri 09", "Mon 12", "Fri 16", "Mon 19"]


@pytest.mark.parametrize("now_s", [-1e12, -1.0, 0.0, 2.5e11, 1e18])
def test_a_clock_beyond_all_calendars_still_has_an_answer(now_s: float) -> None:
    calendar = Calendar(time(2, 30), time(6, 30), zone=ZoneInfo(BERLIN))
    found = due(calendar, "in window", now_s, set(), since_s=now_s)
    assert found.begin is None
    assert found.next is None or found.next.start_s > now_s


# --- what is due

NIGHT = Calendar(time(2, 30), time(6, 30), zone=ZoneInfo(BERLIN))
LONG_AGO_S = at("2020-01-01 00:00")
UNTIL_YESTERDAY = {date(2026, 5, 2)}


@pytest.mark.parametrize(
    ("now", "if_missed", "begins", "is_late", "missed"),
    [
        ("2026-05-03 02:29", "in window", False, False, 0),
        ("2026-05-03 02:30", "in window", True, False, 0),
        ("2026-05-03 02:31", "never", True, False, 0),
        ("2026-05-03 05:00", "in window", True, True, 0),
        ("2026-05-03 05:00", "never", False, False, 1),
        ("2026-05-03 06:30", "in window", False, False, 1),
        ("2026-05-03 12:00", "always", True, True, 0),
        ("2026-05-05 12:00", "in window", False, False, 3),
        ("2026-05-05 12:00", "always", True, True, 2),
        ("2026-05-05 03:00", "in window", True, True, 2),
    ],
)
def test_a_night_that_nobody_began(now: str, if_missed, begins: bool, is_late: bool, missed: int) -> None:
    found = due(NIGHT, if_missed, at(now), UNTIL_YESTERDAY, since_s=LONG_AGO_S)
    assert (found.begin is not None, found.is_late, len(found.missed)) == (begins, is_late, missed)
    if found.begin is not None:
        assert found.begin.end_s > at(now)


def test_a_night_made_up_for_by_day_is_as_long_as_the_window() -> None:
    found = due(NIGHT, "always", at("2026-05-03 12:00"), UNTIL_YESTERDAY, since_s=LONG_AGO_S)
    assert found.begin is not None
    assert found.begin.end_s == at("2026-05-03 16:00")


def test_a_first_start_makes_up_for_nothing() -> None:
    now_s = at("2026-05-03 05:00")
    found = due(NIGHT, "always", now_s, set(), since_s=now_s)
    assert found.begin is None
    assert found.missed == ()
    assert found.next == window_of(NIGHT, date(2026, 5, 4))


def test_a_clock_set_back_by_years_has_nights_and_leaves_those_of_today_alone() -> None:
    attended = {date(2026, 5, 2), date(2026, 5, 3)}
    wrong_s = at("2016-01-02 02:30")
    found = due(NIGHT, "in window", wrong_s, attended, since_s=wrong_s - 60)
    assert found.begin is not None
    assert found.begin.day == date(2016, 1, 2)
    attended.add(found.begin.day)
    right = due(NIGHT, "in window", at("2026-05-03 05:00"), attended, since_s=LONG_AGO_S)
    assert right.begin is None, "that night was begun before the clock went wrong"
    assert right.missed == ()


@pytest.mark.parametrize("seed", range(6))
def test_no_night_is_lost_or_doubled_whatever_clock_and_box_do(seed: int) -> None:
    """A year of a box that looks now and then, is switched off for a while, and whose clock is set to and fro."""
    rnd = random.Random(seed)
    zone = ZoneInfo(rnd.choice(ZONES))
    calendar = Calendar(rnd.choice(STARTS), rnd.choice((time(6, 45), time(14, 15))), zone=zone)
    now_s = datetime(2026, 1, 1, tzinfo=zone).timestamp()
    since_s, end_s = now_s, now_s + 365 * DAY_S
    told: set[date] = set()
    begun: list[date] = []
    on_at: list[float] = []
    looks = 0
    while now_s < end_s:
        found = due(calendar, "in window", now_s, begun, told, since_s)
        for window in found.missed:
            assert window.day not in begun
            assert window.day not in told, "said twice"
            told.add(window.day)
        if found.begin is not None:
            assert found.begin.start_s <= now_s < found.begin.end_s
            begun.append(found.begin.day)
        on_at.append(now_s)
        looks += 1
        chance = rnd.random()
        if chance < 0.01:
            now_s += rnd.uniform(0, 3 * DAY_S)  # off, or set forward
        elif chance < 0.015:
            now_s -= rnd.uniform(0, 30 * 3600)  # set back
        else:
            now_s += rnd.uniform(1, 5400)
    assert looks > 1000
    assert len(begun) == len(set(begun)), "a night was doubled"
    # Whenever somebody looked while a window was open, that night was begun.
    on_at.sort()
    for window in windows_before(calendar, end_s):
        first = bisect_left(on_at, window.start_s)
        if window.start_s >= since_s and first < len(on_at) and on_at[first] < window.end_s:
            assert window.day in begun, f"the night of {window.day} was lost"


def test_every_second_look_at_the_start_begins_one_night() -> None:
    attended = set(UNTIL_YESTERDAY)
    begun = 0
    for second in range(-5, int(2 * ON_TIME_S)):
        found = due(NIGHT, "never", at("2026-05-03 02:30") + second, attended, since_s=LONG_AGO_S)
        if found.begin is not None:
            begun += 1
            attended.add(found.begin.day)
    assert begun == 1


def test_a_status_counts_until_the_next_night_has_to_have_reported() -> None:
    weekly = Calendar(time(2, 30), time(6, 30), frozenset({6}), ZoneInfo(BERLIN))
    assert report_due_s(weekly, at("2026-05-03 03:10")) == at("2026-05-10 06:30") + GRACE_S  # 3 May 2026: a Sunday
    assert report_due_s(NIGHT, at("2026-05-03 20:00")) == at("2026-05-04 07:30")
    late = Calendar(time(23, 0), time(5, 0), zone=ZoneInfo(BERLIN))
    assert report_due_s(late, at("2026-05-03 20:00")) == at("2026-05-04 06:00")
