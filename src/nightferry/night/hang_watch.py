"""What the kernel says of a process and the drives it works on: whether one of them no longer answers (hang.py)."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from nightferry.errors import NightferryError
from nightferry.volumes.mounts import read_mounts

# A drive that still finishes requests, for this process or another: many times the limit, since it may only be slow.
PATIENCE = 10


class Place(NamedTuple):
    """A drive that the work is about, as a person knows it, and the block device below it where there is one."""

    role: str
    path: Path
    device: tuple[int, int] | None = None


class Found(NamedTuple):
    """A drive that does not answer; ``place`` None where it cannot be told which."""

    place: Place | None


@dataclass
class _Since:
    """A mark, and since when it has not moved."""

    mark: object
    since_s: float

    def stood_s(self, mark: object, now_s: float) -> float:
        if mark != self.mark:
            self.mark, self.since_s = mark, now_s
        return now_s - self.since_s


class Watch:
    """Looks at one process and the drives it works on. ``places`` may be set anew once more is known of them."""

    def __init__(self, pid: int, places: Sequence[Place], limit_s: float, every_s: float) -> None:
        self.places = list(places)
        self._pid, self._limit_s, self._every_s = pid, limit_s, every_s
        self._threads: dict[Path, _Since] = {}
        self._waiting: dict[tuple[int, int], _Since] = {}
        self._finished: _Since | None = None
        self._looked_s: float | None = None

    def look(self, now_s: float) -> Found | None:
        """What does not answer by now; to be called every ``every_s``, with a monotonic time."""
        if self._looked_s is not None and now_s - self._looked_s > 5 * self._every_s + 1.0:
            # This process did not run itself: stopped, or the box was busy or asleep. What stood is not known.
            self._threads.clear()
            self._waiting.clear()
            self._finished = None
        self._looked_s = now_s
        return self._look_at_drives(now_s) or self._look_at_threads(now_s)

    def _look_at_drives(self, now_s: float) -> Found | None:
        counts = {}
        found = None
        for place in self.places:
            if place.device is None or (count := _requests(place.device)) is None:
                continue
            finished, in_flight = counts[place.device] = count
            since = self._waiting.setdefault(place.device, _Since(None, now_s))
            mark = (finished, in_flight > 0) if in_flight else None
            if since.stood_s(mark, now_s) >= self._limit_s and in_flight:
                found = Found(place)
        finished_all = tuple(sorted((device, finished) for device, (finished, _) in counts.items()))
        if self._finished is None:
            self._finished = _Since(finished_all, now_s)
        self._finished.stood_s(finished_all, now_s)
        return found

    def _look_at_threads(self, now_s: float) -> Found | None:
        assert self._finished is not None
        idle_s = now_s - self._finished.since_s
        threads = _threads(self._pid)
        for gone in self._threads.keys() - threads.keys():
            del self._threads[gone]
        for thread, mark in threads.items():
            stood_s = self._threads.setdefault(thread, _Since(mark, now_s)).stood_s(mark, now_s)
            if mark is not None and stood_s >= self._limit_s * (1 if idle_s >= self._limit_s else PATIENCE):
                return Found(_place_of(thread, self.places))
        return None


def _requests(device: tuple[int, int]) -> tuple[int, int] | None:
    """Requests that a block device has finished, and those in flight (Documentation/block/stat.rst)."""
    try:
        fields = [int(field) for field in Path("/sys/dev/block/{}:{}/stat".format(*device)).read_text().split()]
    except (OSError, ValueError):
        return None
    finished = sum(fields[at] for at in (0, 4, 11, 15) if at < len(fields))  # reads, writes, discards, flushes
    return (finished, fields[8]) if len(fields) > 8 else None


def _threads(pid: int) -> dict[Path, tuple[str, ...] | None]:
    """For each thread of a process and of its descendants, what moves when it runs; None for one that cannot run.

    That is one that was stopped (SIGSTOP, a debugger), or is over and not yet asked for.
    """
    found: dict[Path, tuple[str, ...] | None] = {}
    for process in (pid, *descendants(pid)):
        with suppress(OSError):
            for folder in Path(f"/proc/{process}/task").iterdir():
                with suppress(OSError, IndexError):
                    lines = folder.joinpath("status").read_text().splitlines()
                    switches = tuple(line for line in lines if "ctxt_switches" in line)
                    fields = _fields(folder)
                    # user time, system time
                    found[folder] = None if fields[0] in "TtZX" else (*switches, fields[11], fields[12])
    return found


def descendants(pid: int) -> list[int]:
    """The processes that a process made, and those that they made; without those whose maker is gone."""
    found: list[int] = []
    for process in (pids := [pid]):
        below = _children(process)
        found += below
        pids += below
    return found


def _children(pid: int) -> list[int]:
    try:
        lists = [folder.joinpath("children").read_text() for folder in Path(f"/proc/{pid}/task").iterdir()]
        return [int(child) for each in lists for child in each.split()]
    except FileNotFoundError:  # a kernel without CONFIG_PROC_CHILDREN, or the process is gone
        return [int(name) for name in os.listdir("/proc") if name.isdigit() and _parent_of(name) == str(pid)]
    except OSError:
        return []


def _parent_of(process: str) -> str | None:
    try:
        return _fields(Path("/proc", process))[1]
    except (OSError, IndexError):  # it is gone by now
        return None


def is_over(pid: int) -> bool:
    """Whether a process is gone, or only waits for somebody to take note of its end."""
    try:
        return _fields(Path(f"/proc/{pid}"))[0] in "ZX"
    except (OSError, IndexError):
        return True


def _fields(folder: Path) -> list[str]:
    """Of a process or a thread: its state, its parent, and the numbers that follow (proc_pid_stat(5)).

    The name in the second field may hold anything, so what counts begins behind its bracket. Raises ``OSError``.
    """
    return folder.joinpath("stat").read_text().rpartition(")")[2].split()


def _place_of(thread: Path, places: Sequence[Place]) -> Place | None:
    """The drive of the open file that a thread's call is about; None where that cannot be told."""
    try:
        # "number argument …": the first argument of most calls on files is a descriptor
        fd = int(thread.joinpath("syscall").read_text().split()[1], 16)
        info = thread.joinpath(f"fdinfo/{fd}").read_text()
        mount_id = next(int(line.split()[1]) for line in info.splitlines() if line.startswith("mnt_id:"))
        # Its own mounts: a night that is confined has others than this process.
        mounts = {each.mount_id: each.mount_point for each in read_mounts(thread / "mountinfo")}
    except (OSError, ValueError, IndexError, StopIteration, NightferryError):
        return None
    if mount_id not in mounts:  # the private view of the primary is listed nowhere
        return next((place for place in places if place.role == "primary"), None)
    point = mounts[mount_id]
    return next((place for place in places if os.fsencode(place.path) == point), None)
