"""Verify a slice: files whose last reading is oldest, on both drives at once, past the page cache.

One thread a drive reads and hashes (both release the interpreter); this one decides and writes
the manifest. The two are different devices, so the time is that of the slower one and not the sum.
"""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from nightferry.manifest.fixity import FUTURE_S, Fixity, Side, Subject
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import BadFile
from nightferry.night.carry import in_copy, in_retired
from nightferry.night.context import Clock, Progress
from nightferry.night.hang import LONGEST_SLEEP_S
from nightferry.planning.drive_health import GONE, READ_ERRORS, DriveHealth
from nightferry.planning.verification import Verdict, judge_name, judge_primary, judge_secondary, nightly_budget
from nightferry.tree.content import Buffers, ReadFailed, Stopped, hash_from_platter
from nightferry.tree.digests import by_id
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat, unsupported
from nightferry.tree.root import OtherMountError, Root

# Subjects handed to a reading thread ahead of it: small files, for the time that a slow system disk takes to commit.
_AHEAD = 512
# Results entered in one transaction.
_ENTER_EVERY = 1_000
# Each page costs a pass over the manifest's rows; this many subjects take some 15 MiB.
_PAGE = 20_000
# What was read within this time is not read again: a second run on the same day has nothing to prove.
REST_S = 12 * 3600.0
# Bad files kept to be mended or named; more than that is a drive to be replaced, not a list to be read.
BAD_LIMIT = 10_000


# Said of a primary whose file system has no inode numbers or times of change to go by.
NOT_TOLD_APART = (
    "it has other content under its old size and date: on this kind of drive decay is not to be told apart from an edit"
)


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
    bad: BadFile | None = None  # of a file on the primary: as it was found


@dataclass
class Verified:
    """What one pass came to, by side. Symlinks and folders are not counted as files; bad ones are among the bad."""

    files: dict[Side, int] = field(default_factory=lambda: {"primary": 0, "secondary": 0})
    size_bytes: dict[Side, int] = field(default_factory=lambda: {"primary": 0, "secondary": 0})
    seconds: dict[Side, float] = field(default_factory=lambda: {"primary": 0.0, "secondary": 0.0})
    bad: list[Finding] = field(default_factory=list)
    bad_count: int = 0
    intact_files: int = 0
    apart: set[int] = field(default_factory=set)  # inodes of the primary whose copies have fewer names than they should
    changed: int = 0  # on the primary, by a person: the next night sees to it
    offered_s: float | None = None  # the time that there was for it; None: no limit
    given_up: set[Side] = field(default_factory=set)  # drives of which too many reads failed: read no further
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
    lost_s: float | None = None  # where the drive failed the read: how long it tried
    link: bytes | None = None  # where a symlink points


# What the drives have read or raised; None: that one has ended.
_Results = queue.SimpleQueue[tuple[Side, _Read | BaseException | None]]


class _Drive(threading.Thread):
    """Reads the files of one drive, one after the other. Owns its root and its buffers."""

    def __init__(
        self,
        root: Root,
        effects: Effects,
        clock: Clock,
        should_stop: Callable[[], bool],
        health: DriveHealth,
        side: Side,
        done: _Results,
        *,
        direct: bool,
    ) -> None:
        """``done`` takes what was found, of all drives."""
        super().__init__(daemon=True)
        self.todo: queue.Queue[Target | None] = queue.Queue(_AHEAD)
        self._side, self._done = side, done
        self._root, self._effects, self._clock = root, effects, clock
        self._should_stop, self._direct = should_stop, direct
        self.health = health
        self._buffers = Buffers()

    def run(self) -> None:
        try:
            while not self.health.is_given_up and (target := self._next()) is not None:
                if self._should_stop():
                    break  # what waits in the queue is left for the next time
                read = self._one(target)
                if read.lost_s is not None and read.error:
                    self.health.failed(read.lost_s)
                self._done.put((self._side, read))
        except Stopped:
            pass
        except BaseException as error:  # handed to the thread that decides
            self._done.put((self._side, error))
        finally:
            self._buffers.close()
            self._done.put((self._side, None))

    def _next(self) -> Target | None:
        """Waits in short sleeps, so that a thread that does not run is one that a drive keeps waiting (hang.py)."""
        while True:
            try:
                return self.todo.get(timeout=LONGEST_SLEEP_S)
            except queue.Empty:
                continue

    def _one(self, target: Target) -> _Read:
        started_s = self._clock.monotonic_s()
        read = self._look(target)
        if read.error and read.now is not None:
            # Between looking at it and opening it somebody may have removed or replaced it: it is judged by what is.
            read = self._look_again(read)
        return read._replace(seconds=self._clock.monotonic_s() - started_s)

    def _look(self, target: Target) -> _Read:
        read = _Read(target, None, None, 0, 0.0, True, "")
        try:
            now = self._stat(target.path)
            read = read._replace(now=now)
            if now is None or now.kind is not target.subject.stat.kind:
                return read
            if now.kind is Kind.SYMLINK:
                return read._replace(link=self._root.readlink(target.path))
            if now.kind is Kind.FILE:
                return self._hash(target, now)
            self._list(target.path)
            return read
        except (OSError, ReadFailed) as error:
            if isinstance(error, OtherMountError) and target.side == "primary":
                return read  # something is mounted over its folder: what is below is not to be seen now
            if error.errno in GONE:
                raise  # the drive left: nothing is said by that of its files
            lost_s = None
            if error.errno in READ_ERRORS:
                lost_s = error.lost_s if isinstance(error, ReadFailed) else 0.0
            return read._replace(error=error.strerror or str(error), lost_s=lost_s)

    def _list(self, path: bytes) -> None:
        """Raises ``OSError`` where a folder's names cannot all be read."""
        with self._effects.scandir(self._root.folder(path)) as names:
            for _ in names:
                pass

    def _hash(self, target: Target, now: Stat) -> _Read:
        algorithm = target.subject.content.algorithm
        assert algorithm is not None
        try:
            hasher = by_id(algorithm).new()
        except KeyError:
            return _Read(target, now, None, 0, 0.0, True, f"no checksum of the kind {algorithm} is known here")
        folder_fd, name = self._root.at(target.path)
        read = hash_from_platter(
            folder_fd,
            name,
            hasher=hasher,
            effects=self._effects,
            buffers=self._buffers,
            should_stop=self._should_stop,
            progress=lambda size_bytes: None,
            direct=self._direct,
        )
        after = self._stat(target.path)  # a file written while it was read is judged by its newer state
        return _Read(target, after or now, read.digest, read.read_bytes, 0.0, read.direct, "")

    def _look_again(self, read: _Read) -> _Read:
        try:
            now = self._stat(read.target.path)
        except OSError:
            return read
        return read._replace(now=now, error="" if now is None else read.error)

    def _stat(self, path: bytes) -> Stat | None:
        """None where nothing stands there, or no file, folder or symlink. Raises ``OSError``."""
        found = self._root.stat_or_none(path)
        if found is None or unsupported(found) is not None:
            return None
        return Stat.of(found)


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
    health: Mapping[str, DriveHealth] | None = None,
    inodes: bool = True,
) -> Verified:
    """Reads all targets, both sides at once, and enters what is intact. Bad ones are returned, not judged further.

    Stops early, keeping what was read, when ``should_stop`` says so. A drive of which too many reads fail is read no
    further; ``health`` is what this night knows of both before. ``inodes``: whether inode number and ctime tell the
    primary's files apart.
    """
    health = health or {"primary": DriveHealth(), "secondary": DriveHealth()}
    fixity = Fixity(manifest.database)
    verified = Verified()
    # One queue of results for both: whoever waits for the one drive would let the other run out of files.
    results: _Results = queue.SimpleQueue()
    drives = {
        side: _Drive(roots[side], effects, clock, should_stop, health[side], side, results, direct=direct[side])
        for side in targets
    }
    intact: dict[Side, list[tuple[str, int]]] = {side: [] for side in targets}
    pending: deque[Side] = deque(targets)
    try:
        for drive in drives.values():
            drive.start()
        running = set(targets)
        while running:
            for side in list(pending):
                if drives[side].health.is_given_up:
                    pending.remove(side)
                    continue
                _feed(drives[side], targets[side], pending, side, should_stop)
            running -= _collect(results, verified, intact, progress, inodes=inodes)
            for side in targets:
                if len(intact[side]) >= _ENTER_EVERY:
                    _enter(fixity, side, intact[side], clock)
    finally:
        for drive in drives.values():
            if drive.is_alive():
                _end(drive)
        for drive in drives.values():
            _wait_for(drive)
        for side, done in intact.items():
            _enter(fixity, side, done, clock)
    verified.given_up = {side for side, drive in drives.items() if drive.health.is_given_up}
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


def _wait_for(drive: _Drive) -> None:
    while drive.is_alive():
        drive.join(LONGEST_SLEEP_S)  # it may be reading: its root is closed by the caller


def _collect(
    results: _Results,
    verified: Verified,
    intact: dict[Side, list[tuple[str, int]]],
    progress: Progress,
    *,
    inodes: bool,
) -> set[Side]:
    """Takes what the drives have read so far; returns those that have ended."""
    ended: set[Side] = set()
    try:
        side, read = results.get(timeout=0.02)
        while True:
            if read is None:
                ended.add(side)
            elif isinstance(read, BaseException):
                raise read
            else:
                _judge(read, verified, intact[side], inodes=inodes)
                progress.advance(files=read.target.subject.stat.kind is Kind.FILE, size_bytes=read.read_bytes)
            side, read = results.get_nowait()
    except queue.Empty:
        return ended


def _judge(read: _Read, verified: Verified, intact: list[tuple[str, int]], *, inodes: bool) -> None:
    target, subject = read.target, read.target.subject
    is_file = subject.stat.kind is Kind.FILE
    verified.files[target.side] += is_file
    verified.size_bytes[target.side] += read.read_bytes
    verified.seconds[target.side] += read.seconds
    verified.indirect = verified.indirect or not read.direct
    verdict = _verdict(read, inodes=inodes)
    if verdict is Verdict.INTACT:
        verified.intact_files += is_file
        intact.append((subject.table, subject.id))
        if _has_few_names(read) and len(verified.apart) < BAD_LIMIT:
            verified.apart.add(subject.stat.inode)
    elif verdict is not None:
        verified.bad_count += 1
        if len(verified.bad) < BAD_LIMIT:
            verified.bad.append(Finding(target, verdict, _detail(read, verdict, inodes=inodes), _bad_file(read)))
    else:
        verified.changed += 1


def _has_few_names(read: _Read) -> bool:
    """Whether a file of the copy has fewer names than its file on the primary, which may be one in two (links.py)."""
    target, then = read.target, read.target.subject.stat
    is_of_copy = target.side == "secondary" and target.subject.table == "entry" and then.kind is Kind.FILE
    return is_of_copy and read.now is not None and read.now.nlink < then.nlink


def _verdict(read: _Read, *, inodes: bool) -> Verdict | None:
    """None where a person changed the primary's file."""
    target, subject = read.target, read.target.subject
    if read.now is None and read.error:
        return Verdict.UNREADABLE  # it could not even be looked at
    if target.side == "primary":
        assert subject.content.digest is not None
        return judge_primary(subject.stat, read.now, read.digest, subject.content.digest, inodes=inodes)
    if subject.stat.kind is not Kind.FILE or (read.now is not None and read.now.kind is not Kind.FILE):
        return judge_name(subject.stat, read.now, read.link, subject.content.target, readable=not read.error)
    assert subject.content.digest is not None
    return judge_secondary(read.now is not None, read.digest, subject.content.digest)


_KIND_WORDS = {Kind.FOLDER: "a folder", Kind.FILE: "a file", Kind.SYMLINK: "a symlink"}


def _bad_file(read: _Read) -> BadFile | None:
    if read.target.side != "primary" or read.now is None:
        return None
    return BadFile(read.now.inode, read.now.size_bytes, read.now.mtime_ns, read.digest)


def _detail(read: _Read, verdict: Verdict, *, inodes: bool) -> str:
    """What there is to say beside the verdict; empty where nothing is."""
    then = read.target.subject.stat.kind
    if verdict is Verdict.DECAYED and read.target.side == "primary" and not inodes:
        return NOT_TOLD_APART
    if verdict is not Verdict.DECAYED or read.now is None:
        return read.error
    if read.now.kind is not then:
        return f"{_KIND_WORDS[read.now.kind]} stands where {_KIND_WORDS[then]} was, and no run put it there"
    return "it points elsewhere, and no run changed it" if then is Kind.SYMLINK else ""


def told(finding: Finding) -> str:
    """What was found, in words."""
    if finding.verdict is Verdict.UNREADABLE:
        return f"it cannot be read ({finding.detail or 'read error'})"
    if finding.detail:
        return finding.detail
    if finding.verdict is Verdict.MISSING:
        return "it is gone, and no run removed it"
    return "its content is not what was written, and nobody wrote to it"


def _enter(fixity: Fixity, side: Side, intact: list[tuple[str, int]], clock: Clock) -> None:
    if intact:
        fixity.mark_read(side, intact, int(clock.now_s()))
        intact.clear()


# --- what is due


def due(
    manifest: Manifest, side: Side, cycle_s: float, clock: Clock, *, symlinks: bool = True, new_at_once: bool = True
) -> Iterator[Target]:
    """Oldest first: an even share of the side's bytes, and beyond it whatever is overdue.

    What this pass reads gets a newer date than it asked for, so nothing comes twice. ``symlinks`` False: the secondary
    holds none. ``new_at_once``: what was never read is overdue at once. Without, once the cycle has passed since it was
    written: where new copies are not to be read back, a first night is read in the nights of the cycle.
    """
    fixity = Fixity(manifest.database)
    now_s = clock.now_s()
    budget = nightly_budget(fixity.total_bytes(side), cycle_s, now_s)
    given_bytes = 0
    last: Subject | None = None
    for subject in _oldest_first(fixity, side, now_s - REST_S, clock):
        if given_bytes >= budget.size_bytes:
            break
        last = subject
        target = _wanted(manifest, side, subject, symlinks=symlinks)
        if target is None:
            continue
        if subject.read_s or not manifest.runs.is_damaged(target.name, _register_side(side, subject)):
            given_bytes += max(subject.stat.size_bytes, 1)  # what is known to be bad takes no other file's turn
        yield target
    else:
        return
    standing = None if new_at_once else fixity.newest_run(budget.overdue_before_s)
    for subject in _oldest_first(fixity, side, budget.overdue_before_s, clock, last, written_by=standing):
        target = _wanted(manifest, side, subject, symlinks=symlinks)
        if target is not None:
            yield target


def _wanted(manifest: Manifest, side: Side, subject: Subject, *, symlinks: bool) -> Target | None:
    if subject.stat.kind is Kind.SYMLINK and not symlinks:
        return None
    return target_of(manifest, side, subject)


def _register_side(side: Side, subject: Subject) -> str:
    return "retired" if subject.table == "past" else side


def _oldest_first(
    fixity: Fixity,
    side: Side,
    before_s: float,
    clock: Clock,
    last: Subject | None = None,
    *,
    written_by: int | None = None,
) -> Iterator[Subject]:
    """All names of a side that were last read before ``before_s``, page by page, those behind ``last``."""
    while True:
        page = fixity.oldest(side, before_s, _PAGE, last, latest_s=clock.now_s() + FUTURE_S, written_by=written_by)
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
