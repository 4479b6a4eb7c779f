"""Rule L: a retired version goes when it is old by date and by nights, and never otherwise."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from nightferry.planning.retention import Candidate, Retention, is_over, nights_for, to_expire

DAY_S = 86_400
KEEP = Retention(keep_s=30 * DAY_S, floor_s=7 * DAY_S, expiry_open=True)


def candidate(days: float, nights: int, size_bytes: int = 100) -> Candidate:
    return Candidate(b"000001/x", size_bytes, days * DAY_S, nights)


def test_nights_for_a_period() -> None:
    assert nights_for(30 * DAY_S) == 30
    assert nights_for(DAY_S) == 1
    assert nights_for(DAY_S + 1) == 2
    assert nights_for(0) == 1  # never in the very night that retired it


def test_rule_L_age_alone_or_nights_alone_is_not_enough() -> None:
    assert is_over(candidate(30, 30), 30 * DAY_S)
    assert not is_over(candidate(4_000, 29), 30 * DAY_S)  # the clock jumped ten years ahead
    assert not is_over(candidate(29.9, 500), 30 * DAY_S)  # many runs by hand in one month
    assert not is_over(candidate(-400, 500), 30 * DAY_S)  # the clock woke in the past


def test_nothing_goes_while_expiry_is_closed() -> None:
    closed = Retention(KEEP.keep_s, KEEP.floor_s, expiry_open=False)
    assert list(to_expire([candidate(1_000, 1_000)], closed, bytes_wanted=10**12)) == []


def test_room_is_taken_from_the_oldest_down_to_the_floor() -> None:
    versions = [candidate(20, 20), candidate(15, 15), candidate(8, 8), candidate(6, 6)]
    assert list(to_expire(versions, KEEP, bytes_wanted=0)) == []
    assert list(to_expire(versions, KEEP, bytes_wanted=150)) == versions[:2]
    assert list(to_expire(versions, KEEP, bytes_wanted=10**12)) == versions[:3]


_AGES = st.lists(st.tuples(st.floats(0, 100), st.integers(0, 100), st.integers(0, 1_000)), max_size=30)


@given(ages=_AGES, wanted=st.integers(0, 10_000))
def test_rule_L_whatever_goes_is_past_the_floor_and_comes_first(
    ages: list[tuple[float, int, int]], wanted: int
) -> None:
    versions = [candidate(*each) for each in sorted(ages, reverse=True)]
    gone = list(to_expire(versions, KEEP, wanted))
    assert gone == versions[: len(gone)]  # oldest first, none skipped
    freed = 0
    for each in gone:
        assert is_over(each, KEEP.floor_s)
        assert is_over(each, KEEP.keep_s) or freed < wanted  # none more than needed
        freed += each.size_bytes
