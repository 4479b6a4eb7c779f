"""Verify a slice: files whose last reading is oldest, on both drives at once, past the page cache.

One thread a drive reads and hashes (both release the interpreter); this one decides and writes
the manifest. The two are different devices, so the time is that of the slower one and not the sum.
"""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from nightferry.manifest.fixity import Fixity, Side, Subject
from nightferry.manifest.manifest import Manifest
from nightferry.night.carry import in_copy, in_retired
from nightferry.night.context import Clock, Progress
from nightferry.planning.verification import Verdict, judge_primary, judge_secondary, nightly_budget
from nightferry.tree.content import Buffers, ReadFailed, Stopped, hash_from_platter
from nightferry.tree.digests import by_id
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Stat
from nightferry.tree.root import Root

# Subjects handed to a reading thread ahead of it, and results entered in one transaction.
_AHEAD = 32
_ENTER_EVERY = 1_000
# Each page costs a pass over the manifest's rows; this many subjects take some 15 MiB.
_PAGE = 20_000
# What was read within this time is not read again: a second run on the same day has nothing to prove.
REST_S = 12 * 3600.0
# Bad files kept to be mended or named; more than that is a drive to be replaced, not a list to be read.
BAD_LIMIT = 10_000


class Target(NamedTuple):
    """One file to read, with its path below the root of its drive."""

    side: Side
    subject: Subject
    path: bytes  # below the drive's root
    name: bytes  # as people know it: below copy/, the primary, or retired/


class Finding(NamedTuple):
    target: Target
    verdict: Verdict
    detail: str


@dataclass
class Verified:
    """What one pass came to, by side."""

    files: dict[Side, int] = field(default_factory=lambda: {"primary": 0, "secondary": 0})
    size_bytes: dict[Side, int] = field(default_factory=lambda: {"primary": 0, "secondary": 0})
    seconds: dict[Side, float] = field(default_factory=lambda: {"primary": 0.0, "secondary": 0.0})
    bad: list[Finding] = field(default_factory=list)
    bad_count: int = 0
    changed: int = 0  # on the primary, by a person: the next night sees to it
    indirect: bool = False  # some were read after their pages were dropped, not past the cache


class _Read(NamedTuple):
    """What a reading thread found."""

    target: Target
    now: Stat | None  # None: nothing stands there
    digest: bytes | None  # None: it could not be read
    read_bytes: int
    seconds: float
    direct: bool
    error: str


class _Drive(threading.Thread):
    """Reads the files of one drive, one after the other. Owns its root and its buffers."""

    def __init__(
        self, root: Root, effects: Effects, clock: Clock, should_stop: Callable[[], bool], *, direct: bool
    ) -> None:
        super().__init__(daemon=True)
        self.todo: queue.Queue[Target | None] = queue.Queue(_AHEAD)
        self.done: queue.Queue[_Read | BaseException | None] = queue.Queue()
        self._root, self._effects, self._clock = root, effects, clock
        self._should_stop, self._direct = should_stop, direct
        self._buffers = Buffers()

    def run(self) -> None:
        try:
            while (target := self.todo.get()) is not None:
                self.done.put(self._one(target))
        except Stopped:
            pass
        except BaseException as error:  # handed to the thread that decides
            self.done.put(error)
        finally:
            self._buffers.close()
            self.done.put(None)

    def _one(self, target: Target) -> _Read:
        started_s = self._clock.monotonic_s()

        def result(now: Stat | None, digest: bytes | None, read_bytes: int, direct: bool, error: str) -> _Read:
            return _Read(target, now, digest, read_bytes, self._clock.monotonic_s() - started_s, direct, error)

        try:
            found = self._root.stat_or_none(target.path)
            if found is None:
                return result(None, None, 0, True, "")
            now = Stat.of(found)
        except (OSError, KeyError) as error:
            return result(None, None, 0, True, str(error))
        assert target.subject.content.algorithm is not None
        try:
            folder_fd, name = self._root.at(target.path)
            read = hash_from_platter(
                folder_fd,
                name,
                hasher=by_id(target.subject.content.algorithm).new(),
                effects=self._effects,
                buffers=self._buffers,
                should_stop=self._should_stop,
                progress=lambda size_bytes: None,
                direct=self._direct,
            )
            after = self._root.stat_or_none(target.path)
            if after is not None:
                now = Stat.of(after)  # a file written while it was read is judged by its newer state
        except (OSError, ReadFailed, KeyError) as error:
            why = error.strerror if isinstance(error, OSError) else None
            return result(now, None, 0, True, why or str(error))
        return result(now, read.digest, read.read_bytes, read.direct, "")


def verify(
    manifest: Manifest,
    targets: dict[Side, Iterator[Target]],
    roots: dict[Side, Root],
    effects: Effects,
    clock: Clock,
    progress: Progress,
    should_stop: Callable[[], bool],
    *,
    direct: dict[Side, bool],
) -> Verified:
    """Reads all targets, both sides at once, and enters what is intact. Bad ones are returned, not judged further.

    Stops early, keeping what was read, when ``should_stop`` says so.
    """
    fixity = Fixity(manifest.database)
    verified = Verified()
    drives = {side: _Drive(roots[side], effects, clock, should_stop, direct=direct[side]) for side in targets}
    intact: dict[Side, list[tuple[str, int]]] = {side: [] for side in targets}
    pending: deque[Side] = deque(targets)
    try:
        for drive in drives.values():
            drive.start()
        running = set(targets)
        while running:
            for side in list(pending):
                _feed(drives[side], targets[side], pending, side, should_stop)
            for side in list(running):
                if not _collect(drives[side], side, verified, intact[side], progress):
                    running.discard(side)
                if len(intact[side]) >= _ENTER_EVERY:
                    _enter(fixity, side, intact[side], clock)
    finally:
        for drive in drives.values():
            if drive.is_alive():
                _end(drive)
        for drive in drives.values():
            if drive.ident is not None:
                drive.join()  # it may be reading: its root is closed by the caller
        for side, done in intact.items():
            _enter(fixity, side, done, clock)
    return verified


def _feed(
    drive: _Drive, targets: Iterator[Target], pending: deque[Side], side: Side, should_stop: Callable[[], bool]
) -> None:
    """Hands over as many as the drive's queue takes; an end when there are no more."""
    while not drive.todo.full():
        target = None if should_stop() else next(targets, None)
        drive.todo.put(target)
        if target is None:
            pending.remove(side)
            return


def _end(drive: _Drive) -> None:
    while True:
        try:
            drive.todo.get_nowait()
        except queue.Empty:
            break
    drive.todo.put(None)


def _collect(drive: _Drive, side: Side, verified: Verified, intact: list[tuple[str, int]], progress: Progress) -> bool:
    """Takes what the drive has read so far; False once it has ended."""
    try:
        read = drive.done.get(timeout=0.02)
    except queue.Empty:
        return True
    while True:
        if read is None:
            return False
        if isinstance(read, BaseException):
            raise read
        _judge(read, verified, intact)
        progress.advance(files=1, size_bytes=read.read_bytes)
        try:
            read = drive.done.get_nowait()
        except queue.Empty:
            return True


def _judge(read: _Read, verified: Verified, intact: list[tuple[str, int]]) -> None:
    target, subject = read.target, read.target.subject
    assert subject.content.digest is not None
    verified.files[target.side] += 1
    verified.size_bytes[target.side] += read.read_bytes
    verified.seconds[target.side] += read.seconds
    verified.indirect = verified.indirect or not read.direct
    verdict: Verdict | None
    if target.side == "primary":
        verdict = judge_primary(subject.stat, read.now, read.digest, subject.content.digest)
    else:
        verdict = judge_secondary(read.now is not None or bool(read.error), read.digest, subject.content.digest)
    if verdict is Verdict.INTACT:
        intact.append((subject.table, subject.id))
    elif verdict is not None:
        verified.bad_count += 1
        if len(verified.bad) < BAD_LIMIT:
            verified.bad.append(Finding(target, verdict, read.error))
    else:
        verified.changed += 1


def _enter(fixity: Fixity, side: Side, intact: list[tuple[str, int]], clock: Clock) -> None:
    if intact:
        fixity.mark_read(side, intact, int(clock.now_s()))
        intact.clear()


# --- what is due


def due(manifest: Manifest, side: Side, cycle_s: float, now_s: float) -> Iterator[Target]:
    """Oldest first: an even share of the side's bytes, and beyond it whatever is overdue.

    What this pass reads gets a newer date than it asked for, so nothing comes twice.
    """
    fixity = Fixity(manifest.database)
    budget = nightly_budget(fixity.total_bytes(side), cycle_s, now_s)
    given_bytes = 0
    for subject in _oldest_first(fixity, side, now_s - REST_S):
        if given_bytes >= budget.size_bytes and subject.read_s >= budget.overdue_before_s:
            return
        given_bytes += max(subject.stat.size_bytes, 1)
        target = target_of(manifest, side, subject)
        if target is not None:
            yield target


def _oldest_first(fixity: Fixity, side: Side, before_s: float) -> Iterator[Subject]:
    """All files of a side that were last read before ``before_s``, page by page."""
    last: Subject | None = None
    while True:
        page = fixity.oldest(side, before_s, _PAGE, last)
        if not page:
            return
        yield from page
        last = page[-1]


def target_of(manifest: Manifest, side: Side, subject: Subject) -> Target | None:
    """Where a subject stands on its drive; None where its folder is gone by now."""
    if subject.table == "past":
        assert subject.held is not None
        return Target(side, subject, in_retired(subject.held), subject.held)
    try:
        name = manifest.entries.path(subject.id)
    except KeyError:
        return None
    return Target(side, subject, name if side == "primary" else in_copy(name), name)
