"""When somebody is told."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from nightferry.planning.alerting import FIRST_WAIT_S, LONGEST_WAIT_S, Told, wait_s, wanted

DAY_S = 86_400.0
DAMAGE, HELD = frozenset({"damage"}), frozenset({"held"})


def test_trouble_is_told_once_and_again_after_a_while() -> None:
    assert wanted(Told(), "attention", DAMAGE, 1e9, DAY_S) == "attention"
    told = Told("attention", ("damage",), 1e9)
    assert wanted(told, "attention", DAMAGE, 1e9 + DAY_S - 1, DAY_S) is None
    assert wanted(told, "attention", DAMAGE, 1e9 + DAY_S, DAY_S) == "attention"


def test_what_is_new_or_worse_is_told_at_once() -> None:
    told = Told("attention", ("damage",), 1e9)
    assert wanted(told, "attention", DAMAGE | HELD, 1e9 + 1, DAY_S) == "attention"
    assert wanted(told, "failed", DAMAGE, 1e9 + 1, DAY_S) == "attention"
    assert wanted(Told("failed", ("damage", "held"), 1e9), "attention", DAMAGE, 1e9 + 1, DAY_S) is None


def test_all_is_well_is_told_once() -> None:
    assert wanted(Told("attention", ("damage",), 1e9), "sound", frozenset(), 1e9 + 5, DAY_S) == "well"
    assert wanted(Told("sound", (), 1e9), "sound", frozenset(), 1e9 + 9 * DAY_S, DAY_S) is None


def test_a_failure_is_tried_again_later_and_ever_later() -> None:
    told = Told(failures=1, failed_at_s=1e9)
    assert wanted(told, "failed", DAMAGE, 1e9 + FIRST_WAIT_S - 1, DAY_S) is None
    assert wanted(told, "failed", DAMAGE, 1e9 + FIRST_WAIT_S, DAY_S) == "attention"
    waits = [wait_s(failures) for failures in range(1, 3_000)]
    assert waits[:3] == [FIRST_WAIT_S, 2 * FIRST_WAIT_S, 4 * FIRST_WAIT_S]
    assert waits == sorted(waits)
    assert max(waits) == LONGEST_WAIT_S


def test_mornings_are_told_once_each() -> None:
    assert wanted(Told(), "sound", frozenset(), 1e9, DAY_S, night=3) == "morning"
    assert wanted(Told(night=3), "sound", frozenset(), 1e9, DAY_S, night=3) is None
    assert wanted(Told(night=3), "sound", frozenset(), 1e9, DAY_S) is None  # not wanted any more
    trouble = Told("attention", ("damage",), 1e9, night=3)
    assert wanted(trouble, "attention", DAMAGE, 1e9 + 1, DAY_S, night=4) == "morning"
    assert wanted(trouble, "attention", HELD, 1e9 + 1, DAY_S, night=4) == "attention"
    assert wanted(trouble, "sound", frozenset(), 1e9 + 1, DAY_S, night=4) == "well"


def test_trouble_that_could_not_be_told_is_told_to_be_over() -> None:
    """Or nobody would know whether anything can be told by now."""
    told = Told(failures=2, failed_at_s=1e9)
    assert wanted(told, "sound", frozenset(), 1e9 + 60, DAY_S) is None
    assert wanted(told, "sound", frozenset(), 1e9 + 3600, DAY_S) == "well"


@given(
    state=st.sampled_from(["attention", "failed"]), before=st.floats(0, 4e9), now=st.floats(0, 4e9),
    failures=st.integers(0, 10**6),
)  # fmt: skip
def test_rule_L_no_clock_silences_an_alert_for_long(state: str, before: float, now: float, failures: int) -> None:
    told = Told(state, ("damage",), before, 0, failures, before)
    again = [now + hours * 3600.0 for hours in range(31)]
    assert any(wanted(told, state, DAMAGE, at_s, DAY_S) == "attention" for at_s in again)
