"""Notices that somebody set the clock: the wall clock against the one that only counts."""

from __future__ import annotations

import time
from collections.abc import Callable

# Slewing and a busy machine stay below it.
_TOLERANCE_S = 30.0


def _since_boot_s() -> float:
    return time.clock_gettime(time.CLOCK_BOOTTIME)  # counts on while the machine sleeps


class ClockWatch:
    """Tells by how much the clock was set since the last look."""

    def __init__(
        self, now_s: Callable[[], float] = time.time, since_boot_s: Callable[[], float] = _since_boot_s
    ) -> None:
        self._now_s, self._since_boot_s = now_s, since_boot_s
        self._offset_s = now_s() - since_boot_s()

    def look(self) -> float | None:
        """Seconds by which the clock went forward, or back (negative); None where nobody set it."""
        offset_s = self._now_s() - self._since_boot_s()
        moved_s = offset_s - self._offset_s
        if abs(moved_s) < _TOLERANCE_S:
            return None  # what it is slewed by adds up until it is noticed
        self._offset_s = offset_s
        return moved_s
