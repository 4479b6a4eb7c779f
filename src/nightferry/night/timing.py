"""How long each phase of a run took."""

from __future__ import annotations

from nightferry.night.context import Clock, Progress


class PhaseTimes:
    """A ``Progress`` that passes everything on and notes when each phase began. Seconds, by the monotonic clock."""

    def __init__(self, progress: Progress, clock: Clock) -> None:
        self._progress = progress
        self._clock = clock
        self._seconds: dict[str, float] = {}
        self._name: str | None = None
        self._since_s = 0.0

    def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
        self._seconds = self.so_far()
        self._name, self._since_s = name, self._clock.monotonic_s()
        self._progress.phase(name, files, size_bytes)

    def advance(self, files: int = 0, size_bytes: int = 0) -> None:
        self._progress.advance(files, size_bytes)

    def note(self, event: str, **details: object) -> None:
        self._progress.note(event, **details)

    def so_far(self) -> dict[str, float]:
        """Seconds by phase; a phase entered twice has the sum."""
        seconds = dict(self._seconds)
        if self._name is not None:
            elapsed_s = self._clock.monotonic_s() - self._since_s
            seconds[self._name] = round(seconds.get(self._name, 0.0) + elapsed_s, 3)
        return seconds
