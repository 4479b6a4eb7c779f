"""Until when versions are kept, against the rule by which they go."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from nightferry.planning.keeping import kept_until
from nightferry.planning.retention import Candidate, Retention, to_expire

DAY_S = 86_400.0


@given(keep_days=st.integers(1, 60), floor_days=st.integers(0, 60), gap_days=st.integers(1, 3))
def test_one_night_a_day_ends_it_when_it_was_said(keep_days: int, floor_days: int, gap_days: int) -> None:
    """Nights are simulated; ``gap_days``: the box runs every so many days only, and then it takes longer."""
    floor_days = min(floor_days, keep_days)
    kept = kept_until(0.0, 0.0, 0, keep_s=keep_days * DAY_S, floor_s=floor_days * DAY_S)
    assert (kept.nights, kept.at_least_until_s) == (keep_days, floor_days * DAY_S)
    retention = Retention(keep_days * DAY_S, floor_days * DAY_S, True)
    gone_s, nights, now_s = None, 0, 0.0
    while gone_s is None:
        now_s += gap_days * DAY_S
        if list(to_expire([Candidate(b"1/kyrie.wav", 1, now_s, nights)], retention, 0)):
            gone_s = now_s
        nights += 1
    assert gone_s >= kept.until_s
    if gap_days == 1:
        assert gone_s <= kept.until_s + DAY_S


def test_nights_that_are_missing_make_it_later() -> None:
    said = [
        kept_until(100 * DAY_S, 100 * DAY_S, done, keep_s=30 * DAY_S, floor_s=7 * DAY_S).until_s / DAY_S
        for done in (0, 10, 30, 40)
    ]
    assert said == [130, 120, 100, 100]
