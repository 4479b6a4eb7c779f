"""Which night ``--as-of`` means."""

from __future__ import annotations

import itertools
import random
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightferry.errors import WrongUse
from nightferry.manifest.nights import NightState
from nightferry.planning.as_of import kept_since, parse_as_of, require_whole, resolve
from nightferry.units import format_moment

BERLIN = ZoneInfo("Europe/Berlin")
HOUR_S = 3600.0


def at(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def night(number: int, ended: str | None, outcome: str | None = "complete", lost: int = 0) -> NightState:
    ended_s = None if ended is None else at(ended)
    return NightState(number, at("2026-01-01T00:00Z") if ended_s is None else ended_s - HOUR_S, ended_s, outcome, lost)


# In Berlin: 3 to 5 May at half past four in the morning; the night of the 4th was cut off, that of the 5th held.
NIGHTS = [
    night(7, "2026-05-02T04:30+02:00"),
    night(8, "2026-05-03T04:30+02:00"),
    night(9, "2026-05-04T04:30+02:00", "interrupted"),
    night(10, "2026-05-04T20:00+02:00", "failed"),
    night(11, "2026-05-05T04:30+02:00", "held"),
    night(12, "2026-05-06T04:30+02:00", "partial"),
    night(13, None, None),
]
NOW_S = at("2026-05-07T12:00+02:00")


def ask(text: str, nights: list[NightState] = NIGHTS, now_s: float = NOW_S) -> int:
    return resolve(text, nights, pair="recordings", now_s=now_s, zone=BERLIN).number


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("8", 8),
        ("#8", 8),
        (" 9 ", 9),
        ("2026-05-03", 8),
        ("2026-05-04", 8),  # no night was completed on that day
        ("2026-05-05", 11),
        ("2026-05-07", 12),  # today
        ("2026-05-03 04:29", 7),
        ("2026-05-03 04:30", 8),  # to the minute, and it ended within that
        ("2026-05-03T04:29:59", 7),
        ("2026-05-03 04:30:00 +02:00", 8),
        ("2026-05-03T02:30Z", 8),
        ("2026-05-03T02:29:59Z", 7),
        ("2026-05-02 21:30-05:00", 8),
        ("2026-05-02 21:29-05:00", 7),
    ],
)
def test_what_is_meant(text: str, number: int) -> None:
    assert ask(text) == number


def test_a_date_ends_with_the_local_day() -> None:
    """A night that ended half an hour after midnight is of the next day, by the clock on the wall."""
    nights = [night(1, "2026-05-02T23:30+02:00"), night(2, "2026-05-03T00:30+02:00")]
    assert ask("2026-05-02", nights) == 1
    assert resolve("2026-05-02", nights, pair="p", now_s=NOW_S, zone=UTC).number == 2


def test_the_days_on_which_the_clock_changes() -> None:
    """29 March 2026 has 23 hours in Berlin, 25 October 25 (Directive 2000/84/EC: last Sundays of the two months)."""
    for day, hours in (("2026-03-29", 23), ("2026-10-25", 25), ("2026-05-03", 24)):
        wanted = parse_as_of(day, BERLIN)
        assert wanted.before_s - wanted.begins_s == hours * HOUR_S


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("2026-05-08", "in the future: it is 2026-05-07 12:00:00 +02:00 now"),
        ("2026-05-07 12:01", "in the future"),
        ("2026-05-01", "first one ended on 2026-05-02 04:30:00 +02:00"),
        ("6", "its nights are 7 (2026-05-02 04:30:00 +02:00) to 13"),
        ("14", "There is no night 14"),
        ("13", "under way or was cut off"),
        ("yesterday", "give the number of a night (17), a date (2026-05-03)"),
        ("", "does not say a night"),
        ("2026-02-30", "does not say a night"),
        ("2026-05-03 25:00", "does not say a night"),
        ("03.05.2026", "does not say a night"),
        ("-3", "does not say a night"),
        ("9999-12-31", "does not say a night"),  # its end is in no year
        ("٣", "does not say a night"),
    ],
)
def test_what_cannot_be_meant_is_said(text: str, says: str) -> None:
    with pytest.raises(WrongUse) as caught:
        ask(text)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_no_night_at_all() -> None:
    with pytest.raises(WrongUse, match='No night of the pair "recordings" has run yet'):
        ask("1", [])
    with pytest.raises(WrongUse, match="none of its nights was completed"):
        ask("2026-05-05", [night(1, "2026-05-03T04:30Z", "failed")])


def test_a_run_cut_off_long_ago_left_a_state() -> None:
    assert ask("2", [night(1, "2026-05-02T04:30Z"), night(2, None, None), night(3, "2026-05-03T04:30Z")]) == 2


@given(st.integers(1, 40), st.integers(0, 60 * 24 * 50), st.randoms(use_true_random=False))
def test_any_moment_means_the_newest_that_had_ended(count: int, minute: int, rng: random.Random) -> None:
    """Against plain counting; whatever is shown of a moment can be given back."""
    begin = datetime(2026, 3, 1, tzinfo=BERLIN)
    ended = sorted(
        begin + timedelta(minutes=rng.randrange(60 * 24 * 50), seconds=rng.randrange(60)) for _ in range(count)
    )
    nights = [NightState(i, each.timestamp() - 9, each.timestamp(), "complete", 0) for i, each in enumerate(ended, 1)]
    moment = begin + timedelta(minutes=minute)
    wanted = sum(each < moment + timedelta(minutes=1) for each in ended)
    now_s = (begin + timedelta(days=60)).timestamp()
    text = moment.astimezone(timezone(timedelta(hours=rng.randrange(-11, 13)))).isoformat(timespec="minutes")
    if wanted:
        assert ask(text, nights, now_s) == wanted
    else:
        with pytest.raises(WrongUse):
            ask(text, nights, now_s)
    chosen = rng.choice(nights)
    shown = format_moment(datetime.fromtimestamp(chosen.ended_s or 0, UTC).astimezone(BERLIN))
    same_second = [
        each.number for each in nights if each.ended_s is not None and int(each.ended_s) == int(chosen.ended_s or 0)
    ]
    assert ask(shown, nights, now_s) == max(same_second)


# --- rule L: the clock can be wrong


@pytest.mark.parametrize("wrong", ["1970-01-01T00:03Z", "2038-01-19T03:14Z"])
def test_rule_L_a_night_with_a_wrong_date_is_not_taken_for_another(wrong: str) -> None:
    days = [f"2026-05-{day:02}T04:30+02:00" for day in range(1, 11)]
    nights = [night(number, ended) for number, ended in enumerate(days, 1)]
    nights[4] = night(5, wrong)
    for number in (1, 2, 3, 4, 6, 7, 8, 9, 10):
        assert ask(f"2026-05-{number:02}", nights, at("2026-05-11T00:00Z")) == number
    assert ask("2026-05-05", nights, at("2026-05-11T00:00Z")) == 4
    assert ask("5", nights, at("2026-05-11T00:00Z")) == 5


def test_rule_L_nights_that_lie_in_the_future_are_not_meant_by_a_date_however_many_they_are() -> None:
    ahead = [night(number, f"2027-05-{number - 6:02}T04:30+02:00") for number in range(8, 30)]
    right = [night(30, "2026-05-06T04:30+02:00")]
    assert ask("2026-05-06", [*NIGHTS[:1], *ahead, *right]) == 30
    assert ask("2026-05-05", [*NIGHTS[:1], *ahead, *right]) == 7


@given(st.lists(st.integers(0, 9), min_size=1, max_size=8))
def test_rule_L_as_few_nights_as_possible_are_doubted(hours: list[int]) -> None:
    """Against trying all choices: those left are the longest that rises."""
    start_s = at("2026-05-01T00:00Z")
    nights = [NightState(n, 0.0, start_s + hour * HOUR_S, "complete", 0) for n, hour in enumerate(hours, 1)]
    longest = max(
        length
        for length in range(len(hours) + 1)
        for chosen in itertools.combinations(hours, length)
        if list(chosen) == sorted(chosen)
    )
    met = set()
    for hour in range(10):
        try:
            met.add(ask(f"2026-05-01 {hour:02}:00Z", nights))
        except WrongUse:
            continue
    assert len({hours[number - 1] for number in met}) == len(met) <= longest
    assert [hours[number - 1] for number in sorted(met)] == sorted(hours[number - 1] for number in met)


# --- what was let go


def test_a_state_that_is_no_longer_whole_says_since_when_all_is_kept() -> None:
    nights = [
        night(number, f"2026-05-{number:02}T04:30+02:00", lost=lost)
        for number, lost in ((3, 5), (4, 0), (5, 1), (6, 0), (7, 0))
    ]
    assert (kept := kept_since(nights)) is not None and kept.number == 6
    require_whole(nights[1], nights, pair="recordings", zone=BERLIN)
    with pytest.raises(WrongUse) as caught:
        require_whole(nights[0], nights, pair="recordings", zone=BERLIN)
    assert "5 files" in str(caught.value) and "from night 6 on (2026-05-06 04:30:00 +02:00)" in str(caught.value)
    with pytest.raises(WrongUse, match="content of 1 file was let go"):
        require_whole(nights[2], nights, pair="recordings", zone=BERLIN)


def test_where_not_even_the_newest_is_whole() -> None:
    nights = [night(3, "2026-05-03T04:30Z", lost=1)]
    assert kept_since(nights) is None and kept_since([]) is None
    with pytest.raises(WrongUse, match="no night's state is kept whole"):
        require_whole(nights[0], nights, pair="recordings")
