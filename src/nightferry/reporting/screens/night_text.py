"""A night on a terminal."""

from __future__ import annotations

from typing import Any

from nightferry.manifest.night_findings import DamageStory
from nightferry.reporting.audit.changes import KINDS, Change, NightReport, counted
from nightferry.reporting.audit.folders import FolderSums
from nightferry.reporting.look import words
from nightferry.reporting.look.damage_words import became_since, damage_line, drive_signs
from nightferry.reporting.look.terminal import Screen
from nightferry.reporting.screens.coverage_text import show_coverage
from nightferry.reporting.screens.rehearsal_line import line
from nightferry.reporting.standing.rehearsal_status import fact_of
from nightferry.reporting.standing.status import Reason
from nightferry.units import format_count, format_size, show_name, show_text

FOLDERS_SHOWN = 15
NAMES_SHOWN = 5
KIND_SHOWN = {"undecided": "look again"}  # the only kind of change whose name says little


def show_report(screen: Screen, report: NightReport, reasons: tuple[Reason, ...], counts: dict[str, Any]) -> None:
    """A whole night, but for its changes by folder or name."""
    screen.heading(words.headline(report), report.state)
    screen.text(f"{words.meaning(report)} {words.took(report)}".rstrip())
    for reason in reasons:
        screen.point(reason.sentence, state=report.state)
    _show_damage(screen, report)
    for sentence in drive_signs(report):
        screen.point(sentence)
    show_counts(screen, counts, mended=report.tally.get("mended", 0))
    displaced = counts["changed"]["files"] + counts["removed"]["files"]
    kept = words.kept(report)
    if displaced and kept:
        screen.text(kept)
    _show_not_copied(screen, report)
    for note in report.notes:
        screen.point(note)
    _show_old_dates(screen, report)
    if (fact := fact_of(report.rehearsal)) is not None:
        screen.text(f"Restore test: {line(fact)}.")
    if report.coverage and report.ended_s is not None:
        screen.gap()
        show_coverage(screen, report.coverage, report.verify_cycle_s, report.ended_s, ", as of its end")


def show_counts(screen: Screen, counts: dict[str, Any], *, mended: int = 0) -> None:
    """The table of changes by kind; one sentence where there were none. ``mended``: copies that were put right."""
    rows = []
    for kind, count in counts.items():
        if count["files"] or count["folders"]:
            files, folders = (format_count(count[what]) if count[what] else "" for what in ("files", "folders"))
            size = format_size(count["bytes"]) if files and kind != "metadata" else ""
            rows.append((kind, files, size, folders))
    if not rows:
        screen.text(f"It changed nothing {'else ' if mended else ''}on the secondary.")
        return
    screen.gap()
    screen.table(("", ">files", ">size", ">folders"), rows)
    screen.gap()


def show_folders(screen: Screen, sums: FolderSums) -> None:
    """Where the changes are: the folders with most bytes."""
    found = sums.largest_first()
    if not found:
        return
    rows = [
        (format_count(each.files), format_size(each.size_bytes), kinds_line(each.kinds), folder_name(folder))
        for folder, each in found[:FOLDERS_SHOWN]
    ]
    screen.table((">files", ">size", "changes", "folder"), rows)
    if len(found) > FOLDERS_SHOWN:
        screen.text(f"and {counted(len(found) - FOLDERS_SHOWN, 'more folder')}; --all lists every name.")


def folder_name(folder: bytes) -> str:
    """A folder's name, with the top of the drive as a word."""
    return show_name(folder) + "/" if folder else "(top of the drive)"


def change_line(change: Change) -> str:
    """One change on one line."""
    size = "" if change.is_folder or change.kind == "metadata" else format_size(change.size_bytes)
    slash = "/" if change.is_folder else ""
    source = "" if change.source is None else f"{show_name(change.source)}{slash} → "
    said = "" if change.before_bytes is None else f"  (was {format_size(change.before_bytes)})"
    said += "  (no longer kept)" if change.kept is False else ""
    return f"{change.kind:<10} {size:>11}  {source}{show_name(change.path)}{slash}{said}"


def kinds_line(kinds: dict[str, int]) -> str:
    """ "300 added, 12 removed": changes by kind."""
    order = [*KINDS, *(kind for kind in kinds if kind not in KINDS)]
    return ", ".join(f"{format_count(kinds[kind])} {KIND_SHOWN.get(kind, kind)}" for kind in order if kinds.get(kind))


def _show_damage(screen: Screen, report: NightReport) -> None:
    """What stood at the end of that night, and apart from it what became of it since."""
    for each in report.damage:
        since = became_since(each)
        screen.point(f"{_told(each)}{f' ({since})' if since else ''}", state=None if since else "failed")
    if (more := report.open_damage - len(report.damage)) > 0:
        screen.point(f"and {counted(more, 'name')} more that {'was' if more == 1 else 'were'} damaged when it ended.")
    for each in report.damage_ended:
        screen.point(f"{_told(each)} (in this night: {show_text(each.became or 'closed')})")
    if (more := report.damage_ended_count - len(report.damage_ended)) > 0:
        screen.point(f"and {counted(more, 'name')} more that were bad and are right again.")
    for each in report.damage_since:
        since = became_since(each)
        screen.point(f"Found after this night: {_told(each)}{f' ({since})' if since else ''}", state="failed")
    if (more := report.damage_since_count - len(report.damage_since)) > 0:
        screen.point(f"and {counted(more, 'name')} more, found after this night.")
    if any(each.closed_run is None for each in report.damage_since):
        screen.point(f"What each place has, and what can be done: `nightferry mend {report.pair}`.")


def _told(each: DamageStory) -> str:
    return f"{show_name(each.path)}: {damage_line(each.side, each.verdict, each.detail)}"


def _show_old_dates(screen: Screen, report: NightReport) -> None:
    if not report.old_dates_count:
        return
    files = counted(report.old_dates_count, "file")
    screen.text(f"Other content under a date that is no newer, in {files}; the version before is in retired/:")
    for each in report.old_dates[:NAMES_SHOWN]:
        screen.line(f"    {show_name(each.path)}")
    if report.old_dates_count > NAMES_SHOWN:
        screen.text(f"    and {format_count(report.old_dates_count - NAMES_SHOWN)} more, in the morning report")


def _show_not_copied(screen: Screen, report: NightReport) -> None:
    for kind, count in sorted(report.left_out.items()):
        screen.text(f"Not copied, {show_text(kind)}: {format_count(count)}")
        names = [each for each in report.left_out_examples if each.kind == kind]
        for each in names[:NAMES_SHOWN]:
            screen.line(f"    {show_name(each.path)}: {show_text(each.detail)}")
        if count > NAMES_SHOWN:
            screen.text(f"    and {format_count(count - NAMES_SHOWN)} more: `nightferry lastnight --all {report.pair}`")
