"""A drive that never answers: the command that works on it ends all the same.

A call to the kernel that waits for a drive cannot be taken back. Where the wait is uninterruptible (a direct read of a
drive whose cable has gone loose; FUSE, once its program has taken the request), not even SIGKILL ends the process
before the drive answers, and whoever waits for that process, or for the end of its output, waits with it. So the work
is done in a process of its own, and the one that was started looks on: it touches no drive, hands on what the other
says, and can tell what happened and end.

What it looks at costs the work nothing (hang_watch.py):

- the kernel's count of requests that a drive has in flight and has finished (/sys/dev/block/…/stat): some in flight and
  none finished for the limit is a drive that does not answer;
- how often each thread of the work and of its children has run (/proc/…/task/…/status and stat): one that has not run
  for the limit sits in one call. For file systems without a block device of their own (FUSE, a network), this is all
  there is to see. A slow drive that still finishes requests is given ``PATIENCE`` times the limit.

That works because no thread of the work sleeps longer than ``LONGEST_SLEEP_S`` at a time, other than in a call to the
kernel about a file. Who adds a thread, or a question to a person, keeps to it. What the work says goes through the
process that looks on, also to a terminal: a terminal that was stopped holds that one up, and it blames no drive for it.
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
import traceback
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple, TextIO, TypeVar

from nightferry.errors import Failed, HungDrive, NightferryError
from nightferry.night.hang_watch import Found, Place, Watch, descendants, is_over
from nightferry.night.parent import die_with_parent
from nightferry.units import format_duration, show_text
from nightferry.volumes.mounts import mount_of

LONGEST_SLEEP_S = 2.0  # less than the shortest io_limit
# What SIGKILL takes where the wait lets it: an instant. Longer, and the process is stuck in the kernel.
_DEATH_LIMIT_S = 5.0
_SAMPLES = 20  # looks taken within the limit
_LOOK_S = (0.05, 5.0)  # the shortest and the longest time between two
_ANSWER_S = 0.2  # between two looks at whether somebody asked to stop
_LIMIT_BYTES = 256 << 20  # of a result
_HELD_CHARACTERS = 32 << 10  # of output for a pipe or a file, before they are handed on
_HINT_AFTER_S = 3.0  # asked to stop, and not ended yet

_T = TypeVar("_T")


class Words(NamedTuple):
    """How a command is named in the sentence on a drive that does not answer, and what is to be done afterwards."""

    ended: str
    afterwards: str


RUN = Words("the run", "What was finished is safe, and the next run carries on from there.")


def _never() -> bool:
    return False


def supervised(
    action: Callable[[], _T],
    places: Sequence[tuple[str, Path]],
    limit_s: float,
    should_stop: Callable[[], bool],
    *,
    at_once: Callable[[], bool] = _never,
    words: Words = RUN,
) -> _T:
    """Does something that may touch drives in a process of its own; returns what it returns.

    Args:
        action: called in a child of this process. What it returns or raises has to be picklable. What it writes to
            stdout and stderr comes out here; stdin is its own where that is a terminal.
        places: role and path of each drive, the primary first.
        limit_s: how long a drive may leave a request unanswered.
        should_stop: asked now and then; once it says so, the child is sent SIGTERM.
        at_once: whether somebody lost patience meanwhile: then the child is killed, which it is built to survive.

    Raises:
        HungDrive: a drive did not answer within the limit. The child was killed; ``is_stuck`` where it did not die.
        Failed: the child ended without an answer, as when somebody killed it.
        NightferryError: what ``action`` raised.
        KeyboardInterrupt: ``action`` raised it, or ``at_once`` said so.
        OSError: what was said could not be written here; the child was asked to stop, and ended.
    """
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError):
            stream.flush()  # else both processes would write what is held
    reader, writer = os.pipe()
    parent = os.getpid()
    child = os.fork()
    if child == 0:
        os.close(reader)
        _work(action, places, writer, parent)
    os.close(writer)
    attendance = _Attendance(_Pipe(reader), child, places, limit_s, words)
    try:
        answer: _T = attendance.until_done(should_stop, at_once)
        return answer
    except BaseException:
        if not attendance.is_over:
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
        # Ignored, as whoever started us may have handed it down, no child could be waited for.
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        to_parent = _ToParent(writer)
        _let_go_of_output(to_parent)
        to_parent.send("places", [Place(role, path, _device(path)) for role, path in places])
        try:
            kind, what = "done", action()
        except KeyboardInterrupt:
            kind, what = "left", None
        except Exception as error:  # handed to the parent, which says it
            kind, what = "raised", _told_to_parent(error)
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        to_parent.send(kind, what)
        code = 0
    finally:
        os._exit(code)  # nothing of the parent's is cleaned up twice


class _ToParent:
    """The way to the parent, for all threads."""

    def __init__(self, writer: int) -> None:
        self._writer = writer
        self._one_at_a_time = threading.Lock()

    def send(self, kind: str, what: object) -> None:
        message = pickle.dumps((kind, what))
        view = memoryview(len(message).to_bytes(8, "little") + message)
        with self._one_at_a_time:
            while view:
                view = view[os.write(self._writer, view) :]


class _Said(io.TextIOBase):
    """What goes to stdout or stderr, handed to the parent: at once to a terminal, to a pipe when it has become much."""

    encoding = "utf-8"

    def __init__(self, to_parent: _ToParent, kind: str, stands_for: TextIO) -> None:
        self._to_parent, self._kind = to_parent, kind
        self._is_terminal = stands_for.isatty()
        self._at_once = self._is_terminal or kind == "stderr"
        self._held: list[str] = []
        self._held_characters = 0
        self._one_at_a_time = threading.RLock()
        with suppress(AttributeError, TypeError):
            self.encoding = stands_for.encoding or "utf-8"
        # Which file that stream is, for who wants to know whether it is the journal: here it has none of its own.
        self.file_behind: os.stat_result | None = None
        with suppress(OSError, ValueError, AttributeError):
            self.file_behind = os.fstat(stands_for.fileno())

    def writable(self) -> bool:
        return True

    def isatty(self) -> bool:
        return self._is_terminal

    def write(self, text: str, /) -> int:
        with self._one_at_a_time:
            self._held.append(text)
            self._held_characters += len(text)
            if self._at_once or self._held_characters >= _HELD_CHARACTERS:
                self.flush()
        return len(text)

    def flush(self) -> None:
        with self._one_at_a_time:
            if self._held:
                said, self._held, self._held_characters = "".join(self._held), [], 0
                self._to_parent.send(self._kind, said)


def _let_go_of_output(to_parent: _ToParent) -> None:
    """Keeps none of the parent's pipes and files open: who reads them waits for their end. A terminal has none."""
    sys.stdout = _Said(to_parent, "stdout", sys.stdout)
    sys.stderr = _Said(to_parent, "stderr", sys.stderr)
    nowhere = os.open(os.devnull, os.O_RDWR)
    for fd in (0, 1, 2):
        if not os.isatty(fd):
            os.dup2(nowhere, fd)
    os.close(nowhere)


def _told_to_parent(error: Exception) -> NightferryError:
    if not isinstance(error, NightferryError):
        return Failed(_unexpected(error))
    try:
        pickle.loads(pickle.dumps(error))
    except Exception:  # of a kind that does not travel: its sentence does
        return Failed(str(error))
    return error


def _unexpected(error: Exception) -> str:
    if os.environ.get("NIGHTFERRY_DEBUG") == "1":
        traceback.print_exception(error)
    if isinstance(error, OSError):
        where = "" if error.filename is None else f"{show_text(str(error.filename))}: "
        return f"the system refused: {where}{error.strerror or error}; see its log, and the drive in question"
    return f"this is a fault in nightferry itself, please report it: {type(error).__name__}: {show_text(str(error))}"


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


class _Attendance:
    """Looks on while the child works."""

    def __init__(
        self, pipe: _Pipe, child: int, places: Sequence[tuple[str, Path]], limit_s: float, words: Words
    ) -> None:
        shortest_s, longest_s = _LOOK_S
        self._pipe, self._child, self._limit_s, self._words = pipe, child, limit_s, words
        self._every_s = min(longest_s, max(shortest_s, limit_s / _SAMPLES))
        self._watch = Watch(child, [Place(*each) for each in places], limit_s, self._every_s)
        self._asked_at_s: float | None = None
        self._not_written: OSError | None = None  # why what the child says can be written no more
        self.is_over = False  # the child is no more, or cannot be ended

    def until_done(self, should_stop: Callable[[], bool], at_once: Callable[[], bool]) -> Any:
        next_look_s = time.monotonic()
        is_hinted = at_once is _never
        while True:
            for kind, what in self._pipe.wait(min(_ANSWER_S, self._every_s)):
                if kind == "places":
                    self._watch.places = what
                elif kind in ("stdout", "stderr"):
                    self._say(kind, what)
                else:
                    return self._ended(kind, what)
            if self._pipe.is_over:
                _, status = os.waitpid(self._child, 0)
                self.is_over = True
                raise Failed(_why_it_ended(status))
            if should_stop():
                self._ask()
            if at_once():
                self._end_at_once()
            now_s = time.monotonic()
            if not is_hinted and self._asked_at_s is not None and now_s - self._asked_at_s >= _HINT_AFTER_S:
                is_hinted = True
                self._say(
                    "stderr", "\nnightferry: stopping, as soon as a drive answers; Ctrl-C again ends it at once\n"
                )
            if now_s >= next_look_s:
                next_look_s = now_s + self._every_s
                found = self._watch.look(now_s)
                if found is not None:
                    self._end_hung(found)

    def _say(self, kind: str, text: str) -> None:
        stream = sys.stdout if kind == "stdout" else sys.stderr
        if kind == "stdout" and self._not_written is not None:
            return
        try:
            stream.write(text)
            if kind == "stderr" or stream.isatty():
                stream.flush()
        except (OSError, ValueError) as error:
            if kind == "stdout":  # nobody reads it: what goes on is for nobody
                self._not_written = error if isinstance(error, OSError) else OSError(str(error))
                self._ask()

    def _ask(self) -> None:
        if self._asked_at_s is None:
            self._asked_at_s = time.monotonic()
            os.kill(self._child, signal.SIGTERM)

    def _ended(self, kind: str, what: Any) -> Any:
        self.is_over = True
        if not _is_gone(self._child):  # it did its work, and one of its threads sits in a call that nothing ends
            self._say("stderr", f"nightferry:{_stuck(self._child)}\n")
        if self._not_written is not None:
            raise self._not_written
        if kind == "left":
            raise KeyboardInterrupt
        if kind == "raised":
            raise what
        return what

    def _end_at_once(self) -> None:
        self.is_over = True
        stuck = _end(self._child)
        if stuck is None:
            raise KeyboardInterrupt
        raise HungDrive(f"It was ended at once, as somebody asked.{_stuck(stuck)}", True)

    def _end_hung(self, found: Found) -> None:
        self.is_over = True
        stuck = _end(self._child)
        told = _told(found, self._watch.places, self._limit_s, self._words)
        raise HungDrive(told if stuck is None else told + _stuck(stuck), stuck is not None)


def _end(child: int) -> int | None:
    """Kills the child and what it made, which has its locks too; returns one that did not die, stuck in the kernel."""
    family = [child, *descendants(child)]
    for pid in family:
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    if not _is_gone(child):
        return child
    until_s = time.monotonic() + _DEATH_LIMIT_S
    while stuck := next((pid for pid in family[1:] if not is_over(pid)), None):
        if time.monotonic() >= until_s:
            return stuck
        time.sleep(0.005)
    return None


def _is_gone(child: int) -> bool:
    """Waits for the end of a process that was killed or has nothing left to do, for as long as that may take."""
    until_s = time.monotonic() + _DEATH_LIMIT_S
    while time.monotonic() < until_s:
        try:
            if os.waitpid(child, os.WNOHANG)[0]:
                return True
        except ChildProcessError:
            return True
        time.sleep(0.005)
    return False


def _why_it_ended(status: int) -> str:
    if os.WIFSIGNALED(status):
        how = f"was ended by signal {os.WTERMSIG(status)}, as by somebody, or by the kernel for want of memory"
    else:
        how = f"ended with code {os.waitstatus_to_exitcode(status)} and no word why"
    return (
        f"the process that did the work {how}: see the system log; what was finished is safe, and the next run carries"
        " on from there"
    )


def _told(found: Found, places: Sequence[Place], limit_s: float, words: Words) -> str:
    if found.place is not None:
        which = f"The {found.place.role} at {show_text(str(found.place.path))}"
    else:
        which = "One of the drives (" + ", ".join(f"{each.role} {show_text(str(each.path))}" for each in places) + ")"
    return (
        f"{which} has not answered for {format_duration(limit_s)} (io_limit), so {words.ended} was ended: see the"
        f" system log, check cable and power, and replace the drive if it happens again. {words.afterwards}"
    )


def _stuck(child: int) -> str:
    return (
        f" Process {child} waits for that drive within the kernel, where nothing can end it, and keeps the pair"
        " locked: it goes when the drive answers or is unplugged, or with a restart of this box."
    )
