"""How long each phase of a run took."""

from __future__ import annotations

from time import monotonic

from nightferry.night.context import Clock, Progress

_TELL_EVERY_S = 0.05


class PhaseTimes:
    """A ``Progress`` that passes everything on and notes when each phase began. Seconds, by the monotonic clock."""

    def __init__(self, progress: Progress, clock: Clock) -> None:
        self._progress = progress
        self._clock = clock
        self._seconds: dict[str, float] = {}
        self._name: str | None = None
        self._since_s = 0.0
        self._untold_files = self._untold_bytes = 0
        self._told_s = 0.0

    def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
        self._tell()
        self._seconds = self.so_far()
        self._name, self._since_s = name, self._clock.monotonic_s()
        self._told_s = 0.0
        self._progress.phase(name, files, size_bytes)

    def advance(self, files: int = 0, size_bytes: int = 0) -> None:
        """Passed on some times a second: those who watch take longer for it than a small file does."""
        self._untold_files += files
        self._untold_bytes += size_bytes
        if monotonic() - self._told_s >= _TELL_EVERY_S:
            self._tell()

    def _tell(self) -> None:
        if self._untold_files or self._untold_bytes:
            files, size_bytes = self._untold_files, self._untold_bytes
            self._untold_files = self._untold_bytes = 0
            self._progress.advance(files, size_bytes)
            self._told_s = monotonic()

    def note(self, event: str, **details: object) -> None:
        self._tell()
        self._progress.note(event, **details)

    def so_far(self) -> dict[str, float]:
        """Seconds by phase; a phase entered twice has the sum."""
        seconds = dict(self._seconds)
        if self._name is not None:
            elapsed_s = self._clock.monotonic_s() - self._since_s
            seconds[self._name] = round(seconds.get(self._name, 0.0) + elapsed_s, 3)
        return seconds
