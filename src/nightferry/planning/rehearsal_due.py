"""When the next restore test is due."""

from __future__ import annotations

import math
from typing import NamedTuple

_DAY_S = 86_400.0

# A test for which the window had no time, or that found something wrong, is made again the next night, which has mended
# what it can, so often; after that it counts, with what it could show, until the next one is due.
TRIES = 3


class Last(NamedTuple):
    """The newest rehearsals. ``in_vain``: how many in a row, up to the newest, ran out of time or found something."""

    ended_s: float
    run: int
    in_vain: int


def is_due(last: Last | None, last_complete_run: int | None, run: int, now_s: float, every_s: float) -> bool:
    """Whether the night with the number ``run`` is to rehearse.

    The first time after a complete night: before that there is nothing whole to restore. Then when the time is over by
    the clock, or so many nights have passed, one of which is right also where the clock is not.
    """
    if last is None:
        return last_complete_run is not None and last_complete_run < run
    if 0 < last.in_vain < TRIES:
        return run > last.run
    return now_s - last.ended_s >= every_s or run - last.run >= math.ceil(every_s / _DAY_S)
