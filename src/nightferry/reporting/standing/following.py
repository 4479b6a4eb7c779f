"""A run under way, as ``status --follow`` shows it: by the status file that the run itself keeps, and by its lock."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from nightferry.reporting.look import words
from nightferry.reporting.look.progress import left_of
from nightferry.reporting.standing.status import Reason, RunProgress, Status, judged, shown_moment, unix
from nightferry.units import format_count, format_duration, format_rate, format_size
from nightferry.volumes.lock import holder

# Who may not look at the lock goes by the status. A run writes it every 15 s while anything moves, and ends where a
# drive has not answered for ten minutes (io_limit).
_SILENT_S = 900.0
# Moments in the status are whole seconds: over a shorter time a rate would be made of rounding.
_RATE_OVER_S = 5.0


class Look(NamedTuple):
    """A pair at one moment. ``busy``: what is under way and holds its lock, in words; None: nothing is."""

    pair: str
    status: Status | None
    state: str
    reasons: tuple[Reason, ...]
    busy: str | None

    @property
    def run(self) -> RunProgress | None:
        """The night under way. One that was cut off is not: its last word stays in the status until the next begins."""
        return None if self.busy is None or self.status is None else self.status.run


def look(pair: str, folder: Path, now_s: float) -> Look:
    """How a pair stands now, and whether something is under way. Leaves everything as it is."""
    lock = folder / "lock"
    if os.access(lock, os.R_OK):
        busy = holder(lock)  # before the status: a run that ends in between has its last word read
        return Look(pair, *judged(pair, folder, now_s), busy)
    found = Look(pair, *judged(pair, folder, now_s), None)
    status = found.status
    if status is None or status.run is None or not -_SILENT_S < now_s - unix(status.written) < _SILENT_S:
        return found
    return found._replace(busy="a night")


class Pace:
    """How fast a phase goes, by what was seen of it."""

    def __init__(self) -> None:
        self._phase: tuple[int | None, str] | None = None
        self._first = self._last = (0.0, 0, 0)

    def see(self, found: Look) -> None:
        """Another look; the same one counts once."""
        run, status = found.run, found.status
        if run is None or status is None:
            self._phase = None
            return
        seen = (unix(status.written), run.files, run.bytes)
        if self._phase != (run.number, run.phase) or seen < self._last:
            self._phase, self._first = (run.number, run.phase), seen
        self._last = seen

    def rate_bytes_per_s(self) -> float | None:
        """None where too little was seen."""
        passed_s, _, size_bytes = self._passed()
        return size_bytes / passed_s if passed_s >= _RATE_OVER_S and size_bytes else None

    def left_s(self, run: RunProgress) -> float | None:
        """Time left of the phase; None where it cannot be told."""
        passed_s, files, size_bytes = self._passed()
        if passed_s < _RATE_OVER_S or not (run.files_total or run.bytes_total):
            return None
        left = ((run.files_total or run.files) - run.files, (run.bytes_total or run.bytes) - run.bytes)
        return left_of((files, size_bytes), (max(0, left[0]), max(0, left[1])), passed_s)

    def _passed(self) -> tuple[float, int, int]:
        first, last = self._first, self._last
        return last[0] - first[0], last[1] - first[1], last[2] - first[2]


def heading(found: Look) -> str:
    """Which pair, and what is under way there."""
    if found.busy is None:
        return f"{found.pair}: {found.state}"
    if found.run is None:
        return f"{found.pair}: {found.busy} is at work"
    return f"{found.pair}: {_night(found.run)} is under way"


def rows(found: Look, pace: Pace) -> Iterator[tuple[str, str]]:
    """The numbers, for a table."""
    run = found.run
    if run is None or found.status is None:
        return
    yield "began", shown_moment(run.started)
    yield "phase", run.phase
    if amount := _amount(run):
        yield "done", amount
    if told := _pace(run, pace):
        yield "pace", told
    yield "as of", _clock(found.status)


def line(found: Look, pace: Pace) -> str:
    """The same in one line, for a log."""
    run = found.run
    if run is None or found.status is None:
        return f"{words.zoned(time.time())}  {heading(found)}"
    parts = (_night(run), run.phase, _amount(run), _pace(run, pace))
    return f"{words.zoned(unix(found.status.written))}  {found.pair}: {', '.join(part for part in parts if part)}"


def share(run: RunProgress) -> float | None:
    """How much of the phase is done; None where its length is not known."""
    done, total = (run.bytes, run.bytes_total) if run.bytes_total else (run.files, run.files_total)
    return min(1.0, done / total) if total else None


def _night(run: RunProgress) -> str:
    return "a night" if run.number is None else f"night {run.number}"


def _amount(run: RunProgress) -> str:
    parts = []
    if run.bytes or run.bytes_total:
        of = f" of {format_size(run.bytes_total)}" if run.bytes_total else ""
        parts.append(f"{format_size(run.bytes)}{of}")
    if run.files or run.files_total:
        of = f" of {format_count(run.files_total)}" if run.files_total else ""
        # Copied files get their names in batches, so that their number stands still while their bytes grow.
        what = " in place" if run.phase == "copy" else ""
        parts.append(f"{format_count(run.files)}{of} {'file' if run.files == 1 and not of else 'files'}{what}")
    return ", ".join(parts)


def _pace(run: RunProgress, pace: Pace) -> str:
    parts = []
    if (rate := pace.rate_bytes_per_s()) is not None:
        parts.append(format_rate(rate))
    if (left_s := pace.left_s(run)) is not None:
        parts.append(f"{format_duration(left_s)} left of this phase")
    return ", ".join(parts)


def _clock(status: Status) -> str:
    return words.zoned(unix(status.written))
