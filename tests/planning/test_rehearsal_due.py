from __future__ import annotations

from nightferry.planning.rehearsal_due import TRIES, Last, is_due

DAY_S = 86_400.0
EVERY_S = 30 * DAY_S


def test_the_first_follows_the_first_complete_night() -> None:
    assert not is_due(None, None, 1, 0.0, EVERY_S)
    assert not is_due(None, None, 5, 0.0, EVERY_S)
    assert is_due(None, 1, 2, 0.0, EVERY_S)


def test_the_next_is_due_when_the_time_is_over() -> None:
    last = Last(100 * DAY_S, 2, 0)
    assert not is_due(last, 9, 10, 129.9 * DAY_S, EVERY_S)
    assert is_due(last, 9, 10, 130 * DAY_S, EVERY_S)


def test_rule_L_a_clock_that_went_back_does_not_put_it_off_for_ever() -> None:
    last = Last(100 * DAY_S, 2, 0)
    assert not is_due(last, 30, 31, 1 * DAY_S, EVERY_S)
    assert is_due(last, 31, 32, 1 * DAY_S, EVERY_S)


def test_what_was_in_vain_is_tried_again_and_not_for_ever() -> None:
    now_s = 101 * DAY_S
    for in_vain in range(1, TRIES):
        assert is_due(Last(100 * DAY_S, 7, in_vain), 7, 8, now_s, EVERY_S)
        assert not is_due(Last(100 * DAY_S, 8, in_vain), 7, 8, now_s, EVERY_S)
    assert not is_due(Last(100 * DAY_S, 7, TRIES), 7, 8, now_s, EVERY_S)
