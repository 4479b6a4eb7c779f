"""Rule L: the dates of nights, where the clock may be wrong."""

from __future__ import annotations

from itertools import accumulate, pairwise

from hypothesis import given
from hypothesis import strategies as st

from nightferry.planning.dates import NIGHTS_ASKED, elapsed_s, judge

DAY_S = 86_400.0
YEAR_S = 365 * DAY_S


def nights(count: int, first: float = 0.0) -> list[float]:
    return [(first + number) * DAY_S for number in range(count)]


def test_nights_in_their_order_are_believed() -> None:
    for count in (0, 1, 2, 30):
        judged = judge(nights(count), count * DAY_S)
        assert (judged.fits, judged.may_expire, judged.odd) == (True, True, ())
    assert judge([100.0], 60.0).fits  # the drift of a small box


def test_rule_L_a_night_ahead_is_odd_once_two_nights_after_it_agree() -> None:
    dates = [*nights(10), 10 * DAY_S + YEAR_S]
    assert not judge(dates[:-1], dates[-1]).may_expire, "a year after the last night: who knows"
    assert judge(dates[:-1], dates[-1]).fits
    assert not judge(dates, 11 * DAY_S).fits
    dates.append(11 * DAY_S)
    judged = judge(dates, 12 * DAY_S)
    assert (judged.may_expire, judged.odd) == (True, (10,))


def test_rule_L_a_night_in_1970_is_odd_at_once() -> None:
    dates = nights(10, first=20_000)
    assert not judge(dates, 60.0).fits
    judged = judge([*dates, 60.0], dates[-1] + 2 * DAY_S)
    assert (judged.may_expire, judged.odd) == (True, (10,))


@given(wrong=st.integers(1, 60), ahead=st.floats(100, 40_000))
def test_rule_L_a_clock_set_right_is_believed_after_five_nights_at_most(wrong: int, ahead: float) -> None:
    dates = [*nights(30), *nights(wrong, first=30 + ahead)]
    for night in range(5):
        now_s = (30 + wrong + night) * DAY_S
        if judge(dates, now_s).fits:
            break
        dates.append(now_s)
    assert judge(dates, now_s).fits
    assert night >= min(1, wrong - 1), "never in the first night after it"
    assert night <= NIGHTS_ASKED // 2


JUMPS = st.lists(st.tuples(st.floats(0.01, 3), st.one_of(st.just(0.0), st.floats(-20_000, 20_000))), max_size=80)


@given(jumps=JUMPS)
def test_rule_L_no_jump_of_the_clock_adds_more_than_a_day(jumps: list[tuple[float, float]]) -> None:
    """``jumps``: days since the one before, in truth, and how far the clock was off from then on."""
    true_s = [days * DAY_S for days in accumulate(days for days, _ in jumps)]
    shown_s = [now_s + off * DAY_S for now_s, (_, off) in zip(true_s, jumps, strict=True)]
    assert 0.0 <= elapsed_s(shown_s) <= DAY_S * max(0, len(jumps) - 1)
    forward = sum(before[1] < after[1] for before, after in pairwise(jumps))
    truth_s = true_s[-1] - true_s[0] if true_s else 0.0
    assert elapsed_s(shown_s) <= truth_s + forward * DAY_S + 1.0


@given(wrong=st.integers(1, 60), ahead=st.floats(1, 40_000))
def test_rule_L_a_clock_ahead_for_any_number_of_nights_adds_nothing(wrong: int, ahead: float) -> None:
    dates = [*nights(30), *nights(wrong, first=30 + ahead), *nights(30, first=30 + wrong)]
    assert elapsed_s(dates) <= (len(dates) - 1) * DAY_S
    assert elapsed_s(dates) >= (len(dates) - 2) * DAY_S - 1.0, "it is a day short, where the clock went back"
