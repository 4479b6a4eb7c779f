"""The time of a life: true time, which only the world moves, and the clock of the box, which may be wrong.

Within one call of the program it goes on with real time, and jumps over what the program would sleep, so that a life of
months takes seconds. Nights begin at whole seconds, so that the names below ``retired/`` are the same in each replay.
"""

from __future__ import annotations

import time

from nightferry.night.context import Clock

BEGIN_S = 1_798_767_000.0  # 2027-01-01, early in the night


class LifeClock(Clock):
    """``true_s``: true time. ``error_s``: how far the clock of the box is ahead of it."""

    def __init__(self) -> None:
        self.true_s = BEGIN_S
        self.error_s = 0.0
        self._since_s = time.monotonic()
        self._slept_s = 0.0

    def begin(self, later_s: float) -> None:
        """A call of the program begins so much later."""
        self.true_s += later_s
        self._since_s, self._slept_s = time.monotonic(), 0.0

    def now_s(self) -> float:
        return self.true_s + self.error_s + time.monotonic() - self._since_s + self._slept_s

    def monotonic_s(self) -> float:
        return time.monotonic() + self._slept_s

    def sleep(self, seconds: float) -> None:
        self._slept_s += seconds
