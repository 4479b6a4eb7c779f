"""Gathers what a morning report says, from the manifest and the runs' summaries, in bounded memory."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path
from typing import Any

from nightferry.errors import NightferryError
from nightferry.manifest.fixity import Fixity
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.night_findings import damage_around
from nightferry.manifest.nights_between import last_complete_up_to, nights_up_to
from nightferry.manifest.records import Run
from nightferry.manifest.rehearsals import Rehearsals
from nightferry.planning.schedule import calendar_of, report_due_s
from nightferry.planning.trend import MOST_NIGHTS, fit, until_full
from nightferry.reporting.audit.changes import ADDED, CHANGED, MOVED, REMOVED, NightReport, find_run, night_report
from nightferry.reporting.look import words
from nightferry.reporting.page.changes import changes_of
from nightferry.reporting.page.facts import Drive, DriveNote, Facts, NightPoint, Room, held_on_this_drive
from nightferry.reporting.standing import day_report
from nightferry.reporting.standing.rehearsal_status import fact_of
from nightferry.reporting.standing.status import FAILED, Reason, Status, unix
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects

# A year and a day of nights are drawn; more would be finer than a screen.
NIGHTS_DRAWN = 366
EXAMPLES = 20
DAMAGE_SHOWN = 50
CAME_AND_WENT_SHOWN = 20
# Rates of less than this say more about seeking and waiting than about a drive.
RATE_FROM_BYTES = 16 << 20
_REHEARSALS_READ = 60


def gather_night(settings: PairSettings, manifest: Manifest, number: int, *, now_s: float, state_folder: Path) -> Facts:
    """Of a night. Raises ``NightferryError`` and ``sqlite3.Error`` where the manifest cannot be read."""
    run = manifest.runs.by_number(number)
    assert run is not None, "a night that is entered"
    report = _report(settings, manifest, run)
    facts = _empty(settings, report.state or FAILED, words.reasons(report), now_s)
    _fill(facts, settings, manifest, report, state_folder)
    return facts


def gather_refusal(
    settings: PairSettings,
    state_folder: Path,
    state: str,
    reasons: tuple[Reason, ...],
    *,
    now_s: float,
    effects: Effects,
) -> Facts:
    """Where no night began: the reasons, and below them the last night that ran, where the manifest can be read."""
    facts = _empty(settings, state, reasons, now_s)
    facts.refusal = True
    if (state_folder / FILE_NAME).exists():
        with suppress(NightferryError), Manifest.look(state_folder / FILE_NAME, effects, in_use=False) as manifest:
            run = find_run(manifest, settings.name, None)
            if run is not None:
                _fill(facts, settings, manifest, _report(settings, manifest, run), state_folder)
    return facts


def gather_now(
    settings: PairSettings, state_folder: Path, found: Status, after: str, *, now_s: float, effects: Effects
) -> Facts | None:
    """After a command changed what the last page says: that page, with how things stand by the status and the manifest.

    None where no night has run. Raises ``NightferryError`` and ``sqlite3.Error`` where the manifest cannot be read.
    """
    facts = _empty(settings, found.state, found.reasons, now_s)
    facts.valid_until_s = unix(found.valid_until)
    facts.after, facts.open_damage = after, found.open_damage
    facts.released = found.hold is not None and found.hold.released
    facts.refusal = is_refusal(found)
    with Manifest.look(state_folder / FILE_NAME, effects, in_use=False) as manifest:
        run = find_run(manifest, settings.name, None)
        if run is None:
            return None
        report = _report(settings, manifest, run)
        if report.coverage:
            cycle_s = settings.verify_cycle.total_seconds()
            report.coverage = Fixity(manifest.database).coverage(now_s, cycle_s)
            report.verify_cycle_s = cycle_s
        report.state = found.state
        _fill(facts, settings, manifest, report, state_folder)
    return facts


def is_refusal(found: Status) -> bool:
    """Whether the status is of a night that could not begin."""
    if any(reason.code == "secondary_away" for reason in found.reasons):
        return True
    return found.outcome == "failed" and (found.last_run is None or found.last_run.outcome != "failed")


def _empty(settings: PairSettings, state: str, reasons: tuple[Reason, ...], now_s: float) -> Facts:
    return Facts(
        settings.name, state, reasons, now_s, report_due_s(calendar_of(settings), now_s),
        keep_free_bytes=settings.keep_free,
        drives=[Drive("primary", str(settings.primary), None), Drive("secondary", str(settings.secondary), None)],
    )  # fmt: skip


def _report(settings: PairSettings, manifest: Manifest, run: Run) -> NightReport:
    keep_s, floor_s = settings.keep_retired.total_seconds(), settings.keep_retired_at_least.total_seconds()
    return night_report(manifest, settings.name, run, keep_s=keep_s, floor_s=floor_s, examples=EXAMPLES)


def _fill(facts: Facts, settings: PairSettings, manifest: Manifest, report: NightReport, state_folder: Path) -> None:
    facts.report = report
    newest = manifest.runs.last()
    facts.is_newest = newest is None or newest.number <= report.number
    if (complete := last_complete_up_to(manifest, report.number)) is not None:
        facts.protected_as_of_s = complete.started_s
    facts.changed = changes_of(manifest, report.number)
    facts.damage_count, facts.damage = damage_around(manifest, report.number, DAMAGE_SHOWN)
    _came_and_went(facts, report, state_folder)
    runs = nights_up_to(manifest, report.number, NIGHTS_DRAWN)
    facts.history = [_point(run) for run in runs]
    _rehearsal(facts, manifest, report.number)
    _forecast(facts)
    left = _summary(runs[-1]) if runs else {}
    notes = _drive_notes(left)
    facts.drives = [
        Drive(each.role, each.path, _room(left, each.role), tuple(note for note in notes if note.about == each.role))
        for each in facts.drives
    ]
    facts.drives_together = [note for note in notes if note.about not in ("primary", "secondary")]


def _rehearsal(facts: Facts, manifest: Manifest, number: int) -> None:
    for made in Rehearsals(manifest.database).newest(_REHEARSALS_READ):
        if made.run <= number:
            with suppress(ValueError):
                facts.rehearsal = fact_of(json.loads(made.summary))
            return


def _came_and_went(facts: Facts, report: NightReport, state_folder: Path) -> None:
    found = None if report.started_s is None else day_report.read(state_folder, report.started_s)
    if found is not None:
        facts.came_and_went_count = found["came_and_went_count"]
        facts.came_and_went = [str(each["path"]) for each in found["came_and_went"][:CAME_AND_WENT_SHOWN]]
        facts.day_incomplete = [str(each) for each in found["incomplete"]]


def _forecast(facts: Facts) -> None:
    held = held_on_this_drive(facts.history)
    facts.trend = fit([(at_s, room.used_bytes) for at_s, room in held[-MOST_NIGHTS:]])
    if facts.trend is not None:
        facts.full = until_full(max(0, held[-1][1].free_bytes - facts.keep_free_bytes), facts.trend)


# --- of a run's summary, which another version may have written


def _point(run: Run) -> NightPoint:
    summary = _summary(run)
    tally = summary.get("tally")
    count = {key: value for key, value in tally.items() if _is_count(value)} if isinstance(tally, dict) else {}
    size_bytes = {kind: count.get(f"{kind}_bytes", 0) for kind in (ADDED, CHANGED, MOVED, REMOVED)}
    files = sum(count.get(kind, 0) for kind in (ADDED, CHANGED, MOVED, REMOVED))
    phases, reading = summary.get("phase_s"), summary.get("reading")
    copy_s = phases.get("copy") if isinstance(phases, dict) else None
    rates = {}
    for side in ("primary", "secondary"):
        read = reading.get(side) if isinstance(reading, dict) else None
        if isinstance(read, dict) and (rate := _rate(read.get("bytes"), read.get("s"))) is not None:
            rates[side] = rate
    return NightPoint(
        run.number, run.started_s, run.outcome, size_bytes, files, _rate(count.get("written_bytes"), copy_s), rates,
        _room(summary, "secondary"),
    )  # fmt: skip


def _summary(run: Run) -> dict[str, Any]:
    with suppress(ValueError):
        found = json.loads(run.summary)
        if isinstance(found, dict):
            return found
    return {}


def _drive_notes(summary: dict[str, Any]) -> list[DriveNote]:
    found = []
    said = summary.get("drives")
    for each in said if isinstance(said, list) else []:
        with suppress(KeyError, TypeError):
            texts = [each[key] for key in ("about", "code", "state", "found", "meaning", "todo")]
            if all(isinstance(text, str) for text in texts):
                found.append(DriveNote(*texts))
    return found


def _is_count(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0


def _rate(size_bytes: object, seconds: object) -> float | None:
    if not isinstance(size_bytes, int) or not isinstance(seconds, int | float) or seconds <= 0:
        return None
    return size_bytes / seconds if size_bytes >= RATE_FROM_BYTES else None


def _room(summary: dict[str, Any], drive: str) -> Room | None:
    with suppress(KeyError, TypeError):
        found = summary["room"][drive]
        if _is_count(found["free_bytes"]) and _is_count(found["total_bytes"]) and found["total_bytes"] > 0:
            return Room(found["free_bytes"], found["total_bytes"])
    return None
