"""Verifying by hand: both drives at once, oldest first, and the walk for names that no run put there.

It writes to neither drive. What was read and found intact is marked in the manifest as it goes, so that a
second call goes on where the first one stopped.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from nightferry.errors import Failed, WrongUse
from nightferry.manifest.covered import Coverage, Place
from nightferry.manifest.fixity import FUTURE_S, Fixity, Side, Subject
from nightferry.manifest.records import BadFile, Damage, Entry
from nightferry.night.carry import in_copy, in_retired
from nightferry.night.context import Clock, Progress, Stop
from nightferry.night.register import close_right_again
from nightferry.night.verify import BAD_LIMIT, REST_S, Finding, Target, Verified, target_of, told, verify
from nightferry.planning.changes import content_untouched
from nightferry.recovery.opening import SIDES, Opened, open_pair, path_in_pair
from nightferry.recovery.unlisted import Stray, walk_copy, walk_retired
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat
from nightferry.units import show_name

FOUND_BY = "verify"
# Each page costs a pass over the manifest's rows.
_PAGE = 20_000


@dataclass(frozen=True)
class Wanted:
    """What is to be read. ``for_s``: stop after so many seconds. ``path`` as a person gave it, None for all."""

    sides: tuple[Side, ...] = SIDES
    path: bytes | None = None
    retired: bool = True
    also_fresh: bool = False  # also what was read within the last twelve hours
    for_s: float | None = None


@dataclass
class VerifyResult:
    """What came of one pair."""

    pair: str
    wanted: Wanted
    verified: Verified = field(default_factory=Verified)
    stopped: str | None = None  # why it stopped before the end: ``ASKED``, ``TIME_OVER`` or ``FAILING``
    left: dict[Side, tuple[int, int]] = field(default_factory=dict)  # files and bytes not read yet
    found: Counter[tuple[str, str]] = field(default_factory=Counter)  # (side, verdict) of what is bad
    closed: list[Damage] = field(default_factory=list)
    open: list[Damage] = field(default_factory=list)
    coverage: dict[Place, Coverage] = field(default_factory=dict)
    cycle_s: float = 0.0  # verify_cycle, by which the coverage is told, and the moment at which (Unix time)
    now_s: float = 0.0
    seconds: float = 0.0
    looked_for_unlisted: bool = False

    @property
    def intact(self) -> int:
        """Files read and found intact, on all sides."""
        return self.verified.intact_files

    @property
    def exit_code(self) -> int:
        return 1 if self.open or self.stopped in (ASKED, FAILING) else 0


ASKED = "asked to stop"
TIME_OVER = "the time was over"
FAILING = "too many reads failed"


def verify_pair(
    settings: PairSettings,
    state_dir: Path,
    wanted: Wanted,
    progress: Progress,
    effects: Effects,
    clock: Clock,
    stop: Stop,
) -> VerifyResult:
    """Reads and checks; enters what is bad in the damage register.

    Raises ``Busy``, ``WrongDrive``, ``WrongUse`` (also for a path that matches nothing) and ``Failed``.
    """
    result = VerifyResult(settings.name, wanted)
    began_s = clock.monotonic_s()
    progress.phase("preflight")
    with open_pair(settings, state_dir, FOUND_BY, effects) as opened:
        _refuse_unfinished(opened)
        top = _top(opened, wanted)
        work = _Work(opened, wanted, progress, clock, stop, result, top)
        work.read()
        may_look = "secondary" in wanted.sides and "secondary" not in result.verified.given_up
        if wanted.for_s is None and may_look and not work.should_stop():
            work.look_for_unlisted()
        work.conclude()
    result.seconds = clock.monotonic_s() - began_s
    return result


def _refuse_unfinished(opened: Opened) -> None:
    if opened.manifest.journal.read():
        raise Failed(
            "An earlier run was cut off, and what it had begun on the secondary is not finished, so that its files"
            f" cannot be judged: run `nightferry run {opened.settings.name}` first, which finishes it."
        )


def _top(opened: Opened, wanted: Wanted) -> tuple[bytes, Entry] | None:
    if wanted.path is None:
        return None
    path = path_in_pair(opened.settings, wanted.path)
    entry = opened.manifest.entries.find(path)
    if entry is None:
        raise WrongUse(
            f'Nothing in "{opened.settings.name}" has the path {show_name(path)}: give it as it stands below the top of'
            " the primary. A file that came since the last night is not known yet."
        )
    return path, entry


class _Work:
    def __init__(
        self,
        opened: Opened,
        wanted: Wanted,
        progress: Progress,
        clock: Clock,
        stop: Stop,
        result: VerifyResult,
        top: tuple[bytes, Entry] | None,
    ) -> None:
        self._opened, self._wanted, self._progress = opened, wanted, progress
        self._clock, self._stop, self._result, self._top = clock, stop, result, top
        self._manifest = opened.manifest
        self._fixity = Fixity(opened.manifest.database)
        self._until_s = None if wanted.for_s is None else clock.monotonic_s() + wanted.for_s
        self._before_s = 0.0
        self._entered: set[tuple[bytes, str]] = set()

    def should_stop(self) -> bool:
        return self._stop() or self._is_over()

    def _is_over(self) -> bool:
        return self._until_s is not None and self._clock.monotonic_s() >= self._until_s

    # --- reading

    def read(self) -> None:
        self._before_s = self._begin()
        opened, sides = self._opened, self._wanted.sides
        totals = self._unread()
        files, size_bytes = (sum(each[place] for each in totals.values()) for place in (0, 1))
        self._progress.phase("verify", files, size_bytes)
        opened.forget_caches()
        roots = {"primary": opened.drives.primary, "secondary": opened.drives.secondary}
        mine = {side: roots[side].again() for side in sides}
        try:
            self._result.verified = verify(
                self._manifest, {side: self._targets(side) for side in sides}, mine, opened.effects, self._clock,
                self._progress, self.should_stop, direct={side: opened.direct[side] for side in sides},
                inodes=opened.drives.inodes,
            )  # fmt: skip
        finally:
            for root in mine.values():
                root.close()
        for finding in self._result.verified.bad:
            self._enter(finding)

    def _begin(self) -> float:
        """What was read before this moment is to be read. Readings are noted in whole seconds."""
        now_s = self._clock.now_s()
        if not self._wanted.also_fresh:
            return now_s - REST_S
        # What was read within this very second is old, and what is read from now on is not: so it has to be over.
        self._clock.sleep(1 - now_s % 1)
        return float(int(now_s) + 1)

    def _unread(self) -> dict[Side, tuple[int, int]]:
        return {
            side: self._fixity.unread(
                side, self._before_s, below=self._below, retired=self._wanted.retired, latest_s=self._latest_s()
            )
            for side in self._wanted.sides
        }

    @property
    def _below(self) -> int | None:
        return None if self._top is None else self._top[1].id

    def _latest_s(self) -> float:
        return self._clock.now_s() + FUTURE_S

    def _targets(self, side: Side) -> Iterator[Target]:
        last: Subject | None = None
        while True:
            page = self._fixity.oldest(
                side, self._before_s, _PAGE, last, below=self._below, retired=self._wanted.retired,
                latest_s=self._latest_s(),
            )  # fmt: skip
            if not page:
                return
            for subject in page:
                target = target_of(self._manifest, side, subject)
                if target is not None and (subject.stat.kind is not Kind.SYMLINK or self._opened.symlinks):
                    yield target
            last = page[-1]

    def _enter(self, finding: Finding) -> None:
        target, subject = finding.target, finding.target.subject
        if target.side == "primary" and self._changed_meanwhile(target):
            self._result.verified.bad_count -= 1
            self._result.verified.changed += 1
            return
        side = "retired" if subject.table == "past" else target.side
        self._fixity.mark_bad(target.side, subject.table, subject.id)
        self._damage(target.name, side, finding.verdict.value, told(finding), finding.bad)

    def _changed_meanwhile(self, target: Target) -> bool:
        """Whether the file was removed or replaced between looking at it and opening it."""
        try:
            now = self._opened.drives.primary.stat_or_none(target.path)
            return now is None or not content_untouched(
                target.subject.stat, Stat.of(now), inodes=self._opened.drives.inodes
            )
        except (OSError, KeyError):
            return False

    def _damage(self, path: bytes, side: str, verdict: str, detail: str, bad: BadFile | None = None) -> None:
        if (path, side) in self._entered:
            return  # a folder that could not be listed, met again by the walk
        self._result.found[side, verdict] += 1
        if len(self._entered) >= BAD_LIMIT:
            return
        self._entered.add((path, side))
        self._manifest.runs.find_damage(
            path, side, verdict, FOUND_BY, self._opened.last_run, self._clock.now_s(), detail, bad=bad
        )
        self._progress.note("damage", path=path, side=side, verdict=verdict, why=detail)

    # --- names that no run put there

    def look_for_unlisted(self) -> None:
        manifest = self._manifest
        self._progress.phase("names on the secondary")
        accepted = manifest.runs.accepted_unlisted()
        open_strays = {
            (damage.path, damage.side): damage.verdict
            for damage in manifest.runs.damage()
            if damage.verdict == "unlisted" or self._is_folder(damage)
        }
        still: set[tuple[bytes, str]] = set()

        def listed(folder: bytes, side: str) -> None:
            self._progress.advance(files=1)
            if open_strays.get((folder, side)) == "unreadable":
                self._close(folder, side, "its names can be listed again")

        for stray in self._strays(listed):
            if (stray.path, stray.side) in open_strays:
                still.add((stray.path, stray.side))
            if (stray.path, stray.side) not in accepted or stray.verdict != "unlisted":
                self._damage(stray.path, stray.side, stray.verdict, stray.detail)
        self._result.looked_for_unlisted = not self.should_stop()
        for (path, side), verdict in open_strays.items():
            if verdict == "unlisted" and (path, side) not in still and self._is_gone(path, side):
                self._close(path, side, "gone: it stands there no more, or a run has put it there since")

    def _strays(self, listed: Callable[[bytes, str], None]) -> Iterator[Stray]:
        opened = self._opened
        common = (opened.manifest, opened.drives.secondary, opened.effects, self.should_stop, listed)
        if self._top is None:
            yield from walk_copy(*common)
            if self._wanted.retired:
                yield from walk_retired(*common)
        elif self._top[1].stat.kind is Kind.FOLDER:
            yield from walk_copy(*common, self._top[0], self._top[1].id)

    def _is_folder(self, damage: Damage) -> bool:
        if damage.verdict != "unreadable" or damage.side == "primary":
            return False
        if damage.side == "retired":
            return True
        entry = self._manifest.entries.find(damage.path)
        return entry is not None and entry.stat.kind is Kind.FOLDER

    def _is_gone(self, path: bytes, side: str) -> bool:
        place = in_retired(path) if side == "retired" else in_copy(path)
        try:
            if self._opened.drives.secondary.stat_or_none(place) is None:
                return True
        except OSError:
            return False
        return side == "secondary" and self._manifest.entries.find(path) is not None

    def _close(self, path: bytes, side: str, became: str) -> None:
        self._manifest.runs.close_damage(path, side, self._opened.last_run, became)

    # --- the end

    def conclude(self) -> None:
        result, now_s = self._result, self._clock.now_s()
        result.closed = close_right_again(self._manifest, self._opened.last_run, now_s, by_command=True)
        result.open = self._manifest.runs.damage()
        # What was read and is not intact stays unread; it is not what is left to do.
        done = Counter[Side](
            finding.target.side for finding in result.verified.bad if finding.target.subject.stat.kind is Kind.FILE
        )
        if "primary" in self._wanted.sides:
            done["primary"] += result.verified.changed
        left = self._unread()
        result.left = {side: (max(0, left[side][0] - done[side]), left[side][1]) for side in self._wanted.sides}
        if self._stop():
            result.stopped = ASKED
        elif result.verified.given_up:
            result.stopped = FAILING
        elif self._is_over() and any(files for files, _ in result.left.values()):
            result.stopped = TIME_OVER
        result.now_s, result.cycle_s = now_s, self._opened.settings.verify_cycle.total_seconds()
        result.coverage = self._fixity.coverage(now_s, result.cycle_s)
