"""What happens in the middle of a night: at the n-th call of the program that changes a drive or the manifest."""

from __future__ import annotations

from collections.abc import Callable

from effects_faults import Call, CountingEffects, PowerCutEffects


class ActingEffects(CountingEffects):
    """Calls ``action`` once, ahead of the n-th call (from 1). ``happened``: whether the night got so far."""

    def __init__(self, n: int, action: Callable[[], object]) -> None:
        super().__init__()
        self._n, self._action = n, action
        self.happened = False

    def _perform(self, call: Callable[..., object], what: Call) -> object:
        if self.count >= self._n and not self.happened:
            self.happened = True
            self._action()
        return super()._perform(call, what)


class HonestCut(PowerCutEffects):
    """A power cut on a journal that keeps names in order, as ext4's: fsync(2) of anything makes earlier names durable.

    Else the next night finds less than was called durable, and takes the drive for one that lies.
    """

    def _perform(self, call: Callable[..., object], what: Call) -> object:
        result = super()._perform(call, what)
        if what.name == "fsync":
            self._undo.clear()
        return result
