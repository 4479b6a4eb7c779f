"""One night, from top to bottom.

    preflight → settle → scan and compare → hold? → copy → retire → verify a slice → rehearse if due → seal → report

Rehearsing has its place marked in ``_work``; it is not built yet.
"""

from __future__ import annotations

import json
import os
import sqlite3
from contextlib import ExitStack
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from nightferry.errors import Failed, NightferryError, WrongDrive
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.plan import Plan, Step
from nightferry.manifest.records import ROOT_ID
from nightferry.night.alter import alter
from nightferry.night.context import Clock, Interrupted, Night, Progress, Stop, Tally
from nightferry.night.copying import Copier
from nightferry.night.excluding import excluder
from nightferry.night.expire import expire
from nightferry.night.finish import enter_folder_metadata, finish_folders, remember_listings
from nightferry.night.fixity import verify_slice
from nightferry.night.manifest_care import open_sound_manifest
from nightferry.night.platter import Platter
from nightferry.night.preflight import Drives, check_layout, lock_pair, open_drives
from nightferry.night.reconcile import reconcile
from nightferry.night.resolve import resolve
from nightferry.night.retire import retire
from nightferry.night.scan import scan
from nightferry.night.seal import seal
from nightferry.night.settle import settle
from nightferry.night.shape import move_files, shape
from nightferry.night.space import make_room
from nightferry.night.timing import PhaseTimes
from nightferry.planning.hold import Limits, Proposed, reasons_to_hold, released_or_standing
from nightferry.settings import PairSettings
from nightferry.tree.content import Buffers, Stopped
from nightferry.tree.digests import by_name
from nightferry.tree.durability import Barrier
from nightferry.tree.effects import Effects
from nightferry.volumes.capabilities import probe

# A clock that says less than the newest run by more than this went back; less is the drift of a small box.
CLOCK_TOLERANCE_S = 60.0


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
    open_damage: int = 0
    phase_s: dict[str, float] = field(default_factory=dict)  # how long each phase took; without the seal

    @property
    def state(self) -> str:
        if self.outcome == "failed":
            return "failed"
        return "sound" if self.outcome == "complete" and not self.open_damage else "attention"

    @property
    def exit_code(self) -> int:
        return {"sound": 0, "attention": 1, "failed": 4}[self.state]


def run_night(
    settings: PairSettings,
    state_dir: Path,
    progress: Progress,
    *,
    effects: Effects | None = None,
    clock: Clock | None = None,
    stop: Stop | None = None,
) -> Result:
    """Runs a night over one pair.

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
        return _carry_through(night, drives, times)


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
    try:
        can = probe(staging_fd, effects, as_root=os.geteuid() == 0, file_system=drives.secondary_mount.file_system)
    except OSError as error:
        raise Failed(
            f"The secondary at {settings.secondary} cannot be written ({error.strerror}): make room on it, or see the"
            " system log for that drive."
        ) from error
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
        mounted_below=drives.mounted_below, excludes=excludes, excludes_seed=seed,
    )  # fmt: skip
    night.tally.finished_after_crash = finished
    if finished:
        night.note("An earlier run was cut off; what it had begun was finished first.")
    if not drives.kernel_enforced:
        night.note(
            "The primary is opened for reading only, but not through a read-only view of the kernel (that needs root"
            " and Linux 5.12): access times of symlinks may move."
        )
    return night


def _carry_through(night: Night, drives: Drives, times: PhaseTimes) -> Result:
    """Runs the phases and records how they ended, whatever happens."""
    clock_ok = _clock_is_plausible(night)
    night.manifest.runs.start(night.number, night.stamp, night.clock.now_s())
    night.progress.note("started", number=night.number)
    result = Result(night.settings.name, night.number, "failed", night.tally, night.notes)
    try:
        _work(night, result, clock_ok)
    except (Interrupted, Stopped) as error:
        result.outcome = "interrupted"
        night.note(f"Stopped before the end: {night.stop.reason or error}. What was finished is safe.")
    except NightferryError as error:
        result.failure = str(error)
    except OSError as error:
        result.failure = (
            f"A drive stopped answering ({error.strerror or error}): see the system log, check cable and power;"
            " what was finished is safe, and the next run carries on from there."
        )
    except sqlite3.Error as error:
        result.failure = _in_doubt(error)
    result.phase_s = times.so_far()
    _seal_and_close(night, result)
    return result


def _in_doubt(error: sqlite3.Error) -> str:
    """What a run says that met a manifest it cannot read; the next one checks it whole, since this one did not end."""
    return (
        f"The manifest here cannot be read ({error}): run the night again, which checks it and replaces it from the"
        " secondary's where it is damaged; what was finished is safe. See whether the system disk is sound."
    )


def _work(night: Night, result: Result, clock_ok: bool) -> None:
    night.progress.phase("settle")
    settle(night)

    night.progress.phase("scan and compare")
    scan(night)
    proposed = resolve(night)

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

    night.progress.phase("finish folders")
    enter_folder_metadata(night)
    finish_folders(night)
    if not held:
        remember_listings(night)
        night.manifest.runs.spend_holds(night.number)

    night.progress.phase("verify")
    verify_slice(night, mend=not held)
    finish_folders(night)  # mending names files anew

    # rehearse if due: issue of its own, its place in the night is here.

    if not night.manifest.runs.open_damage():
        night.progress.phase("expire")
        expire(night, is_open=may_expire)
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
    ordered = night.plan.items(*steps) if fits else night.plan.smallest_first(*steps)
    # Files that are linked from what the copy has go first: a later batch may displace what they are linked from.
    copier.run(item for item in night.plan.items(Step.ADDED) if item.base is not None)
    copier.run(item for item in ordered if item.base is None)
    copier.retry()
    alter(night)
    if held:
        totals = night.plan.totals()
        night.tally.withheld += sum(
            totals.get(step, (0, 0, 0))[0] for step in (Step.TOUCHED, Step.RETYPED, Step.REMOVED, Step.MOVED)
        )


def _totals(night: Night, *steps: Step) -> tuple[int, int]:
    totals = night.plan.totals()
    found = [totals.get(step, (0, 0, 0)) for step in steps]
    return sum(each[0] for each in found), sum(each[1] for each in found)


# --- hold


def _hold(night: Night, proposed: Proposed) -> list[str]:
    """Decides, and enters a hold in the manifest. The reasons, each a sentence; empty to go on."""
    runs = night.manifest.runs
    open_hold = runs.open_hold()
    released, standing = released_or_standing(open_hold)
    limits = Limits(night.settings.hold_share, night.settings.hold_count)
    reasons = reasons_to_hold(proposed, limits, released, standing)
    if reasons:
        runs.hold(night.number, proposed.removals, proposed.replacements, "\n".join(reasons))
        night.progress.note("held", reasons=reasons)
    return reasons


# --- the end


def _clock_is_plausible(night: Night) -> bool:
    latest_s = night.manifest.runs.latest_end_s()
    if latest_s is not None and night.clock.now_s() < latest_s - CLOCK_TOLERANCE_S:
        night.note(
            "The clock says it is earlier than the last run: nothing retired expires until it is right again. A box"
            " without a battery for its clock should set it over the network before the night."
        )
        return False
    return True


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


def _seal_and_close(night: Night, result: Result) -> None:
    """Seals what is finished, also of a night that did not get to its end; a dead drive is not asked again."""
    manifest = night.manifest
    try:
        manifest.runs.leave_out(night.number, night.take_left_out())
        result.open_damage = len(manifest.runs.open_damage())
        if night.metadata_lost:
            lost = ", ".join(sorted(night.metadata_lost))
            night.note(f"The secondary's file system does not keep everything; the manifest has it: {lost}.")
        manifest.runs.end(night.number, night.clock.now_s(), result.outcome, _summary(result))
        if result.failure is None:
            night.progress.phase("seal")
            seal(night)
    except (Interrupted, Stopped):
        # Asked to stop while sealing: the records of the last run still stand, and the next run seals.
        night.note("Stopped while sealing; the secondary's records are those of the run before.")
        manifest.runs.end(night.number, night.clock.now_s(), result.outcome, _summary(result))
    except (NightferryError, OSError, sqlite3.Error) as error:
        result.outcome = "failed"
        result.failure = result.failure or (_in_doubt(error) if isinstance(error, sqlite3.Error) else str(error))
        try:
            manifest.runs.end(night.number, night.clock.now_s(), result.outcome, _summary(result))
        except (NightferryError, sqlite3.Error):
            return  # the state directory is what failed: the next start finds a run without an end


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
        }
    )
