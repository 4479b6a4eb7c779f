"""One night, from top to bottom.

    preflight → settle → scan and compare → hold? → copy → retire → verify a slice → rehearse if due → seal → report

A phase is a module of its own; ``_work`` has them in their order.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from nightferry.errors import Failed, NightferryError, WrongDrive
from nightferry.manifest.covered import Coverage, Place
from nightferry.manifest.fixity import Fixity
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.plan import Plan, Step
from nightferry.manifest.records import ROOT_ID
from nightferry.night import drive_notes, error_counts
from nightferry.night.abilities import NO_ROOM_ERRORS, remember, remembered
from nightferry.night.ahead import in_reading_order
from nightferry.night.alter import alter
from nightferry.night.busy import MOST_FOLDERS, busy_first
from nightferry.night.context import Clock, Interrupted, Night, Progress, Stop, Tally
from nightferry.night.copying import Copier
from nightferry.night.dates import judge_date
from nightferry.night.excluding import excluder
from nightferry.night.expire import expire
from nightferry.night.failing import FailingDrive
from nightferry.night.finish import enter_folder_metadata, finish_folders, remember_listings
from nightferry.night.fixity import reading_of, verify_slice
from nightferry.night.holding import count_withheld, open_hold
from nightferry.night.links import join_touched
from nightferry.night.manifest_care import open_sound_manifest
from nightferry.night.platter import Platter
from nightferry.night.preflight import Drives, check_layout, lock_pair, open_drives
from nightferry.night.reconcile import reconcile
from nightferry.night.register import enter_found
from nightferry.night.resolve import resolve
from nightferry.night.retire import retire
from nightferry.night.scan import scan
from nightferry.night.seal import seal
from nightferry.night.settle import settle
from nightferry.night.shape import move_files, shape
from nightferry.night.space import make_room
from nightferry.night.timing import PhaseTimes
from nightferry.night.unprotected import Unprotected, unprotected
from nightferry.planning.drive_health import GONE
from nightferry.planning.hold import Limits, Proposed, reasons_to_hold
from nightferry.recovery.rehearsing.in_night import rehearse_if_due
from nightferry.recovery.rehearsing.reports import Render
from nightferry.recovery.rehearsing.result import Rehearsal
from nightferry.settings import PairSettings
from nightferry.tree.content import Buffers, Stopped
from nightferry.tree.digests import by_name
from nightferry.tree.durability import Barrier
from nightferry.tree.effects import Effects
from nightferry.volumes.capabilities import probe
from nightferry.volumes.card import DISPLACED_NAME, MENDING_NAME
from nightferry.volumes.filesystem import Room
from nightferry.volumes.filesystem import room as room_of

FULL = (
    "The secondary was full to the last block when the night began. Nobody but nightferry should write to it: see what"
    " stands there beside copy/, retired/, staging/ and records/."
)


# What is left for a person of a night that has ended, made above this layer: the night, what it came to, the state's
# folder, and whether the secondary still answers. Returns sentences about what could not be written.
LeaveReport = Callable[["Night", "Result", Path, bool], list[str]]


@dataclass
class Result:
    """What a run came to."""

    pair: str
    number: int
    outcome: str  # complete, partial, held, interrupted, failed
    tally: Tally
    notes: list[str] = field(default_factory=list)
    hold_reasons: list[str] = field(default_factory=list)
    failure: str | None = None
    is_missing: bool = False  # a drive left in the middle, which is why it failed
    open_damage: int = 0
    phase_s: dict[str, float] = field(default_factory=dict)  # how long each phase took; without the seal
    coverage: dict[Place, Coverage] = field(default_factory=dict)  # at its end
    verify_cycle_s: float = 0.0
    reading: dict[str, object] = field(default_factory=dict)  # how fast the night's verification read
    rehearsal: Rehearsal | None = None  # where one was due
    room: dict[str, Room] = field(default_factory=dict)  # by drive, at its end; without one that did not say
    rates: dict[str, dict[str, float]] = field(default_factory=dict)  # bytes and seconds by phase (rates.py)
    io_errors: dict[str, dict[str, int | None]] = field(default_factory=dict)  # the kernel's counts, by drive
    drives: list[dict[str, str]] = field(default_factory=list)  # what they say of themselves, for the report
    is_compared: bool = False
    unprotected: Unprotected | None = None  # at its end; None: it did not get to the end of comparing

    @property
    def state(self) -> str:
        if self.outcome == "failed":
            return "failed"
        overdue = sum(each.overdue_files for each in self.coverage.values())
        if overdue or (self.rehearsal is not None and self.rehearsal.is_failure):
            return "attention"
        return "sound" if self.outcome == "complete" and not self.open_damage else "attention"

    @property
    def exit_code(self) -> int:
        return 3 if self.is_missing else {"sound": 0, "attention": 1, "failed": 4}[self.state]


def run_night(
    settings: PairSettings,
    state_dir: Path,
    progress: Progress,
    *,
    effects: Effects | None = None,
    clock: Clock | None = None,
    stop: Stop | None = None,
    render: Render | None = None,
    report: LeaveReport | None = None,
    busy: Sequence[bytes] = (),
) -> Result:
    """Runs a night over one pair. ``render`` makes the report of a rehearsal, where one is due; None: none is left.
    ``report`` leaves that of the night, when all else is done. ``busy``: folders of the primary that were written to by
    day, as far as was seen, the busiest first.

    Returns what it came to, also where it failed half way. Raises ``WrongDrive``, ``WrongUse``,
    ``Busy`` and ``Failed`` where it could not begin: then nothing was written to either drive.
    """
    effects, clock = effects or Effects(), clock or Clock()
    stop = stop or Stop(clock)
    times = PhaseTimes(progress, clock)
    with ExitStack() as stack:
        times.phase("preflight")
        folder = stack.enter_context(lock_pair(state_dir, settings.name, "run"))
        try:
            drives = stack.enter_context(open_drives(settings, effects, to_write=True))
            manifest, replaced = open_sound_manifest(folder, settings, drives, effects, clock, stop)
            stack.callback(manifest.close)
            night = _prepare(settings, drives, manifest, times, effects, clock, stop, stack)
            night.busy = tuple(busy)[:MOST_FOLDERS]
            if replaced is not None:
                night.note(replaced)
        except Stopped:
            # While an earlier run was being finished: what is left of that waits in the journal.
            return Result(settings.name, 0, "interrupted", Tally(), ["Stopped before the night began."])
        except PermissionError as error:
            raise WrongDrive(
                f'This user may not read and write all of the secondary of the pair "{settings.name}",'
                f" {settings.secondary} ({error.strerror}), which another user began; run as that user or as root."
            ) from error
        except OSError as error:
            raise Failed(
                f"A drive stopped answering before the night began ({error.strerror or error}): see the system log,"
                " check cable and power, then run the night again."
            ) from error
        except sqlite3.Error as error:
            raise Failed(_in_doubt(error)) from error
        return _carry_through(night, drives, times, folder, render, report)


def _prepare(
    settings: PairSettings,
    drives: Drives,
    manifest: Manifest,
    progress: Progress,
    effects: Effects,
    clock: Clock,
    stop: Stop,
    stack: ExitStack,
) -> Night:
    """The rest of preflight: the secondary's abilities, and what an earlier run left unfinished."""
    check_layout(drives.secondary, settings, copy_expected=manifest.entries.by_id(ROOT_ID) is not None)
    staging_fd = drives.secondary.folder(b"staging")
    file_system = drives.secondary_mount.file_system
    is_full = False
    try:
        can = probe(staging_fd, effects, as_root=os.geteuid() == 0, file_system=file_system)
    except OSError as error:
        known = remembered(manifest, file_system) if error.errno in NO_ROOM_ERRORS else None
        if known is None:
            raise Failed(
                f"The secondary at {settings.secondary} cannot be written ({error.strerror}): make room on it, or see"
                " the system log for that drive."
            ) from error
        can, is_full = known, True
    else:
        remember(manifest, can, file_system)
    barrier = Barrier(drives.secondary, syncfs_covers=can.syncfs_covers)
    buffers = Buffers()
    stack.callback(buffers.close)
    platter = Platter(drives.secondary_mount, effects, buffers, direct_reads=can.direct_reads)
    finished = reconcile(manifest, drives.secondary, can, barrier, platter, stop)
    last = manifest.runs.last()
    number = 1 if last is None else last.number + 1
    now_s = clock.now_s()
    stamp = f"{number:06d}-{datetime.fromtimestamp(now_s, UTC):%Y-%m-%dT%H%M%SZ}"
    excludes, seed = excluder(settings.exclude)
    plan = Plan()
    stack.callback(plan.close)
    night = Night(
        settings=settings, manifest=manifest, plan=plan, primary=drives.primary, secondary=drives.secondary,
        effects=effects, capabilities=can, barrier=barrier, clock=clock, stop=stop, progress=progress,
        number=number, stamp=stamp, algorithm=by_name(settings.hash), buffers=buffers, platter=platter,
        mounted_below=drives.mounted_below, inodes=drives.inodes, excludes=excludes, excludes_seed=seed,
    )  # fmt: skip
    night.tally.finished_after_crash = finished
    if any(drives.primary.stat_or_none(name) is not None for name in (MENDING_NAME, DISPLACED_NAME)):
        night.note(
            "A call of mend was cut off and left a file at the top of the primary, whose name begins with .nightferry-:"
            f" `nightferry mend {settings.name} --restore` puts that in order."
        )
    if is_full:
        night.note(FULL)
    if finished:
        night.note("An earlier run was cut off; what it had begun was finished first.")
    if not drives.kernel_enforced:
        night.note(
            "The primary is opened for reading only, but not through a read-only view of the kernel (that needs root"
            " and Linux 5.12): access times of symlinks may move."
        )
    return night


def _carry_through(
    night: Night,
    drives: Drives,
    times: PhaseTimes,
    state_folder: Path,
    render: Render | None,
    report: LeaveReport | None,
) -> Result:
    """Runs the phases and records how they ended, whatever happens."""
    try:
        judged, sentence = judge_date(night.manifest, night.clock.now_s())
        night.manifest.runs.start(night.number, night.stamp, night.clock.now_s())
    except sqlite3.Error as error:
        raise Failed(_in_doubt(error)) from error
    night.progress.note("started", number=night.number)
    if sentence:
        night.note(sentence)
    result = Result(night.settings.name, night.number, "failed", night.tally, night.notes)
    can_seal = False
    devices = error_counts.devices(night.settings)
    try:
        _work(night, result, judged.may_expire, state_folder, render)
    except (Interrupted, Stopped) as error:
        result.outcome = "interrupted"
        night.note(f"Stopped before the end: {night.stop.reason or error}. What was finished is safe.")
    except FailingDrive as error:
        result.failure = str(error)
        can_seal = error.role == "primary"
    except NightferryError as error:
        result.failure = str(error)
        result.is_missing = isinstance(error, WrongDrive)
    except OSError as error:
        result.is_missing = error.errno in GONE
        result.failure = (
            f"A drive stopped answering ({error.strerror or error}): see the system log, check cable and power;"
            " what was finished is safe, and the next run carries on from there."
        )
    except sqlite3.Error as error:
        result.failure = _in_doubt(error)
    result.phase_s = times.so_far()
    result.rates, result.io_errors = night.rates.summary(), error_counts.count(devices)
    with suppress(sqlite3.Error):
        for sentence in error_counts.told(result.io_errors, error_counts.as_last_night_left(night.manifest)):
            night.note(sentence)
    if report is not None and not result.is_missing:
        result.drives = drive_notes.notes(devices)
    can_seal = can_seal or result.failure is None
    _seal_and_close(night, result, can_seal=can_seal)
    if report is not None:
        _report(night, result, report, state_folder, to_secondary=can_seal and not result.is_missing)
    _log_end(night, result)
    return result


def _log_end(night: Night, result: Result) -> None:
    """For whoever reads the journal and not the summary."""
    tally = night.tally
    night.progress.note(
        "ended", outcome=result.outcome, state=result.state, added=tally.added, changed=tally.changed,
        moved=tally.moved, removed=tally.removed, bytes_written=tally.written_bytes, expired=tally.expired,
        unreadable=tally.unreadable, unsettled=tally.unsettled, mended=tally.mended, open_damage=result.open_damage,
        failure=result.failure,
    )  # fmt: skip


def _in_doubt(error: sqlite3.Error) -> str:
    """What a run says that met a manifest it cannot read; the next one checks it whole, since this one did not end."""
    return (
        f"The manifest here cannot be read ({error}): run the night again, which checks it and replaces it from the"
        " secondary's where it is damaged; what was finished is safe. See whether the system disk is sound."
    )


def _work(night: Night, result: Result, clock_ok: bool, state_folder: Path, render: Render | None) -> None:
    night.progress.phase("settle")
    settle(night)

    night.progress.phase("scan and compare")
    scan(night)
    proposed = resolve(night)
    enter_found(night)
    result.is_compared = True

    result.hold_reasons = _hold(night, proposed)
    held = bool(result.hold_reasons)
    damage = night.manifest.runs.open_damage()
    may_expire = clock_ok and not held and not damage
    fits = make_room(night, held=held, may_expire=may_expire)

    _copy(night, held=held, fits=fits)
    if not held:
        night.progress.phase("retire", *_totals(night, Step.REMOVED))
        retire(night)
        copier = Copier(night)
        copier.run(night.plan.items(Step.RETYPED))
        copier.retry()
        join_touched(night)

    night.progress.phase("finish folders")
    if not held:
        enter_folder_metadata(night)
    finish_folders(night)
    if not held:
        remember_listings(night)
        night.manifest.runs.spend_holds(night.number)

    night.progress.phase("verify")
    result.reading = reading_of(verify_slice(night, mend=not held))
    finish_folders(night)  # mending names files anew

    result.rehearsal = rehearse_if_due(night, state_folder, render, mend=not held)
    finish_folders(night)

    if not night.manifest.runs.open_damage():
        night.progress.phase("expire")
        # What was open when the night began is mended by now: an earlier run that was cut off may have left it so.
        expire(night, is_open=clock_ok and not held)
    result.outcome = "held" if held else _outcome(night)


def _copy(night: Night, *, held: bool, fits: bool) -> None:
    night.progress.phase("folders and moves")
    shape(night, held=held)
    if not held:
        move_files(night)
        alter(night)
    steps = (Step.ADDED,) if held else (Step.ADDED, Step.TOUCHED)
    night.progress.phase("copy", *_totals(night, *steps))
    copier = Copier(night)
    if fits:
        ordered = in_reading_order(busy_first(night, partial(night.plan.items, *steps, based=False)))
    else:
        ordered = (item for item in night.plan.smallest_first(*steps) if item.base is None)
    # Files that are linked from what the copy has go first: a later batch may displace what they are linked from.
    copier.run(night.plan.items(Step.ADDED, based=True))
    if not held:
        copier.run(night.plan.items(Step.TOUCHED, based=True))
    copier.run(ordered)
    copier.retry()
    if held:
        night.tally.withheld += count_withheld(night)
    else:
        alter(night)


def _totals(night: Night, *steps: Step) -> tuple[int, int]:
    totals = night.plan.totals()
    found = [totals.get(step, (0, 0, 0)) for step in steps]
    return sum(each[0] for each in found), sum(each[1] for each in found)


# --- hold


def _hold(night: Night, proposed: Proposed) -> list[str]:
    """Decides, and enters a hold in the manifest. The reasons, each a sentence; empty to go on."""
    runs = night.manifest.runs
    released, standing = open_hold(night.manifest, proposed.files_before)
    limits = Limits(night.settings.hold_share, night.settings.hold_count)
    reasons = reasons_to_hold(proposed, limits, released, standing)
    if reasons:
        runs.hold(night.number, proposed.removals, proposed.replacements, "\n".join(reasons))
        night.progress.note("held", reasons=reasons)
    return reasons


# --- the end


def _outcome(night: Night) -> str:
    tally = night.tally
    left = (
        tally.unreadable
        + tally.unsettled
        + tally.refused
        + tally.no_room
        + tally.withheld
        + tally.damage
        - tally.mended
    )
    return "partial" if left else "complete"


def _seal_and_close(night: Night, result: Result, *, can_seal: bool) -> None:
    """Seals what is finished, also of a night that did not get to its end; a dead drive is not asked again."""
    manifest = night.manifest
    try:
        manifest.runs.leave_out(night.number, night.take_left_out())
        result.open_damage = len(manifest.runs.open_damage())
        if result.is_compared:
            result.unprotected = unprotected(night, result.outcome)
        _look_at_coverage(night, result)
        _look_at_room(night, result, secondary=can_seal)
        if night.metadata_lost:
            lost = ", ".join(sorted(night.metadata_lost))
            night.note(f"The secondary's file system does not keep everything; the manifest has it: {lost}.")
        manifest.runs.end(night.number, night.clock.now_s(), result.outcome, _summary(result))
        if can_seal:
            night.progress.phase("seal")
            seal(night)
    except (Interrupted, Stopped):
        # Asked to stop while sealing: the records of the last run still stand, and the next run seals.
        night.note("Stopped while sealing; the secondary's records are those of the run before.")
        manifest.runs.end(night.number, night.clock.now_s(), result.outcome, _summary(result))
    except (NightferryError, OSError, sqlite3.Error) as error:
        result.outcome = "failed"
        result.is_missing = isinstance(error, WrongDrive) or (isinstance(error, OSError) and error.errno in GONE)
        result.failure = result.failure or (_in_doubt(error) if isinstance(error, sqlite3.Error) else str(error))
        try:
            manifest.runs.end(night.number, night.clock.now_s(), result.outcome, _summary(result))
        except (NightferryError, sqlite3.Error):
            return  # the state directory is what failed: the next start finds a run without an end


def _look_at_coverage(night: Night, result: Result) -> None:
    """Once a night, for all who ask until the next one."""
    cycle_s = night.settings.verify_cycle.total_seconds()
    covered = Fixity(night.manifest.database).coverage(night.clock.now_s(), cycle_s)
    if night.settings.verify_share <= 0.0:
        # Nobody wants it read: then nothing is overdue.
        covered = {place: replace(each, overdue_files=0, overdue_bytes=0) for place, each in covered.items()}
    result.coverage, result.verify_cycle_s = covered, cycle_s


def _look_at_room(night: Night, result: Result, *, secondary: bool) -> None:
    """For the forecast: what the drives hold after each night."""
    for name, root in (("primary", night.primary), ("secondary", night.secondary)):
        if name == "primary" or secondary:
            with suppress(OSError):
                result.room[name] = room_of(root.fd, night.effects)


def _report(night: Night, result: Result, report: LeaveReport, state_folder: Path, *, to_secondary: bool) -> None:
    """The last thing a night does. Whatever goes wrong with it, the night is what it was without."""
    night.progress.phase("report")
    try:
        problems = report(night, result, state_folder, to_secondary)
    except Exception as error:  # of whatever kind: said, and no reason for the night to fail
        problems = [f"The morning report could not be made ({type(error).__name__}: {error})."]
    for problem in problems:
        night.note(problem)
    with suppress(NightferryError, sqlite3.Error):
        run = night.manifest.runs.by_number(night.number)
        if problems and run is not None and run.ended_s is not None:
            night.manifest.runs.end(night.number, run.ended_s, result.outcome, _summary(result))


def _summary(result: Result) -> str:
    return json.dumps(
        {
            "state": result.state,
            "tally": asdict(result.tally),
            "notes": result.notes,
            "hold_reasons": result.hold_reasons,
            "failure": result.failure,
            "open_damage": result.open_damage,
            "phase_s": result.phase_s,
            "coverage": {place: asdict(each) for place, each in result.coverage.items()},
            "verify_cycle_s": result.verify_cycle_s,
            "reading": result.reading,
            "rates": result.rates,
            "io_errors": result.io_errors,
            "drives": result.drives,
            "rehearsal": None if result.rehearsal is None else result.rehearsal.summary(),
            "unprotected": None if result.unprotected is None else result.unprotected._asdict(),
            "room": {drive: asdict(each) for drive, each in result.room.items()},
        }
    )
