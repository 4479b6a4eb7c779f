"""What a night changed, read from the manifest as plain values."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import lru_cache
from typing import Any, NamedTuple

from nightferry.errors import WrongUse
from nightferry.manifest.covered import PLACES, Coverage, Place
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.night_findings import (
    DamageStory,
    OldDate,
    changed_under_old_date,
    damage_ended,
    damage_left,
    damage_since,
    drive_damage,
)
from nightferry.manifest.records import LeftOut, Past, Run
from nightferry.planning.dates import elapsed_s
from nightferry.planning.keeping import Kept, kept_until
from nightferry.planning.recurring_damage import DriveDamage
from nightferry.reporting.audit.folders import FolderSums
from nightferry.tree.metadata import Kind
from nightferry.tree.root import join
from nightferry.units import format_count, quoted

ADDED, CHANGED, MOVED, REMOVED, METADATA = "added", "changed", "moved", "removed", "metadata"
KINDS = (ADDED, CHANGED, MOVED, REMOVED, METADATA)

# Folders whose path is remembered while changes are read: they come folder by folder.
_PATHS_REMEMBERED = 4_096
_NIGHTS_NAMED = 12


class Change(NamedTuple):
    """One name that a night changed.

    ``size_bytes``: of what stands there after it; of what was removed: that it had. ``before_bytes``: of a changed
    file, the size that it had. ``kept``: whether the version it displaced is still on the secondary; None where it
    displaced none.
    """

    kind: str
    path: bytes
    source: bytes | None  # of what moved: its path before
    size_bytes: int
    is_folder: bool
    kept: bool | None
    before_bytes: int | None = None


@dataclass
class NightReport:
    """One run, as a report shows it."""

    pair: str
    number: int
    outcome: str | None  # None: it was cut off, or is under way
    state: str | None
    started_s: float | None
    ended_s: float | None
    tally: dict[str, int]
    notes: list[str] = field(default_factory=list)
    hold_reasons: list[str] = field(default_factory=list)
    failure: str | None = None
    open_damage: int = 0  # at its end
    still_damaged: int | None = None  # of that, now; None: as at its end
    damage: list[DamageStory] = field(default_factory=list)  # of that, with what became of it since
    damage_ended_count: int = 0  # what the night itself mended, or found right again
    damage_ended: list[DamageStory] = field(default_factory=list)
    damage_since_count: int = 0  # what commands by hand found between its end and the next night
    damage_since: list[DamageStory] = field(default_factory=list)
    drive_damage: list[DriveDamage] = field(default_factory=list)  # by drive, of the last months
    old_dates_count: int = 0  # files with other content, and a date that is no newer
    old_dates: list[OldDate] = field(default_factory=list)
    left_out: Counter[str] = field(default_factory=Counter)  # names by kind
    left_out_examples: list[LeftOut] = field(default_factory=list)
    kept: Kept | None = None
    coverage: dict[Place, Coverage] = field(default_factory=dict)  # at its end; empty: not known
    verify_cycle_s: float = 0.0
    rehearsal: dict[str, Any] | None = None  # where one was made in this night


# --- which night


def find_run(manifest: Manifest, pair: str, night: str | None) -> Run | None:
    """The run of a number or a date (the last that began on it); None: the newest that has ended.

    None where no night has run yet. Raises ``WrongUse`` for a night that is not there, and says which are.
    """
    runs = manifest.runs
    if night is None:
        newest: Run | None = None
        for run in runs.all():
            newest = newest or run
            if run.outcome is not None:
                return run
        return newest
    is_number = night.isdecimal() and len(night) <= 9
    found = runs.by_number(int(night)) if is_number else _of_date(manifest, night)
    if found is None:
        raise WrongUse(f"There is no night {quoted(night)} of the pair {quoted(pair)}: {_nights(manifest)}.")
    return found


def _of_date(manifest: Manifest, night: str) -> Run | None:
    try:
        wanted = date.fromisoformat(night)
    except ValueError:
        raise WrongUse(
            f"{quoted(night)} is neither the number of a night nor a date; give one like 12, or like 2026-05-03."
        ) from None
    return next((run for run in manifest.runs.all() if _date(run) == wanted), None)


def _date(run: Run) -> date:
    return datetime.fromtimestamp(run.started_s).date()


def _nights(manifest: Manifest) -> str:
    known: list[Run] = []
    oldest: Run | None = None
    for run in manifest.runs.all():
        oldest = run
        if len(known) < _NIGHTS_NAMED:
            known.append(run)
    if oldest is None:
        return "no night has run yet; `nightferry run` runs one"
    named = ", ".join(f"{run.number} ({_date(run)})" for run in known)
    if oldest.number < known[-1].number:
        return f"the newest are {named}; the oldest is {oldest.number} ({_date(oldest)})"
    return f"there are {named}"


# --- one night


def night_report(
    manifest: Manifest, pair: str, run: Run, *, keep_s: float, floor_s: float, examples: int = 20
) -> NightReport:
    """What is known of a run. ``examples``: how many names are given of each kind that was not copied, and the like."""
    summary = _summary(run)
    report = NightReport(
        pair=pair,
        number=run.number,
        outcome=run.outcome,
        state=summary.get("state"),
        started_s=run.started_s,
        ended_s=run.ended_s,
        tally=summary.get("tally", {}),
        notes=summary.get("notes", []),
        hold_reasons=summary.get("hold_reasons", []),
        failure=summary.get("failure"),
        open_damage=summary.get("open_damage", 0),
        coverage=_coverage(summary.get("coverage")),
        verify_cycle_s=summary.get("verify_cycle_s", 0.0),
        rehearsal=summary.get("rehearsal"),
    )
    for left in manifest.runs.left_out(run.number):
        report.left_out[left.kind] += 1
        if report.left_out[left.kind] <= examples:
            report.left_out_examples.append(left)
    _damage(report, manifest, run, examples)
    for each in changed_under_old_date(manifest, run.number):
        report.old_dates_count += 1
        if report.old_dates_count <= examples:
            report.old_dates.append(each)
    if run.outcome is not None:
        newest = manifest.runs.last() or run
        report.kept = kept_until(
            newest.started_s,
            elapsed_s(manifest.runs.starts_from(run.number)),
            manifest.runs.completed_since(run.number),
            keep_s=keep_s,
            floor_s=floor_s,
        )
    return report


def _damage(report: NightReport, manifest: Manifest, run: Run, examples: int) -> None:
    ended_s = math.inf if run.ended_s is None else run.ended_s
    if report.open_damage:
        report.still_damaged, report.damage = damage_left(manifest, run.number, ended_s, examples)
    report.damage_ended_count, report.damage_ended = damage_ended(manifest, run.number, examples)
    report.damage_since_count, report.damage_since = damage_since(manifest, run.number, ended_s, examples)
    if run.ended_s is not None:
        report.drive_damage = drive_damage(manifest, run.number, run.ended_s)


def _summary(run: Run) -> dict[str, Any]:
    try:
        found = json.loads(run.summary)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _coverage(found: object) -> dict[Place, Coverage]:
    """As the run's summary has it; empty for a run that did not get so far."""
    if not isinstance(found, dict):
        return {}
    try:
        return {
            place: Coverage(**{**found[place], "ages": tuple((files, size) for files, size in found[place]["ages"])})
            for place in PLACES
        }
    except (KeyError, TypeError, ValueError):
        return {}


# --- its changes


class Changes:
    """The changes of one run, streamed: memory does not grow with their number."""

    def __init__(self, manifest: Manifest, run: int) -> None:
        self._past = manifest.past
        self._run = run
        self._folder = lru_cache(_PATHS_REMEMBERED)(self._folder_as_of)

    def __iter__(self) -> Iterator[Change]:
        """By kind in the order of ``KINDS``, within it in the order in which the run made them."""
        for kind in KINDS:
            yield from self.of_kind(kind)

    def of_kind(self, kind: str) -> Iterator[Change]:
        if kind == ADDED:
            for parent, name, what, size_bytes in self._past.born_in(self._run):
                yield _change(ADDED, self._path(parent, name, self._run), None, size_bytes, what, None)
            return
        for past in self._past.of_reason(self._run, kind):
            if kind == CHANGED and past.since == past.until:
                continue  # a version that this run itself wrote, and wrote again
            yield self._displaced(kind, past)

    def _displaced(self, kind: str, past: Past) -> Change:
        before = self._run if past.since == past.until else self._run - 1
        path = self._path(past.parent, past.name, before)
        kept = None if kind not in (CHANGED, REMOVED) or past.kind is Kind.FOLDER else past.held is not None
        if kind == REMOVED:
            return _change(kind, path, None, past.size_bytes, past.kind, kept)
        place = self._past.place_after(past.entry, self._run)
        now = path if place is None else self._path(*place, self._run)
        if kind != CHANGED:
            return _change(kind, now, path if kind == MOVED else None, past.size_bytes, past.kind, kept)
        after_bytes = self._past.size_after(past.entry, self._run)
        change = _change(kind, now, None, past.size_bytes if after_bytes is None else after_bytes, past.kind, kept)
        return change._replace(before_bytes=past.size_bytes)

    def _path(self, parent: int, name: bytes, run: int) -> bytes:
        return join(self._folder(parent, run), name)

    def _folder_as_of(self, entry: int, run: int) -> bytes:
        place = self._past.place_after(entry, run)
        if place is None or place[0] == 0:
            return b""
        return self._past.path_as_of(*place, run)


def _change(kind: str, path: bytes, source: bytes | None, size_bytes: int, what: Kind, kept: bool | None) -> Change:
    is_folder = what is Kind.FOLDER
    return Change(kind, path, source, 0 if is_folder else size_bytes, is_folder, kept)


@dataclass
class Totals:
    """Changes counted by kind: files (and symlinks) with their bytes, and folders."""

    files: Counter[str] = field(default_factory=Counter)
    size_bytes: Counter[str] = field(default_factory=Counter)
    folders: Counter[str] = field(default_factory=Counter)
    not_kept: int = 0  # displaced versions that are no longer, or never were, on the secondary
    by_folder: FolderSums = field(default_factory=FolderSums)

    def add(self, change: Change) -> bytes | None:
        """Returns the folder that a file was counted under; None for a folder."""
        if change.is_folder:
            self.folders[change.kind] += 1
            return None
        self.files[change.kind] += 1
        self.size_bytes[change.kind] += change.size_bytes
        self.not_kept += change.kept is False
        return self.by_folder.add(change.kind, change.path, change.size_bytes)


def totals(manifest: Manifest, run: int) -> Totals:
    """One pass over the changes of a run."""
    found = Totals()
    for change in Changes(manifest, run):
        found.add(change)
    return found


def counted(count: int, one: str, many: str | None = None) -> str:
    """ "1 file", "12,345 files"."""
    return f"{format_count(count)} {one if count == 1 else many or one + 's'}"
