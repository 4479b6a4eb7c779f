"""``nightferry lastnight``: what a night changed."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightferry.cli import lastnight_query
from nightferry.cli.common import add_json, add_pairs, chosen_pairs, say_error
from nightferry.errors import NightferryError, NotAPair
from nightferry.reporting.look import exits

if TYPE_CHECKING:
    from nightferry.manifest.manifest import Manifest
    from nightferry.manifest.records import Run
    from nightferry.reporting.audit.changes import Change, NightReport
    from nightferry.reporting.look.terminal import Screen
    from nightferry.settings import PairSettings, Settings

SUMMARY = "what changed last night, or on any night: the audit"
DESCRIPTION = """\
Says what a night added, changed, moved, removed and did not copy, by folder or name by name, and until
when each removed or replaced version is kept. It reads this machine's own records; no drive is needed."""
EXAMPLE = """\
  nightferry lastnight recordings --night 2026-05-03 --all
  nightferry lastnight --unseen --path "*.wav" --kind removed,changed
  nightferry lastnight recordings --night 10.. --larger 1GiB --csv > large.csv
  nightferry lastnight recordings --html report.html"""


def configure(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    add_pairs(parser)
    parser.add_argument(
        "--night", metavar="N|DATE",
        help="the night of this number or date (12, 2026-05-03), or nights: 10..14, 2026-05-01..2026-05-07, 10..",
    )  # fmt: skip
    parser.add_argument("--all", action="store_true", help="every name, one to a line")
    lastnight_query.add_options(parser)
    add_json(parser)


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    settings, pairs = chosen_pairs(args)
    if args.html is not None or lastnight_query.is_query(args):
        return lastnight_query.main(settings, pairs, args)
    if args.json:
        return _as_json(settings, pairs, args)
    from nightferry.reporting.look.terminal import Screen

    screen = Screen()
    codes = []
    for position, pair in enumerate(pairs):
        if position:
            screen.gap()
        try:
            with opened(settings, pair) as manifest:
                _show(screen, pair, manifest, args, settings.state_dir)
            codes.append(exits.SOUND)
        except NightferryError as error:
            codes.append(say_error(error))
    return exits.worst(codes)


def _as_json(settings: Settings, pairs: list[PairSettings], args: argparse.Namespace) -> int:
    from nightferry.reporting.look.documents import StreamedDocument

    document = StreamedDocument({"command": "lastnight"})
    codes = []
    for pair in pairs:
        try:
            with opened(settings, pair) as manifest:
                fields, changes = _fields(pair, manifest, args)
                day = _day_before(settings.state_dir / pair.name, fields["started"])
                document.pair({**fields, "day": day, "error": None}, "changes", changes)
            codes.append(exits.SOUND)
        except NightferryError as error:
            codes.append(say_error(error))
            fields, _ = _fields(pair, None, args)
            document.pair({**fields, "day": None, "error": str(error)}, "changes", ())
    code = exits.worst(codes)
    document.end({"exit_code": code})
    return code


def _day_before(folder: Path, started: str | None) -> dict[str, Any] | None:
    """What was seen of the day before a night."""
    from nightferry.reporting.standing import day_report
    from nightferry.reporting.standing.status import unix

    return None if started is None else day_report.read(folder, unix(started))


def opened(settings: Settings, pair: PairSettings) -> AbstractContextManager[Manifest]:
    """A pair's manifest, for reading without a trace. Raises ``WrongUse`` where it is not a pair yet."""
    from nightferry.manifest.manifest import FILE_NAME, Manifest
    from nightferry.night.preflight import state_folder
    from nightferry.tree.effects import Effects
    from nightferry.volumes.lock import holder

    folder = state_folder(settings.state_dir, pair.name)
    if not (folder / FILE_NAME).exists():
        raise NotAPair(pair.name)
    return Manifest.look(folder / FILE_NAME, Effects(), in_use=holder(folder / "lock") is not None, check=True)


def _report(pair: PairSettings, manifest: Manifest, run: Run) -> NightReport:
    from nightferry.reporting.audit.changes import night_report

    keep_s, floor_s = pair.keep_retired.total_seconds(), pair.keep_retired_at_least.total_seconds()
    return night_report(manifest, pair.name, run, keep_s=keep_s, floor_s=floor_s)


def _show(screen: Screen, pair: PairSettings, manifest: Manifest, args: argparse.Namespace, state_dir: Path) -> None:
    from nightferry.reporting.audit.changes import KINDS, Changes, find_run, totals
    from nightferry.reporting.look import words
    from nightferry.reporting.screens.coverage_text import show_ages
    from nightferry.reporting.screens.night_json import counts_of_totals
    from nightferry.reporting.screens.night_text import change_line, show_folders, show_report
    from nightferry.reporting.standing import day_report
    from nightferry.units import show_name, show_text

    run = find_run(manifest, pair.name, args.night)
    if run is None:
        screen.text(f"{pair.name}: no night has run yet; start one with `nightferry run {pair.name}`.")
        return
    report = _report(pair, manifest, run)
    found = totals(manifest, run.number)
    show_report(screen, report, words.reasons(report), counts_of_totals(found, KINDS))
    newest = manifest.runs.last()
    if args.night is None and newest is not None and newest.number > run.number:
        screen.point(f"Night {newest.number} began after it, and is under way or was cut off.")
    show_ages(screen, report.coverage)
    if run.started_s is not None:
        day = day_report.read(state_dir / pair.name, run.started_s)
        for sentence in () if day is None else day_report.sentences(day):
            screen.text(sentence)
    screen.gap()
    if not args.all:
        show_folders(screen, found.by_folder)
        return
    for change in Changes(manifest, run.number):
        screen.line(change_line(change))
    for left in manifest.runs.left_out(run.number):
        screen.line(f"{'not copied':<22}  {show_name(left.path)}  ({show_text(left.kind)}: {show_text(left.detail)})")


def _fields(
    pair: PairSettings, manifest: Manifest | None, args: argparse.Namespace
) -> tuple[dict[str, Any], Iterator[object]]:
    """All but the changes; and these, which are read as they are written."""
    from nightferry.reporting.audit.changes import KINDS, Changes, NightReport, Totals, find_run, totals
    from nightferry.reporting.look import words
    from nightferry.reporting.screens.night_json import (
        change_as_json,
        counts_of_totals,
        folders_as_json,
        left_out_as_json,
        report_as_json,
    )

    run = None if manifest is None else find_run(manifest, pair.name, args.night)
    found = Totals()
    listed: Iterable[Change] = ()
    if manifest is None or run is None:
        fields = report_as_json(NightReport(pair.name, 0, None, None, None, None, {}), ())
    else:
        found = totals(manifest, run.number)
        report = _report(pair, manifest, run)
        fields = report_as_json(report, words.reasons(report))
        if args.all:
            # At most as many as a run keeps names of, all of which are in the manifest.
            fields["not_copied_names"] = [left_out_as_json(each) for each in manifest.runs.left_out(run.number)]
            listed = Changes(manifest, run.number)
    fields["number"] = None if run is None else run.number
    fields["counts"] = counts_of_totals(found, KINDS)
    fields["folders"] = folders_as_json(found.by_folder)
    return fields, (change_as_json(change) for change in listed)
