"""When a wall clock next shows a time.

Clock times are those of the machine's own zone or of another, read as a wall clock shows them: on the days on
which the clock is changed a window is an hour longer or shorter. A time that such a day does not
have is taken as mktime(3) takes it (PEP 495), one that it has twice is the first of the two.
"""

from __future__ import annotations

from datetime import datetime, time, timedelta, tzinfo

# What a night may take beyond its window, to stop and to seal, before its status counts as missing.
GRACE_S = 3600.0


def next_moment(now_s: float, at: time, zone: tzinfo | None = None) -> float:
    """The next Unix time after ``now_s`` at which the wall clock shows ``at``; ``zone`` None: this machine's."""
    today = datetime.fromtimestamp(now_s, zone).date()
    for days in range(-1, 3):
        found_s = datetime.combine(today + timedelta(days=days), at, zone).timestamp()
        if found_s > now_s:
            return found_s
    raise AssertionError("two days hold every time of day")
