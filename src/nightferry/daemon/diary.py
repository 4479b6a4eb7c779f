"""Which nights of a pair were begun, ended or missed: schedule.json in the pair's state folder.

What makes a night one night, also across a crash of the daemon or a clock that is set back. Written when a night begins
and when it ends, so that a quiet day writes nothing.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from nightferry.errors import WrongDrive
from nightferry.planning.schedule import Window

FILE_NAME = "schedule.json"
FORMAT = 1

BEGUN, ENDED, STOPPED, WAITING = "begun", "ended", "stopped", "waiting"
MISSED, GIVEN_UP = "missed", "given up"
_STATES = (BEGUN, ENDED, STOPPED, WAITING, MISSED, GIVEN_UP)

# A night whose process dies again and again is given up; the next one tries anew. Also how often a drive that comes and
# goes is tried within one night: one with a bad contact should not be worked all the harder for it.
MOST_ATTEMPTS = 3
# Of those missed, and of the others. More than the days of a year: a clock that goes a year wrong and comes back finds
# what was done.
_MOST_NIGHTS = 400
_LIMIT_BYTES = 1 << 20
_NO_DRIVE = WrongDrive.exit_code


@dataclass(frozen=True)
class Entry:
    """One night. ``end_s``: when its window closes. ``exit_code`` of the run, where it ended."""

    day: date
    state: str
    start_s: float
    end_s: float
    attempts: int = 0
    exit_code: int | None = None

    @property
    def window(self) -> Window:
        return Window(self.day, self.start_s, self.end_s)


class Diary:
    """The nights of one pair that the daemon had to do with.

    A file that cannot be read counts as none: then a night may be begun twice, which does no harm.
    """

    def __init__(self, folder: Path, now_s: float) -> None:
        self._folder = folder
        self._since_s = now_s
        self._session_s = now_s
        self._entries: dict[date, Entry] = {}
        self._read()

    def since_s(self, now_s: float) -> float:
        """Nights before this are nobody's: before the daemon's first start, or by a clock that was yet to be set."""
        if self._since_s <= now_s:
            return self._since_s
        self._session_s = min(self._session_s, now_s)
        return self._session_s

    @property
    def begun(self) -> set[date]:
        return {entry.day for entry in self._entries.values() if entry.state != MISSED}

    @property
    def told(self) -> set[date]:
        return {entry.day for entry in self._entries.values() if entry.state == MISSED}

    def last(self) -> Entry | None:
        """The night that was entered last."""
        return next(reversed(self._entries.values()), None)

    def of(self, day: date) -> Entry | None:
        return self._entries.get(day)

    def to_resume(self, now_s: float) -> Entry | None:
        """A night that was cut off, or had to wait, and whose window is still open."""
        for entry in self._open(now_s):
            if entry.state in (BEGUN, STOPPED, WAITING) and entry.attempts < MOST_ATTEMPTS:
                return entry
        return None

    def without_drive(self, now_s: float) -> Entry | None:
        """A night that ended since a drive was missing, and may be tried again while its window is open."""
        for entry in self._open(now_s):
            if entry.state == ENDED and entry.exit_code == _NO_DRIVE and entry.attempts < MOST_ATTEMPTS:
                return entry
        return None

    def to_give_up(self, now_s: float) -> Entry | None:
        """A night whose process died each time."""
        for entry in self._open(now_s):
            if entry.state == BEGUN and entry.attempts >= MOST_ATTEMPTS:
                return entry
        return None

    def _open(self, now_s: float) -> Iterator[Entry]:
        """Those whose window is open, entered last first."""
        for entry in reversed(self._entries.values()):
            # By a clock that was set back, a window may seem open that is yet to come.
            if entry.start_s - (entry.end_s - entry.start_s) <= now_s < entry.end_s:
                yield entry

    def waited_in_vain(self, now_s: float) -> tuple[Window, ...]:
        """Nights that had to wait until their window was over."""
        return tuple(
            entry.window for entry in self._entries.values() if entry.state == WAITING and now_s >= entry.end_s
        )

    def enter(self, window: Window, state: str, exit_code: int | None = None) -> None:
        """Enters what became of a night; durable when it returns. Raises ``OSError``."""
        before = self._entries.pop(window.day, None)
        attempts = 0 if before is None else before.attempts
        if state == BEGUN and exit_code is None:  # with one, it is the end of an attempt that is carried on with
            attempts += 1
        elif state in (STOPPED, WAITING):
            attempts = max(0, attempts - 1)  # it was not the night's fault
        entry = Entry(window.day, state, window.start_s, window.end_s, attempts, exit_code)
        self._entries[window.day] = entry
        self._trim()
        self._write()

    def enter_missed(self, windows: tuple[Window, ...]) -> None:
        """Several at once, newest first, as they were found. Raises ``OSError``."""
        for window in reversed(windows):
            before = self._entries.pop(window.day, None)
            entry = Entry(window.day, MISSED, window.start_s, window.end_s)
            self._entries[window.day] = entry if before is None else replace(before, state=MISSED)
        self._trim()
        self._write()

    def _trim(self) -> None:
        """Those missed apart from the others: a clock that goes years wrong misses more than a diary holds.

        What was done by the right one is asked for when it comes back.
        """
        for is_missed in (True, False):
            days = [day for day, entry in self._entries.items() if (entry.state == MISSED) == is_missed]
            for day in days[:-_MOST_NIGHTS]:
                del self._entries[day]

    def begin_keeping(self) -> None:
        """Writes down since when nights are the daemon's, once. Raises ``OSError``."""
        if not (self._folder / FILE_NAME).exists():
            self._write()

    def _read(self) -> None:
        try:
            fd = os.open(self._folder / FILE_NAME, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
            with os.fdopen(fd, "rb") as file:
                found = json.loads(file.read(_LIMIT_BYTES))
            if found["format"] != FORMAT:
                return
            since_s = float(found["since_s"])
            entries = [_entry(each) for each in found["nights"][-2 * _MOST_NIGHTS :]]
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return
        self._since_s = since_s
        self._entries = {entry.day: entry for entry in entries}

    def _write(self) -> None:
        nights = [{**asdict(entry), "day": entry.day.isoformat()} for entry in self._entries.values()]
        text = json.dumps({"format": FORMAT, "since_s": self._since_s, "nights": nights})
        self._folder.mkdir(parents=True, exist_ok=True, mode=0o755)
        temporary = self._folder / (FILE_NAME + ".new")
        flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC | os.O_NOFOLLOW
        with os.fdopen(os.open(temporary, flags, 0o644), "wb") as file:
            file.write(text.encode("ascii"))
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, self._folder / FILE_NAME)
        folder_fd = os.open(self._folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(folder_fd)
        finally:
            os.close(folder_fd)


def _entry(found: dict[str, Any]) -> Entry:
    if found["state"] not in _STATES:
        raise ValueError("no such state")
    code = found["exit_code"]
    return Entry(
        date.fromisoformat(found["day"]),
        found["state"],
        float(found["start_s"]),
        float(found["end_s"]),
        int(found["attempts"]),
        None if code is None else int(code),
    )
