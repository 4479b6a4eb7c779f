"""What a night over one pair came to: the run itself, its status file, and what is said of it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from nightferry.errors import AbsentDrive, Busy, Failed, HungDrive, NightferryError, WrongDrive, WrongUse
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.records import Run
from nightferry.night.context import Clock, Progress, Stop
from nightferry.night.preflight import lock_pair, state_folder
from nightferry.night.run import Result, run_night
from nightferry.planning.absence import absence
from nightferry.planning.schedule import calendar_of, next_window, report_due_s
from nightferry.reporting.audit.changes import NightReport, find_run, night_report
from nightferry.reporting.look import exits, words
from nightferry.reporting.look.damage_words import drive_signs
from nightferry.reporting.look.logs import Logger
from nightferry.reporting.look.progress import Bar, Log, StatusFile, Watchers
from nightferry.reporting.look.terminal import Screen
from nightferry.reporting.page.reports import leave_night_report, leave_refusal
from nightferry.reporting.screens.night_json import counts_of_tally, report_as_json
from nightferry.reporting.screens.night_text import show_report
from nightferry.reporting.screens.rehearsal_text import render
from nightferry.reporting.standing import status
from nightferry.reporting.standing.by_manifest import standing
from nightferry.reporting.standing.day_report import busy_folders
from nightferry.reporting.standing.rehearsal_status import last_fact
from nightferry.reporting.standing.status import ATTENTION, FAILED, SOUND, Reason, RoomLeft, Status
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects
from nightferry.volumes.filesystem import room
from nightferry.volumes.lock import REPORT


@dataclass
class Came:
    """What came of a pair. ``error``: why no night could begin, or None."""

    pair: str
    exit_code: int
    state: str
    reasons: tuple[Reason, ...] = ()
    report: NightReport | None = None
    error: str | None = None
    copy_age_s: float | None = None  # where the secondary is away and may be
    phase_s: dict[str, float] = field(default_factory=dict)
    secondary_room: RoomLeft | None = None

    def as_json(self) -> dict[str, Any]:
        """Under the stable names of ``--json``."""
        report = self.report or NightReport(self.pair, 0, None, None, None, None, {})
        return {
            **report_as_json(report, self.reasons),
            "number": report.number or None,
            "state": self.state,
            "exit_code": self.exit_code,
            "error": self.error,
            "counts": counts_of_tally(report.tally),
            "copy_age_s": self.copy_age_s,
            "phase_s": self.phase_s,
            "secondary_room": None if self.secondary_room is None else asdict(self.secondary_room),
        }


def show(screen: Screen, came: Came) -> None:
    """For a person; an error has been said on stderr already."""
    if came.report is not None:
        show_report(screen, came.report, came.reasons, counts_of_tally(came.report.tally))
        if came.secondary_room is not None:
            screen.text(words.room(came.secondary_room.free_bytes, came.secondary_room.total_bytes) + ".")
        return
    screen.heading(f"{came.pair}: {came.state}; no night was run", came.state)
    if came.error is None:
        for reason in came.reasons:
            screen.point(reason.sentence, state=came.state)


def not_begun(settings: PairSettings) -> Came:
    """A pair whose turn did not come, since somebody asked to stop before."""
    reason = Reason("interrupted", "Asked to stop before the turn of this pair came; the next run does it.")
    return Came(settings.name, exits.ATTENTION, ATTENTION, (reason,))


def run_pair(
    settings: PairSettings, state_dir: Path, clock: Clock, stop: Stop, *, is_terminal: bool, is_public: bool = False
) -> Came:
    """Runs a night over one pair and leaves its status. Raises nothing: what goes wrong is in the answer.

    ``is_public``: everybody on this machine may read that status.
    """
    effects = Effects()
    folder = state_folder(state_dir, settings.name)
    try:
        with _watching(settings, folder, clock, is_terminal=is_terminal) as progress:
            result = run_night(
                settings, state_dir, progress, effects=effects, clock=clock, stop=stop, render=render,
                report=leave_night_report, busy=busy_folders(folder, clock.now_s()),
            )  # fmt: skip
        came = _ended(settings, folder, result, effects)
    except Busy as error:
        # The status is that of the run in progress: not to be touched.
        return Came(settings.name, error.exit_code, ATTENTION, (Reason("busy", str(error)),), error=str(error))
    except AbsentDrive as error:
        came = _absent(settings, folder, error, clock, effects)
    except NightferryError as error:
        came = _refused(settings, error, _code(error))
    except Exception as error:
        came = _refused(settings, Failed(exits.unexpected(error)), "unexpected")
        came.error = "\n".join([str(came.error), *exits.debug_lines(error)])
    return _leave_status(settings, state_dir, came, clock, effects, is_public=is_public)


def ended_early(
    settings: PairSettings, state_dir: Path, error: NightferryError, clock: Clock, *, is_public: bool = False
) -> Came:
    """For a run whose process had to be ended, or ended by itself; leaves the status."""
    is_stuck = isinstance(error, HungDrive) and error.is_stuck
    came = _refused(settings, error, "drive_hung" if isinstance(error, HungDrive) else "ended_early")
    return _leave_status(settings, state_dir, came, clock, Effects(), is_public=is_public, is_locked=is_stuck)


def taken_over(settings: PairSettings, state_dir: Path, clock: Clock, *, is_public: bool = False) -> str | None:
    """Leaves a status of what the secondary's records know, once a pair was taken over from there.

    Never ``sound``, since no night has compared anything here yet. A sentence where it could not be written; None where
    it was, and where the records know of no night.
    """
    effects = Effects()
    folder = state_folder(state_dir, settings.name)
    try:
        with Manifest.look(folder / FILE_NAME, effects, in_use=False) as manifest:
            last = find_run(manifest, settings.name, None)
            report = None if last is None else _full_report(settings, manifest, last)
    except NightferryError as error:
        return str(error)
    if report is None:
        return None
    told = (
        "This pair was taken over from its secondary: what is said here is what the records there know. The next night"
        f" compares both drives: `nightferry run {settings.name}`."
    )
    reasons = (*words.reasons(report), Reason("taken_over", told))
    state = FAILED if report.state == FAILED else ATTENTION
    came = Came(settings.name, exits.OF_STATE[state], state, reasons, report, secondary_room=_room(settings, effects))
    return _leave_status(settings, state_dir, came, clock, effects, is_public=is_public).error


@contextmanager
def _watching(settings: PairSettings, folder: Path, clock: Clock, *, is_terminal: bool) -> Iterator[Progress]:
    until_s = report_due_s(calendar_of(settings), clock.now_s())
    file = StatusFile(folder, settings.name, until_s, clock.now_s)
    if is_terminal:
        with Bar(settings.name) as bar:
            yield Watchers(file, bar)
    else:
        yield Watchers(file, Log(settings.name))


# --- how it ended


def _ended(settings: PairSettings, folder: Path, result: Result, effects: Effects) -> Came:
    report = _report_of(settings, result)
    try:
        with Manifest.look(folder / FILE_NAME, effects, in_use=False) as manifest:
            run = manifest.runs.by_number(result.number) if result.number else None
            if run is not None and run.outcome == result.outcome:
                report = _full_report(settings, manifest, run)
    except NightferryError:
        pass  # the result says what happened; the names are in the log
    return Came(
        settings.name,
        result.exit_code,
        result.state,
        words.reasons(report),
        report,
        phase_s=result.phase_s,
        secondary_room=_room(settings, effects),
    )


def _report_of(settings: PairSettings, result: Result) -> NightReport:
    return NightReport(
        settings.name, result.number, result.outcome, result.state, None, None, asdict(result.tally),
        notes=result.notes, hold_reasons=result.hold_reasons, failure=result.failure, open_damage=result.open_damage,
        coverage=result.coverage, verify_cycle_s=result.verify_cycle_s,
    )  # fmt: skip


def _full_report(settings: PairSettings, manifest: Manifest, run: Run) -> NightReport:
    keep_s, floor_s = settings.keep_retired.total_seconds(), settings.keep_retired_at_least.total_seconds()
    return night_report(manifest, settings.name, run, keep_s=keep_s, floor_s=floor_s)


def _room(settings: PairSettings, effects: Effects) -> RoomLeft | None:
    try:
        fd = effects.open(settings.secondary, 0)
        try:
            found = room(fd, effects)
        finally:
            effects.close(fd)
    except OSError:
        return None
    return RoomLeft(found.free_bytes, found.total_bytes, found.free_inodes)


def _absent(settings: PairSettings, folder: Path, error: AbsentDrive, clock: Clock, effects: Effects) -> Came:
    """A drive that is not there: no failure where it is the secondary and may be away for longer."""
    code = f"absent_{error.role}"
    if error.role != "secondary":
        return _refused(settings, error, code)
    limit_s = settings.may_be_absent.total_seconds()
    last, last_complete = _last_runs(settings, folder, effects)
    judged = absence(None if last_complete is None else last_complete.ended_s, clock.now_s(), limit_s)
    if not judged.allowed or judged.age_s is None or last is None:
        told = f"{error}{words.away_too_long(judged.age_s, limit_s)}"
        return _refused(settings, WrongDrive(told), code)
    reasons = [Reason("secondary_away", words.away(settings.name, judged.age_s, limit_s))]
    state = SOUND if _state_left_by(settings, folder, last, effects) == SOUND else ATTENTION
    if state != SOUND:
        reasons.append(
            Reason(
                "last_night",
                f"Night {last.number}, the last before it went away, ended {last.outcome or 'without an end'}: see"
                f" `nightferry lastnight {settings.name}`.",
            )
        )
    return Came(settings.name, exits.OF_STATE[state], state, tuple(reasons), copy_age_s=judged.age_s)


def _state_left_by(settings: PairSettings, folder: Path, run: Run, effects: Effects) -> str | None:
    """The state in which a run left its pair."""
    try:
        with Manifest.look(folder / FILE_NAME, effects, in_use=False) as manifest:
            return _full_report(settings, manifest, run).state
    except NightferryError:
        return None


def _refused(settings: PairSettings, error: NightferryError, code: str) -> Came:
    told = words.sentence(str(error))
    return Came(settings.name, error.exit_code, FAILED, (Reason(code, told),), error=str(error))


def _code(error: NightferryError) -> str:
    for kind, code in ((WrongDrive, "wrong_drive"), (WrongUse, "wrong_use")):
        if isinstance(error, kind):
            return code
    return "failed"


# --- the status file


def _leave_status(
    settings: PairSettings,
    state_dir: Path,
    came: Came,
    clock: Clock,
    effects: Effects,
    *,
    is_public: bool,
    is_locked: bool = False,
) -> Came:
    """``is_locked``: by a process of this very run, which can do nothing more."""
    now_s = clock.now_s()
    try:
        lock = lock_pair(state_dir, settings.name, REPORT)
        with nullcontext(state_folder(state_dir, settings.name)) if is_locked else lock as folder:
            last, last_complete = _last_runs(settings, folder, effects)
            found = Status(
                pair=settings.name,
                state=came.state,
                outcome=_outcome(came, last),
                reasons=came.reasons,
                written=status.moment(now_s),
                valid_until=status.moment(report_due_s(calendar_of(settings), now_s)),
                run=None,
                last_run=_fact(last),
                last_complete=_fact(last_complete),
                protected_as_of=None if last_complete is None else status.moment(last_complete.started_s),
                secondary_room=came.secondary_room,
                notes=() if came.report is None else (*drive_signs(came.report), *came.report.notes),
                **_covered(settings, folder, came, last, effects),
                rehearsal=last_fact(folder, effects),
                next_run=_next_run(settings, now_s),
                **standing(settings, folder, effects, now_s),
            )
            status.write(folder, found, public=is_public)
            if is_public:
                status.publish(folder)
            if came.report is None:
                _leave_page(settings, folder, came, now_s, effects)
    except Busy:
        return came  # another run began: its status is the newer one
    except (NightferryError, OSError) as error:
        told = error.strerror if isinstance(error, OSError) else str(error)
        sentence = f"The status of this pair could not be written to {state_dir / settings.name}: {told}."
        came.reasons = (*came.reasons, Reason("status_not_written", sentence))
        came.error = f"{came.error}\n{sentence}" if came.error else sentence
        came.exit_code = exits.worst((came.exit_code, exits.FAILED))
        came.state = FAILED
    return came


def _next_run(settings: PairSettings, now_s: float) -> str | None:
    window = next_window(calendar_of(settings), now_s)
    return None if window is None else status.moment(window.start_s)


def _leave_page(settings: PairSettings, folder: Path, came: Came, now_s: float, effects: Effects) -> None:
    """Where no night ran, for whoever opens the morning report. The status says the same, also where this fails."""
    try:
        problems = leave_refusal(settings, folder, came.state, came.reasons, now_s, effects)
    except Exception as error:
        problems = [f"The morning report could not be made ({type(error).__name__}: {error})."]
    for problem in problems:
        Logger(pair=settings.name).warning(problem)


def _covered(settings: PairSettings, folder: Path, came: Came, last: Run | None, effects: Effects) -> dict[str, Any]:
    """What the newest run that has an end knew of it, also where tonight no run began."""
    report = came.report
    if (report is None or not report.coverage) and last is not None:
        with suppress(NightferryError), Manifest.look(folder / FILE_NAME, effects, in_use=False) as manifest:
            ended = find_run(manifest, settings.name, None)
            report = report if ended is None else _full_report(settings, manifest, ended)
    if report is None or not report.coverage:
        return {}
    return {"coverage": report.coverage, "verify_cycle_s": report.verify_cycle_s}


def _outcome(came: Came, last: Run | None) -> str | None:
    if came.report is not None:
        return came.report.outcome
    if came.copy_age_s is not None:
        return None if last is None else last.outcome
    return "failed"


def _last_runs(settings: PairSettings, folder: Path, effects: Effects) -> tuple[Run | None, Run | None]:
    """The newest run and the newest complete one; None where the manifest is not there or cannot be read."""
    if not (folder / FILE_NAME).exists():
        return None, None
    try:
        with Manifest.look(folder / FILE_NAME, effects, in_use=False) as manifest:
            return manifest.runs.last(), manifest.runs.last_complete()
    except NightferryError:
        return None, None


def _fact(run: Run | None) -> status.RunFact | None:
    if run is None:
        return None
    ended = None if run.ended_s is None else status.moment(run.ended_s)
    return status.RunFact(run.number, status.moment(run.started_s), ended, run.outcome)
