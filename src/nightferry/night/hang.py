"""A drive that never answers: the command that works on it ends all the same.

A call to the kernel that waits for a drive cannot be taken back. Where the wait is uninterruptible (a direct read of a
drive whose cable has gone loose; FUSE, once its program has taken the request), not even SIGKILL ends the process
before the drive answers, and whoever waits for that process, or for the end of its output, waits with it. So the work
is done in a process of its own, and the one that was started looks on: it touches no drive, hands on what the other
says, and can tell what happened and end.

What it looks at costs the work nothing:

- the kernel's count of requests that a drive has in flight and has finished (/sys/dev/block/…/stat): some in flight and
  none finished for the limit is a drive that does not answer;
- how often each thread of the work has run (/proc/…/task/…/status and stat): one that has not run for the limit sits in
  one call. For file systems without a block device of their own (FUSE, a network), this is all there is to see. A slow
  drive that still finishes requests is given ``PATIENCE`` times the limit.

That works because no thread of a night sleeps longer than ``LONGEST_SLEEP_S`` at a time, other than in a call to the
kernel about a file. Who adds a thread keeps to it.
"""

from __future__ import annotations

import io
import os
import pickle
import select
import signal
import stat
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

from nightferry.errors import Failed, HungDrive, NightferryError
from nightferry.night.parent import die_with_parent
from nightferry.units import format_duration, show_text
from nightferry.volumes.mounts import mount_of, read_mounts

LONGEST_SLEEP_S = 2.0  # less than the shortest io_limit
# A drive that still finishes requests, for this process or another: many times the limit, since it may only be slow.
PATIENCE = 10
# What SIGKILL takes where the wait lets it: an instant. Longer, and the process is stuck in the kernel.
_DEATH_LIMIT_S = 5.0
_SAMPLES = 20  # looks taken within the limit
_LOOK_S = (0.05, 5.0)  # the shortest and the longest time between two
_ANSWER_S = 0.2  # between two looks at whether somebody asked to stop
_LIMIT_BYTES = 256 << 20  # of a result

_T = TypeVar("_T")


class Place(NamedTuple):
    """A drive that the work is about, as a person knows it, and the block device below it where there is one."""

    role: str
    path: Path
    device: tuple[int, int] | None = None


def supervised(
    action: Callable[[], _T], places: Sequence[tuple[str, Path]], limit_s: float, should_stop: Callable[[], bool]
) -> _T:
    """Does something that may touch drives in a process of its own; returns what it returns.

    Args:
        action: called in a child of this process. What it returns or raises has to be picklable.
        places: role and path of each drive, the primary first.
        limit_s: how long a drive may leave a request unanswered.
        should_stop: asked now and then; once it says so, the child is sent SIGTERM.

    Raises:
        HungDrive: a drive did not answer within the limit. The child was killed; ``is_stuck`` where it did not die.
        Failed: the child ended without an answer, as when somebody killed it.
        NightferryError: what ``action`` raised.
    """
    reader, writer = os.pipe()
    parent = os.getpid()
    child = os.fork()
    if child == 0:
        os.close(reader)
        _work(action, places, writer, parent)
    os.close(writer)
    try:
        answer: _T = _attend(_Pipe(reader), child, places, limit_s, should_stop)
        return answer
    except BaseException:
        _end(child)
        raise
    finally:
        os.close(reader)


# --- the child


def _work(action: Callable[[], Any], places: Sequence[tuple[str, Path]], writer: int, parent: int) -> None:
    """Does it and ends the process."""
    code = 1
    try:
        die_with_parent(parent)
        _let_go_of_output(writer)
        _send(writer, "places", [Place(role, path, _device(path)) for role, path in places])
        try:
            _send(writer, "done", action())
        except Exception as error:  # handed to the parent, which says it
            _send(writer, "raised", error if isinstance(error, NightferryError) else Failed(_unexpected(error)))
        code = 0
    finally:
        os._exit(code)  # nothing of the parent's is cleaned up twice


class _Said(io.TextIOBase):
    """What goes to stderr, handed to the parent."""

    encoding = "utf-8"

    def __init__(self, writer: int) -> None:
        self._writer = writer
        self._one_at_a_time = threading.Lock()

    def writable(self) -> bool:
        return True

    def write(self, text: str, /) -> int:
        with self._one_at_a_time:
            _send(self._writer, "said", text)
        return len(text)


def _let_go_of_output(writer: int) -> None:
    """Keeps none of the parent's pipes and files open: who reads them waits for their end. A terminal has none."""
    if not sys.stderr.isatty():
        sys.stderr = _Said(writer)
    nowhere = os.open(os.devnull, os.O_RDWR)
    for fd in (0, 1, 2):
        if not os.isatty(fd):
            os.dup2(nowhere, fd)
    os.close(nowhere)


def _unexpected(error: Exception) -> str:
    return f"this is a fault in nightferry itself, please report it: {type(error).__name__}: {show_text(str(error))}"


def _send(writer: int, kind: str, what: object) -> None:
    message = pickle.dumps((kind, what))
    view = memoryview(len(message).to_bytes(8, "little") + message)
    while view:
        view = view[os.write(writer, view) :]


def _device(path: Path) -> tuple[int, int] | None:
    """The block device below a path. Asked in the child: looking at a drive is what may never come back."""
    try:
        mount = mount_of(path)
        with suppress(OSError, ValueError):
            found = os.stat(mount.source)
            if stat.S_ISBLK(found.st_mode):
                return os.major(found.st_rdev), os.minor(found.st_rdev)
    except NightferryError:
        return None
    return mount.device if mount.device[0] else None


# --- the parent


class _Pipe:
    """Messages of the child, put together."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self._held = bytearray()
        self.is_over = False

    def wait(self, seconds: float) -> list[tuple[str, Any]]:
        """Those that came whole within the time."""
        ready, _, _ = select.select([self._fd], [], [], seconds)
        if ready:
            piece = os.read(self._fd, 1 << 20)
            self.is_over = not piece
            self._held += piece
        messages = []
        while len(self._held) >= 8:
            size = int.from_bytes(self._held[:8], "little")
            if size > _LIMIT_BYTES:
                raise Failed("the process that does the work sent more than it should: please report it")
            if len(self._held) < 8 + size:
                break
            messages.append(pickle.loads(bytes(self._held[8 : 8 + size])))  # from our own child
            del self._held[: 8 + size]
        return messages


def _attend(
    pipe: _Pipe, child: int, places: Sequence[tuple[str, Path]], limit_s: float, should_stop: Callable[[], bool]
) -> Any:
    shortest_s, longest_s = _LOOK_S
    every_s = min(longest_s, max(shortest_s, limit_s / _SAMPLES))
    watch = Watch(child, [Place(*each) for each in places], limit_s, every_s)
    was_told = False
    next_look_s = time.monotonic()
    while True:
        for kind, what in pipe.wait(min(_ANSWER_S, every_s)):
            if kind == "places":
                watch.places = what
            elif kind == "said":
                with suppress(OSError, ValueError):  # nobody is listening
                    sys.stderr.write(what)
                    sys.stderr.flush()
            else:
                os.waitpid(child, 0)
                if kind == "raised":
                    raise what
                return what
        if pipe.is_over:
            _, status = os.waitpid(child, 0)
            raise Failed(_ended(status))
        if should_stop() and not was_told:
            was_told = True
            os.kill(child, signal.SIGTERM)
        now_s = time.monotonic()
        if now_s >= next_look_s:
            next_look_s = now_s + every_s
            found = watch.look(now_s)
            if found is not None:
                died = _end(child)
                raise HungDrive(_told(found, watch.places, limit_s, child, died=died), not died)


def _end(child: int) -> bool:
    """Kills the child; False where it did not die, being stuck in the kernel."""
    with suppress(ProcessLookupError):
        os.kill(child, signal.SIGKILL)
    until_s = time.monotonic() + _DEATH_LIMIT_S
    while time.monotonic() < until_s:
        try:
            if os.waitpid(child, os.WNOHANG)[0]:
                return True
        except ChildProcessError:
            return True
        time.sleep(0.02)
    return False


def _ended(status: int) -> str:
    if os.WIFSIGNALED(status):
        how = f"was ended by signal {os.WTERMSIG(status)}, as by somebody, or by the kernel for want of memory"
    else:
        how = f"ended with code {os.waitstatus_to_exitcode(status)} and no word why"
    return (
        f"the process that did the work {how}: see the system log; what was finished is safe, and the next run carries"
        " on from there"
    )


def _told(found: Found, places: Sequence[Place], limit_s: float, child: int, *, died: bool) -> str:
    if found.place is not None:
        which = f"The {found.place.role} at {show_text(str(found.place.path))}"
    else:
        which = "One of the drives (" + ", ".join(f"{each.role} {show_text(str(each.path))}" for each in places) + ")"
    told = (
        f"{which} has not answered for {format_duration(limit_s)} (io_limit), so the run was ended: see the system log,"
        " check cable and power, and replace the drive if it happens again. What was finished is safe, and the next run"
        " carries on from there."
    )
    if not died:
        told += (
            f" Process {child} waits for that drive within the kernel, where nothing can end it, and keeps the pair"
            " locked: it goes when the drive answers or is unplugged, or with a restart of this box."
        )
    return told


# --- what the kernel says


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
        self._threads: dict[str, _Since] = {}
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
                return Found(_place_of(self._pid, thread, self.places))
        return None


def _requests(device: tuple[int, int]) -> tuple[int, int] | None:
    """Requests that a block device has finished, and those in flight (Documentation/block/stat.rst)."""
    try:
        fields = [int(field) for field in Path("/sys/dev/block/{}:{}/stat".format(*device)).read_text().split()]
    except (OSError, ValueError):
        return None
    finished = sum(fields[at] for at in (0, 4, 11, 15) if at < len(fields))  # reads, writes, discards, flushes
    return (finished, fields[8]) if len(fields) > 8 else None


def _threads(pid: int) -> dict[str, tuple[str, ...] | None]:
    """For each thread, what moves when it runs; None for one that was stopped (SIGSTOP, a debugger)."""
    found: dict[str, tuple[str, ...] | None] = {}
    with suppress(OSError):
        for thread in os.listdir(f"/proc/{pid}/task"):
            with suppress(OSError, IndexError):
                folder = Path(f"/proc/{pid}/task/{thread}")
                lines = folder.joinpath("status").read_text().splitlines()
                switches = tuple(line for line in lines if "ctxt_switches" in line)
                # The name in the second field may hold anything; what follows its bracket is state, then numbers.
                fields = folder.joinpath("stat").read_text().rpartition(")")[2].split()
                found[thread] = None if fields[0] in "Tt" else (*switches, fields[11], fields[12])  # user, system time
    return found


def _place_of(pid: int, thread: str, places: Sequence[Place]) -> Place | None:
    """The drive of the open file that a thread's call is about; None where that cannot be told."""
    try:
        # "number argument …": the first argument of most calls on files is a descriptor
        fd = int(Path(f"/proc/{pid}/task/{thread}/syscall").read_text().split()[1], 16)
        info = Path(f"/proc/{pid}/fdinfo/{fd}").read_text()
        mount_id = next(int(line.split()[1]) for line in info.splitlines() if line.startswith("mnt_id:"))
        mounts = {mount.mount_id: mount.mount_point for mount in read_mounts()}
    except (OSError, ValueError, IndexError, StopIteration, NightferryError):
        return None
    if mount_id not in mounts:  # the private view of the primary is listed nowhere
        return next((place for place in places if place.role == "primary"), None)
    point = mounts[mount_id]
    return next((place for place in places if os.fsencode(place.path) == point), None)
