"""What ``nightferry lastnight`` answers beside the one night: ranges, patterns, kinds, sizes, exports, the page."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from nightferry.cli.common import say_error
from nightferry.errors import Failed, NightferryError, WrongUse
from nightferry.reporting.look import exits
from nightferry.units import format_count, show_text

if TYPE_CHECKING:
    from nightferry.manifest.manifest import Manifest
    from nightferry.manifest.records import Run
    from nightferry.reporting.audit.changes import Totals
    from nightferry.reporting.audit.exports import CsvExport
    from nightferry.reporting.audit.question import Found, Question
    from nightferry.reporting.look.terminal import Screen
    from nightferry.settings import PairSettings, Settings

# As many names are shown without --all: more are summed up by folder.
_NAMES_SHOWN = 40
_DEPTH_LIMIT = 16
_NIGHTS_NAMED = 5


def add_options(parser: argparse.ArgumentParser) -> None:
    """The arguments beside those for one night."""
    parser.add_argument(
        "--unseen",
        action="store_true",
        help="the nights since you last asked with --unseen; the first time, the last one",
    )
    parser.add_argument(
        "--path", metavar="PATH", action="append", default=[],
        help="only this name, from the top of the primary, or this folder with all below it, or what fits a pattern as"
        " in exclude; may be repeated",
    )  # fmt: skip
    parser.add_argument(
        "--kind", metavar="KIND", action="append", default=[],
        help="only changes of these kinds: added, changed, moved, removed, metadata; or what was not copied:"
        " unreadable, unsettled, unsupported, other mount, no room, unlisted",
    )  # fmt: skip
    parser.add_argument("--larger", metavar="SIZE", help="only files of this size or more, such as 100MiB")
    parser.add_argument("--smaller", metavar="SIZE", help="only files of this size or less")
    parser.add_argument("--depth", metavar="N", type=int, help="totals for so many levels of folders (default: 2)")
    parser.add_argument("--jsonl", action="store_true", help="every name as JSON Lines, one object a line")
    parser.add_argument("--csv", action="store_true", help="every name as CSV, with a header")
    parser.add_argument("--html", metavar="FILE", help="write the morning report of one night of one pair into a file")


def is_query(args: argparse.Namespace) -> bool:
    """Whether more was asked than what one night did."""
    filters = (
        args.unseen,
        args.path,
        args.kind,
        args.larger,
        args.smaller,
        args.depth is not None,
        args.jsonl,
        args.csv,
    )
    return any(filters) or ".." in (args.night or "")


def main(settings: Settings, pairs: list[PairSettings], args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    if sum((args.json, args.jsonl, args.csv, args.html is not None)) > 1:
        raise WrongUse("Give one of --json, --jsonl, --csv and --html.")
    if args.html is not None:
        return _page(settings, pairs, args)
    question = _question(args, pairs)
    if args.json:
        return _as_json(settings, pairs, args, question)
    if args.jsonl or args.csv:
        return _export(settings, pairs, args, question)
    return _as_text(settings, pairs, args, question)


def _question(args: argparse.Namespace, pairs: list[PairSettings]) -> Question:
    from nightferry.reporting.audit.question import Question, parse_kinds, parse_range, selection_of

    if args.night is not None:
        if args.unseen:
            raise WrongUse("Give --night or --unseen, not both.")
        parse_range(args.night)
    if args.depth is not None and not 1 <= args.depth <= _DEPTH_LIMIT:
        raise WrongUse(f"--depth takes a number of levels from 1 to {_DEPTH_LIMIT}.")
    return Question(
        selection_of([_below_the_top(os.fsencode(path), pairs) for path in args.path]),
        parse_kinds(args.kind),
        _size("--larger", args.larger),
        _size("--smaller", args.smaller),
    )


def _below_the_top(given: bytes, pairs: list[PairSettings]) -> bytes:
    """A path or pattern as it stands below the top of the drive, from one that may begin with where it is mounted."""
    tops = [os.fsencode(top) for pair in pairs for top in (pair.secondary / "copy", pair.primary)]
    for top in tops:
        if given == top or given.startswith(top.rstrip(b"/") + b"/"):
            return given[len(top) :]
    return given.removeprefix(b"./")


def _size(option: str, given: str | None) -> int | None:
    from nightferry.units import parse_size

    if given is None:
        return None
    try:
        return parse_size(given)
    except ValueError as error:
        raise WrongUse(f"{option}: {error}.") from None


# --- which nights


class _Asked:
    """The nights of one pair that are meant, and what is noted once they have been shown."""

    def __init__(self, manifest: Manifest, pair: PairSettings, args: argparse.Namespace) -> None:
        from nightferry.reporting.audit.changes import find_run
        from nightferry.reporting.audit.question import nights_of, parse_range

        self._manifest, self._is_noted = manifest, args.unseen
        if args.unseen:
            self.runs = self._unseen(pair)
        elif args.night is None:
            run = find_run(manifest, pair.name, None)
            self.runs = [] if run is None else [run]
        else:
            self.runs = nights_of(manifest, parse_range(args.night))
            if not self.runs:
                find_run(manifest, pair.name, args.night.partition("..")[0].strip() or "0")  # says which there are
                raise WrongUse(
                    f'No night of the pair "{pair.name}" lies in that range: `nightferry history {pair.name}` lists'
                    " them."
                )

    def _unseen(self, pair: PairSettings) -> list[Run]:
        from nightferry.manifest.nights_between import nights_between
        from nightferry.reporting.audit.changes import find_run
        from nightferry.reporting.audit.looked import file_of_this_user, last_looked

        seen = last_looked(file_of_this_user(), self._manifest.pair_id or pair.name)
        if seen is None:
            run = find_run(self._manifest, pair.name, None)
            return [] if run is None else [run]
        return [run for run in nights_between(self._manifest, seen + 1, None) if run.outcome is not None]

    def note(self, pair: PairSettings) -> None:
        """Once all has been shown: until here it is seen."""
        from nightferry.reporting.audit.looked import file_of_this_user, note_looked

        if self._is_noted and self.runs:
            note_looked(file_of_this_user(), self._manifest.pair_id or pair.name, self.runs[-1].number)


# --- answers


def _as_text(settings: Settings, pairs: list[PairSettings], args: argparse.Namespace, question: Question) -> int:
    from nightferry.cli.lastnight import opened
    from nightferry.reporting.look.terminal import Screen

    screen = Screen()
    codes = []
    for position, pair in enumerate(pairs):
        if position:
            screen.gap()
        try:
            with opened(settings, pair) as manifest:
                asked = _Asked(manifest, pair, args)
                _show(screen, pair, manifest, asked.runs, args, question)
                asked.note(pair)
            codes.append(exits.SOUND)
        except NightferryError as error:
            codes.append(say_error(error))
    return exits.worst(codes)


def _show(
    screen: Screen,
    pair: PairSettings,
    manifest: Manifest,
    runs: list[Run],
    args: argparse.Namespace,
    question: Question,
) -> None:
    from nightferry.reporting.audit.changes import KINDS
    from nightferry.reporting.audit.question import LEFT_OUT_KINDS, answer
    from nightferry.reporting.screens.night_json import counts_of_totals
    from nightferry.reporting.screens.night_text import change_line, show_counts, show_folders

    if not runs:
        why = "no night has ended since you last looked" if args.unseen else "no night has run yet"
        screen.text(f"{pair.name}: {why}.")
        return
    screen.heading(f"{pair.name}: {_nights_in_words(runs)}{'' if question.is_everything else ', what fits'}")
    for sentence in _outcomes_in_words(pair.name, runs):
        screen.text(sentence)
    found = _sums(manifest, runs, args, question)
    count = sum(found.files.values()) + sum(found.folders.values())
    if not count:
        screen.text("Nothing that fits changed." if not question.is_everything else "Nothing changed.")
        return
    kinds = (*KINDS, *(kind for kind in LEFT_OUT_KINDS if found.files[kind]))
    show_counts(screen, counts_of_totals(found, kinds))
    if not args.all and count > _NAMES_SHOWN:
        show_folders(screen, found.by_folder)
        return
    for each in answer(manifest, runs, question):
        detail = "" if each.detail is None else f"  ({show_text(each.detail)})"
        night = f"night {each.run.number:<5} " if len(runs) > 1 else ""
        screen.line(f"{night}{change_line(each.change)}{detail}")


def _nights_in_words(runs: list[Run]) -> str:
    from nightferry.reporting.look.words import day

    first, last = runs[0], runs[-1]
    if first is last:
        return f"night {first.number} ({day(first.started_s)})"
    days = list(dict.fromkeys((day(first.started_s), day(last.started_s))))
    return f"nights {first.number} to {last.number} ({' to '.join(days)})"


def _outcomes_in_words(pair: str, runs: list[Run]) -> Iterator[str]:
    """ "6 complete, 1 held (night 12).": by their numbers those that are not complete, a few of each outcome."""
    numbers: dict[str, list[int]] = {}
    for run in runs:
        numbers.setdefault(run.outcome or "without an end", []).append(run.number)
    told = []
    for outcome, of_it in numbers.items():
        named = ", ".join(map(str, of_it[:_NIGHTS_NAMED])) + (", …" if len(of_it) > _NIGHTS_NAMED else "")
        which = "" if outcome == "complete" or len(runs) == 1 else f" (night{'s' * (len(of_it) > 1)} {named})"
        told.append(f"{format_count(len(of_it))} {show_text(outcome)}{which}")
    yield f"{', '.join(told) if len(runs) > 1 else next(iter(numbers)).capitalize()}."
    odd = [run.number for run in runs if run.outcome != "complete"]
    if odd:
        yield f"Why it was not complete: `nightferry lastnight {pair} --night {odd[-1]}`"


def _sums(manifest: Manifest, runs: list[Run], args: argparse.Namespace, question: Question) -> Totals:
    from nightferry.reporting.audit.changes import Totals
    from nightferry.reporting.audit.folders import LEVELS, FolderSums
    from nightferry.reporting.audit.question import answer

    found = Totals(by_folder=FolderSums(levels=args.depth or LEVELS))
    for each in answer(manifest, runs, question):
        found.add(each.change)
    return found


def _as_json(settings: Settings, pairs: list[PairSettings], args: argparse.Namespace, question: Question) -> int:
    from nightferry.cli.lastnight import opened
    from nightferry.reporting.audit.changes import KINDS, Totals
    from nightferry.reporting.audit.exports import found_as_json
    from nightferry.reporting.audit.question import answer, night_fact
    from nightferry.reporting.look.documents import StreamedDocument
    from nightferry.reporting.screens.night_json import counts_of_totals, folders_as_json

    document = StreamedDocument({"command": "lastnight"})
    codes = []
    for pair in pairs:
        fields: dict[str, Any] = {"pair": pair.name, "nights": [], "counts": {}, "folders": [], "error": None}
        try:
            with opened(settings, pair) as manifest:
                asked = _Asked(manifest, pair, args)
                found = _sums(manifest, asked.runs, args, question) if asked.runs else Totals()
                fields["nights"] = [night_fact(run) for run in asked.runs]
                fields["counts"] = counts_of_totals(found, KINDS)
                fields["folders"] = folders_as_json(found.by_folder)
                listed: Iterator[Found] = answer(manifest, asked.runs, question) if args.all else iter(())
                document.pair(fields, "changes", map(found_as_json, listed))
                asked.note(pair)
            codes.append(exits.SOUND)
        except NightferryError as error:
            codes.append(say_error(error))
            document.pair({**fields, "error": str(error)}, "changes", ())
    code = exits.worst(codes)
    document.end({"exit_code": code})
    return code


def _export(settings: Settings, pairs: list[PairSettings], args: argparse.Namespace, question: Question) -> int:
    from nightferry.cli.lastnight import opened
    from nightferry.reporting.audit.exports import CsvExport, write_json_lines
    from nightferry.reporting.audit.question import answer

    codes = []
    table: CsvExport | None = CsvExport() if args.csv else None
    for pair in pairs:
        try:
            with opened(settings, pair) as manifest:
                asked = _Asked(manifest, pair, args)
                found = answer(manifest, asked.runs, question)
                if table is not None:
                    table.write(pair.name, found)
                else:
                    write_json_lines(pair.name, found)
                asked.note(pair)
            codes.append(exits.SOUND)
        except NightferryError as error:
            codes.append(say_error(error))
    return exits.worst(codes)


# --- the page


def _page(settings: Settings, pairs: list[PairSettings], args: argparse.Namespace) -> int:
    from nightferry.cli.lastnight import opened
    from nightferry.night.preflight import state_folder
    from nightferry.reporting.audit.changes import find_run
    from nightferry.reporting.page.gather import gather_night
    from nightferry.reporting.page.page import render

    if len(pairs) != 1 or is_query(args):
        raise WrongUse(
            "--html writes the report of one night of one pair: name the pair, and --night by its number or date."
        )
    (pair,) = pairs
    _off_the_drives(args.html, pairs)
    with opened(settings, pair) as manifest:
        run = find_run(manifest, pair.name, args.night)
        if run is None:
            raise WrongUse(f'No night of the pair "{pair.name}" has run yet: `nightferry run {pair.name}`.')
        now_s = run.ended_s if run.ended_s is not None else run.started_s
        page = render(
            gather_night(
                pair, manifest, run.number, now_s=now_s, state_folder=state_folder(settings.state_dir, pair.name)
            )
        )
    _write(args.html, page)
    return exits.SOUND


def _off_the_drives(path: str, pairs: list[PairSettings]) -> None:
    """Nothing is written to a primary but by ``pair`` and ``mend``, and nothing to a secondary but by runs."""
    folder = os.path.realpath(os.path.dirname(path) or ".")
    for pair in pairs:
        for role, top in (("primary", pair.primary), ("secondary", pair.secondary)):
            real = os.path.realpath(top)
            if folder == real or folder.startswith(real.rstrip("/") + "/"):
                raise WrongUse(f"{path} lies on the {role} of {pair.name}: give a file elsewhere.")


def _write(path: str, page: bytes) -> None:
    """Whole or not at all."""
    new = f"{path}.new"
    try:
        if os.path.lexists(path) and not os.path.isfile(path):
            raise WrongUse(f"{path} is no file: give the name of one.")
        with open(new, "wb") as file:
            file.write(page)
        os.replace(new, path)
    except OSError as error:
        raise Failed(
            f"The page could not be written to {path} ({error.strerror}): give --html another place, or make room"
            " there."
        ) from error
