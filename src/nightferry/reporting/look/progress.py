"""Who watches a run: a live bar on a terminal, lines of a log elsewhere, and the status file in both.

Nothing here may end a night: a stream or a disk that takes no more is given up on, and the night goes on.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TextIO

from nightferry.night.context import Progress
from nightferry.reporting.look.logs import Logger
from nightferry.reporting.standing import status
from nightferry.units import format_count, format_duration, format_rate, format_size

# The status is replaced at most this often within a phase; later in a long night less so: a system
# disk is often a small flash card that wears out.
STATUS_EVERY_S = 2.0
STATUS_LATER_EVERY_S = 15.0
_LATER_AFTER_S = 120.0
# A log is read later, by somebody who wants to know where the time went.
LOG_EVERY_S = 60.0
# Names that one run may put into the log; the manifest has them all.
LOG_NAMES_LIMIT = 1_000

# What opening, naming and closing a file takes, as the bytes that a disk reads in that time: some milliseconds.
_FILE_COSTS_BYTES = 512 << 10

# What a phase counts, where that is not files.
_COUNTED = {"names on the secondary": ("folder", "folders")}

_NARROW_COLUMNS = 100
_LONGEST_PHASE_COLUMNS = len("folders and moves") + 4  # with the spinner and the space between


class Count:
    """What a phase has done so far."""

    def __init__(self) -> None:
        self.phase = ""
        self.files = self.size_bytes = 0
        self.files_total: int | None = None
        self.bytes_total: int | None = None
        self.since_s = time.monotonic()

    def begin(self, phase: str, files: int | None, size_bytes: int | None) -> None:
        self.phase, self.files_total, self.bytes_total = phase, files, size_bytes
        self.files = self.size_bytes = 0
        self.since_s = time.monotonic()

    def advance(self, files: int, size_bytes: int) -> None:
        self.files += files
        self.size_bytes += size_bytes

    def elapsed_s(self) -> float:
        return time.monotonic() - self.since_s

    def left_s(self) -> float | None:
        """Time left at the pace so far; None where it cannot be told."""
        files, size_bytes = (self.files_total or 0), (self.bytes_total or 0)
        if not (files or size_bytes) or self.elapsed_s() < 1:
            return None
        return left_of(
            (self.files, self.size_bytes), (files - self.files, size_bytes - self.size_bytes), self.elapsed_s()
        )


def left_of(done: tuple[int, int], left: tuple[int, int], passed_s: float) -> float | None:
    """Time left at a pace; None where it cannot be told.

    Args:
        done: files, and bytes of content, within ``passed_s`` seconds.
        left: those to come.
    """
    done_cost, left_cost = (files * _FILE_COSTS_BYTES + size_bytes for files, size_bytes in (done, left))
    return passed_s * left_cost / done_cost if done_cost > 0 and left_cost >= 0 else None


class Watchers:
    """Several that watch; each is told all."""

    def __init__(self, *watchers: Progress) -> None:
        self._watchers = watchers

    def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
        for each in self._watchers:
            each.phase(name, files, size_bytes)

    def advance(self, files: int = 0, size_bytes: int = 0) -> None:
        for each in self._watchers:
            each.advance(files, size_bytes)

    def note(self, event: str, **details: object) -> None:
        for each in self._watchers:
            each.note(event, **details)


class StatusFile:
    """Keeps status.json up to date while a run goes on. It begins to write once the run has the pair's lock."""

    def __init__(self, folder: Path, pair: str, valid_until_s: float, now_s: Callable[[], float] = time.time) -> None:
        self._folder, self._pair, self._valid_until_s, self._now_s = folder, pair, valid_until_s, now_s
        self._count = Count()
        self._number: int | None = None
        self._before: status.Status | None = None
        self._started_s = now_s()
        self._written_s = 0.0
        self._began_s = time.monotonic()

    def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
        self._count.begin(name, files, size_bytes)
        if self._number is not None:
            self._write()

    def advance(self, files: int = 0, size_bytes: int = 0) -> None:
        self._count.advance(files, size_bytes)
        if self._number is None:
            return
        now_s = time.monotonic()
        every_s = STATUS_EVERY_S if now_s - self._began_s < _LATER_AFTER_S else STATUS_LATER_EVERY_S
        if now_s - self._written_s >= every_s:
            self._write()

    def note(self, event: str, **details: object) -> None:
        number = details.get("number")
        if event == "started" and isinstance(number, int):
            self._number = number
            with suppress(OSError, ValueError):
                self._before = status.read(self._folder)
            self._write(durable=True)

    def _write(self, *, durable: bool = False) -> None:
        self._written_s = time.monotonic()
        count = self._count
        run = status.RunProgress(
            number=self._number,
            phase=count.phase,
            files=count.files,
            bytes=count.size_bytes,
            files_total=count.files_total,
            bytes_total=count.bytes_total,
            started=status.moment(self._started_s),
        )
        # A full disk is reported when the run ends and its status cannot be written either.
        with suppress(OSError):
            status.write(
                self._folder,
                status.while_running(self._before, self._pair, run, self._now_s(), self._valid_until_s),
                durable=durable,
            )


class Log:
    """Lines on stderr (logs.py): ``key=value``, one a line, no colours; JSON for the journal."""

    def __init__(self, pair: str, stream: TextIO | None = None) -> None:
        self._logger = Logger(stream or sys.stderr, pair=pair)
        self._count = Count()
        self._told_s = time.monotonic()
        self._names = 0
        self._run: object = None  # its number, once it has one

    def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
        self._count.begin(name, files, size_bytes)
        self._told_s = time.monotonic()
        self._tell("phase", phase=name, files_total=files, bytes_total=size_bytes)

    def advance(self, files: int = 0, size_bytes: int = 0) -> None:
        self._count.advance(files, size_bytes)
        if time.monotonic() - self._told_s >= LOG_EVERY_S:
            self._told_s = time.monotonic()
            count, left_s = self._count, self._count.left_s()
            self._tell(
                "progress",
                phase=count.phase,
                files=count.files,
                files_total=count.files_total,
                bytes=count.size_bytes,
                bytes_total=count.bytes_total,
                bytes_per_s=round(count.size_bytes / max(count.elapsed_s(), 0.001)),
                left_s=None if left_s is None else round(left_s),
            )

    def note(self, event: str, **details: object) -> None:
        if event == "started":
            self._run = details.pop("number", None)
        if "path" in details:
            self._names += 1
            if self._names > LOG_NAMES_LIMIT:
                if self._names == LOG_NAMES_LIMIT + 1:
                    self._tell("more names are not listed here", limit=LOG_NAMES_LIMIT)
                return
        self._tell(event, **details)

    def _tell(self, event: str, **details: object) -> None:
        self._logger.info(event, run=self._run, **details)


class Bar:
    """A live line for each phase, on a terminal. Used in a ``with`` block."""

    def __init__(self, pair: str, stream: TextIO | None = None) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, SpinnerColumn, TextColumn
        from rich.progress import Progress as Bars

        class Quiet(Console):
            def on_broken_pipe(self) -> None:
                self.quiet = True  # rich would end the program, and with it the night

        console = Quiet(file=stream or sys.stderr, markup=False, emoji=False, highlight=False)
        self._narrow = console.width < _NARROW_COLUMNS
        self._said_columns = console.width - _LONGEST_PHASE_COLUMNS
        self._pair = pair
        self._bars = Bars(
            SpinnerColumn(finished_text="·"),
            TextColumn("{task.description}", markup=False),
            *(() if self._narrow else (BarColumn(bar_width=30),)),
            TextColumn("{task.fields[said]}", markup=False),
            console=console,
            refresh_per_second=4,
        )
        self._task: Any = None
        self._count = Count()
        self._told_s = 0.0

    def __enter__(self) -> Self:
        with suppress(OSError, ValueError):
            self._bars.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._finish()
        with suppress(OSError, ValueError):
            self._bars.stop()

    def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
        if not self._is_only_named_again(name):
            self._finish()
        self._count.begin(name, files, size_bytes)
        total = size_bytes or files
        self._told_s = 0.0
        with suppress(OSError, ValueError):  # a terminal that was closed
            self._task = self._bars.add_task(name, total=total or None, said="")

    def _is_only_named_again(self, name: str) -> bool:
        """A phase that said its name before it knew how much there is: one line is enough."""
        count = self._count
        if self._task is None or count.phase != name or count.files or count.size_bytes:
            return False
        with suppress(OSError, ValueError):
            self._bars.remove_task(self._task)
        self._task = None
        return True

    def advance(self, files: int = 0, size_bytes: int = 0) -> None:
        self._count.advance(files, size_bytes)
        now_s = time.monotonic()
        if self._task is not None and now_s - self._told_s >= 0.2:
            self._told_s = now_s
            done = self._count.size_bytes if self._count.bytes_total else self._count.files
            self._bars.update(self._task, completed=done, said=self._said())

    def note(self, event: str, **details: object) -> None:
        pass  # the summary says it

    def _finish(self) -> None:
        if self._task is None:
            return
        task, self._task = self._task, None
        with suppress(OSError, ValueError):
            self._bars.update(task, total=1, completed=1, said=self._said(finished=True))
            self._bars.stop_task(task)

    def _said(self, *, finished: bool = False) -> str:
        count, elapsed_s = self._count, self._count.elapsed_s()
        parts = []
        if count.files or count.files_total:
            of = f" of {format_count(count.files_total)}" if count.files_total and not self._narrow else ""
            one, many = _COUNTED.get(count.phase, ("file", "files"))
            what = one if count.files == 1 and not of else many
            parts.append(f"{format_count(count.files)}{of} {what}")
        if count.size_bytes or (count.bytes_total and not finished):
            of = f" of {format_size(count.bytes_total)}" if count.bytes_total and not self._narrow else ""
            parts.append(f"{format_size(count.size_bytes)}{of}")
            if elapsed_s > 0.5:
                parts.append(format_rate(count.size_bytes / elapsed_s))
        if finished:
            parts.append(format_duration(elapsed_s))
        elif (left_s := count.left_s()) is not None:
            parts.append(f"{format_duration(left_s)} left")
        said = "  ".join(parts)
        if len(said) > self._said_columns and len(parts) == 4:
            del parts[2]  # the rate is what a narrow terminal can do without: the time left says it too
            said = "  ".join(parts)
        return said
