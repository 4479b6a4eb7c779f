"""What tonight's run would do: the scan of a night, and nothing that writes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import NamedTuple

from nightferry.errors import Busy
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.plan import Item, Plan, Step
from nightferry.manifest.records import LeftOut, Run
from nightferry.night.context import Clock, Night, Progress, Stop
from nightferry.night.dates import judge_date
from nightferry.night.excluding import excluder
from nightferry.night.expire import candidates
from nightferry.night.holding import open_hold
from nightferry.night.platter import Platter
from nightferry.night.preflight import Drives, check_state, check_state_is_there, open_drives, state_folder
from nightferry.night.resolve import resolve
from nightferry.night.scan import scan
from nightferry.night.space import usable_room
from nightferry.night.timing import PhaseTimes
from nightferry.planning.hold import Limits, Proposed, reasons_to_hold
from nightferry.planning.retention import Retention, to_expire
from nightferry.planning.room import Fit, Need, fit
from nightferry.settings import PairSettings
from nightferry.tree.content import Buffers
from nightferry.tree.digests import by_name
from nightferry.tree.durability import Barrier
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind
from nightferry.volumes.capabilities import Capabilities
from nightferry.volumes.lock import holder

# A look must not try a file system out, since that writes. Only `sparse` matters for a scan, and these lack it.
_WITHOUT_HOLES = frozenset({"exfat", "vfat", "msdos", "fuseblk"})

ADDED, CHANGED, MOVED, REMOVED, METADATA, UNDECIDED = (
    "added", "changed", "moved", "removed", "metadata", "undecided",
)  # fmt: skip
KINDS = (ADDED, CHANGED, MOVED, REMOVED, METADATA, UNDECIDED)

_STEPS = {
    ADDED: (Step.FOLDER, Step.ADDED),
    CHANGED: (Step.TOUCHED, Step.RETYPED),
    MOVED: (Step.FOLDER_MOVED, Step.MOVED),
    REMOVED: (Step.REMOVED,),
    METADATA: (Step.ALTERED,),
}


class Expected(NamedTuple):
    """One name that tonight would change.

    ``undecided``: a file whose size and date are the same and whose other metadata is not. The night
    reads it, to learn whether its content changed; most often it did not.
    """

    kind: str
    path: bytes
    source: bytes | None  # of what moved
    size_bytes: int
    is_folder: bool


@dataclass
class Outlook:
    """What a look came to. Bytes are those of the files' content, seconds by the monotonic clock."""

    pair: str
    files_before: int
    bytes_before: int
    primary_files: int
    is_first: bool
    cut_off: bool  # an earlier run was; tonight first finishes what it had begun
    totals: dict[str, tuple[int, int]]  # files and bytes by kind; folders left out
    proposed: Proposed
    hold_reasons: list[str]  # should the files of which nobody can tell yet turn out to be unchanged
    may_hold_reasons: list[str]  # should they all have changed
    released: bool  # a held night was released, and this is the one after it
    need: Need
    room: Fit
    room_freed_bytes: int  # by retired versions that would go for it
    clock_ok: bool
    left_out: list[LeftOut]
    scan_s: float
    _night: Night = field(repr=False)

    def runs(self) -> Iterator[Run]:
        """Earlier runs, newest first. Valid inside the ``with`` of ``look``."""
        return self._night.manifest.runs.all()

    def changes(self) -> Iterator[Expected]:
        """Each name, by kind in the order of ``KINDS``, within it as found. Valid inside the ``with`` of ``look``."""
        for kind in (ADDED, CHANGED, MOVED, REMOVED, METADATA):
            for item in self._night.plan.items(*_STEPS[kind]):
                if item.path and not (kind == CHANGED and _is_undecided(self._night, item)):
                    yield _expected(self._night, kind, item)
        for item in self._night.plan.items(Step.TOUCHED):
            if _is_undecided(self._night, item):
                yield _expected(self._night, UNDECIDED, item)


@contextmanager
def look(
    settings: PairSettings, state_dir: Path, progress: Progress, *, effects: Effects, clock: Clock, stop: Stop
) -> Iterator[Outlook]:
    """Scans both sides of a pair and writes nothing at all.

    Raises ``WrongDrive`` and ``WrongUse`` as a run would, ``Busy`` while one is in progress, ``Failed``,
    and ``Interrupted`` where it was asked to stop.
    """
    folder = state_folder(state_dir, settings.name)
    busy = holder(folder / "lock")
    if busy is not None:
        raise Busy(
            f'A run of the pair "{settings.name}" is in progress: {busy}; what it leaves for tonight can be said when'
            " it has ended."
        )
    with ExitStack() as stack:
        drives = stack.enter_context(open_drives(settings, effects, to_write=False))
        check_state_is_there(folder, settings)
        manifest = stack.enter_context(Manifest.look(folder / FILE_NAME, effects, in_use=False))
        check_state(manifest, folder, settings, drives)
        times = PhaseTimes(progress, clock)
        night = _night_to_scan(settings, drives, manifest, times, effects, clock, stop, stack)
        times.phase("scan and compare")
        scan(night)
        proposed = resolve(night, read=False)
        yield _outlook(night, proposed, times.so_far()["scan and compare"])


def _night_to_scan(
    settings: PairSettings,
    drives: Drives,
    manifest: Manifest,
    progress: Progress,
    effects: Effects,
    clock: Clock,
    stop: Stop,
    stack: ExitStack,
) -> Night:
    can = Capabilities(
        hard_links=True, exchange=True, symlinks=True, owners=True, modes=True, user_xattrs=True, posix_acls=True,
        time_granularity_ns=1, case_sensitive=True, sparse=drives.secondary_mount.file_system not in _WITHOUT_HOLES,
        direct_reads=True, directory_fsync=True, raw_names=True, syncfs_covers=True, direct_writes=True,
    )  # fmt: skip
    buffers = Buffers()
    stack.callback(buffers.close)
    plan = Plan()
    stack.callback(plan.close)
    last = manifest.runs.last()
    excludes, seed = excluder(settings.exclude)
    return Night(
        settings=settings, manifest=manifest, plan=plan, primary=drives.primary, secondary=drives.secondary,
        effects=effects, capabilities=can, barrier=Barrier(drives.secondary, syncfs_covers=True), clock=clock,
        stop=stop, progress=progress, number=1 if last is None else last.number + 1, stamp="",
        algorithm=by_name(settings.hash), buffers=buffers,
        platter=Platter(drives.secondary_mount, effects, buffers, direct_reads=True),
        mounted_below=drives.mounted_below, inodes=drives.inodes, excludes=excludes, excludes_seed=seed,
    )  # fmt: skip


def _outlook(night: Night, proposed: Proposed, scan_s: float) -> Outlook:
    runs = night.manifest.runs
    block_bytes = night.effects.fstatvfs(night.secondary.fd).f_bsize or 4096
    planned = night.plan.totals(block_bytes, sparse=night.capabilities.sparse)
    totals = {
        kind: (
            sum(planned.get(step, (0, 0, 0))[0] for step in steps),
            sum(planned.get(step, (0, 0, 0))[1] for step in steps),
        )
        for kind, steps in _STEPS.items()
    }
    files, size_bytes = _undecided(night)
    totals[UNDECIDED] = (files, size_bytes)
    totals[CHANGED] = (totals[CHANGED][0] - files, totals[CHANGED][1] - size_bytes)

    certain = replace(proposed, replacements=proposed.replacements - files)
    released, standing = open_hold(night.manifest, proposed.files_before)
    limits = Limits(night.settings.hold_share, night.settings.hold_count)
    hold_reasons = reasons_to_hold(certain, limits, released, standing)
    held = bool(hold_reasons)

    clock_ok = judge_date(night.manifest, night.clock.now_s())[0].may_expire
    steps = (Step.ADDED,) if held else (Step.ADDED, Step.TOUCHED, Step.RETYPED)
    need = Need(
        sum(planned.get(step, (0, 0, 0))[0] for step in steps) - (0 if held else files),
        sum(planned.get(step, (0, 0, 0))[2] for step in steps) - (0 if held else size_bytes),
    )
    may_expire = clock_ok and not held and not runs.open_damage()
    fits, freed_bytes = _room(night, need, may_expire=may_expire)
    files_before, bytes_before = night.manifest.entries.totals()
    return Outlook(
        pair=night.settings.name,
        files_before=files_before,
        bytes_before=bytes_before,
        primary_files=night.tally.scanned_files,
        is_first=runs.last() is None,
        cut_off=bool(night.manifest.journal.read()) or _has_no_end(night),
        totals=totals,
        proposed=proposed,
        hold_reasons=hold_reasons,
        may_hold_reasons=[] if held else reasons_to_hold(proposed, limits, released, standing),
        released=released is not None,
        need=need,
        room=fits,
        room_freed_bytes=freed_bytes,
        clock_ok=clock_ok,
        left_out=night.take_left_out(),
        scan_s=scan_s,
        _night=night,
    )


def _has_no_end(night: Night) -> bool:
    last = night.manifest.runs.last()
    return last is not None and last.outcome is None


def _room(night: Night, need: Need, *, may_expire: bool) -> tuple[Fit, int]:
    """Whether it fits, after the retired versions that would go for it; and their bytes."""
    found = usable_room(night)

    def with_free(free_bytes: int) -> Fit:
        return fit(
            Need(need.files, max(0, need.allocated_bytes)), free_bytes=free_bytes, free_inodes=found.free_inodes,
            keep_free_bytes=0,
        )  # fmt: skip

    fits = with_free(found.free_bytes)
    if fits.fits or not may_expire:
        return fits, 0
    retention = Retention(
        keep_s=night.settings.keep_retired.total_seconds(),
        floor_s=night.settings.keep_retired_at_least.total_seconds(),
        expiry_open=True,
    )
    freed_bytes = sum(each.size_bytes for each in to_expire(candidates(night), retention, fits.missing_bytes))
    return with_free(found.free_bytes + freed_bytes), freed_bytes


def _undecided(night: Night) -> tuple[int, int]:
    files = size_bytes = 0
    for item in night.plan.items(Step.TOUCHED):
        if _is_undecided(night, item):
            files += 1
            size_bytes += item.stat.size_bytes
    return files, size_bytes


def _is_undecided(night: Night, item: Item) -> bool:
    if item.step is not Step.TOUCHED or item.entry is None or item.stat.kind is not Kind.FILE:
        return False
    then = night.manifest.entries.by_id(item.entry)
    return then is not None and (then.stat.size_bytes, then.stat.mtime_ns) == (item.stat.size_bytes, item.stat.mtime_ns)


def _expected(night: Night, kind: str, item: Item) -> Expected:
    source = None
    if kind == MOVED:
        assert item.entry is not None
        source = night.manifest.entries.path(item.entry)
    is_folder = item.stat.kind is Kind.FOLDER
    return Expected(kind, item.path, source, 0 if is_folder else item.stat.size_bytes, is_folder)
