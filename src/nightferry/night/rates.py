"""How fast the drives really were, phase by phase: bytes moved, and seconds truly spent on them.

Copying reads the primary while it writes the secondary, barriers included; reading back and verifying read one drive
each. Where the files of a batch are large, its rate is that of the drives; where they are small, each file costs time
of its own. So both are kept apart, batch by batch.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

# From this average size on, the bytes of a file count and not its name. Our own choice.
LARGE_BYTES = 4 << 20


class Moved(NamedTuple):
    files: int
    size_bytes: int
    seconds: float


_NOTHING = Moved(0, 0, 0.0)


class RateMeter:
    """Sums of one night. ``monotonic_s``: the clock."""

    def __init__(self, monotonic_s: Callable[[], float]) -> None:
        self._monotonic_s = monotonic_s
        self._since_s = monotonic_s()
        self._sums: dict[str, Moved] = {}

    def begin(self) -> None:
        """What is done from now on counts for the next ``add``."""
        self._since_s = self._monotonic_s()

    def add(self, phase: str, files: int, size_bytes: int) -> None:
        """So much was moved since ``begin`` or the last ``add``."""
        now_s = self._monotonic_s()
        seconds, self._since_s = now_s - self._since_s, now_s
        if files:
            kind = phase if size_bytes >= files * LARGE_BYTES else f"{phase}_small"
            then = self._sums.get(kind, _NOTHING)
            self._sums[kind] = Moved(then.files + files, then.size_bytes + size_bytes, then.seconds + seconds)

    def summary(self) -> dict[str, dict[str, float]]:
        """For the run's summary."""
        return {
            kind: {"files": each.files, "bytes": each.size_bytes, "s": round(each.seconds, 3)}
            for kind, each in self._sums.items()
        }
