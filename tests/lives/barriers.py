"""A night that is killed at one of its barriers.

A SIGKILL takes nothing away that a call has done. The points are: ahead of a sync or a commit, where something was done
since the last point; and behind a commit, ahead of the next call.
"""

from __future__ import annotations

import os
from collections.abc import Callable

from effects_faults import KILLED, Call, CountingEffects

_SYNCS = ("fsync", "syncfs")


class BarrierEffects(CountingEffects):
    """The process ends at the n-th point (from 1); with 0 it goes on. ``points``: how many were met."""

    def __init__(self, n: int = 0) -> None:
        super().__init__()
        self._n = n
        self._is_new = self._committed = False
        self.points = 0

    def _perform(self, call: Callable[..., object], what: Call) -> object:
        is_commit = what.name == "commit"
        if self._is_new and (is_commit or what.name in _SYNCS or self._committed):
            self._is_new = False
            self.points += 1
            if self.points == self._n:
                os._exit(KILLED)
        done = super()._perform(call, what)
        if what.name not in _SYNCS:
            self._is_new, self._committed = True, is_commit
        return done
