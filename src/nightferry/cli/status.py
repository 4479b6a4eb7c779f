"""``nightferry status``: how all pairs stand, from what the last run of each wrote."""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightferry.cli.common import add_json, add_pairs
from nightferry.reporting.look import exits
from nightferry.units import format_count, format_size, show_text

if TYPE_CHECKING:
    from nightferry.planning.schedule import Calendar
    from nightferry.reporting.look.terminal import Screen
    from nightferry.reporting.standing.known_pairs import Known
    from nightferry.reporting.standing.status import FullFact, Reason, RunProgress, Status

SUMMARY = "the state of all pairs, for a person or a monitor"
DESCRIPTION = """\
Says how each pair stands: sound, attention or failed, and why. It reads only what the last run wrote, so
it is fast and wakes no drive. A status that is missing, or older than it promised, counts as failed. It
returns what the last run returned: 0 sound, 1 attention, 3 where a drive was missing or not the paired
one, 4 failed or no report in time; of several pairs the worst."""
EXAMPLE = """\
  nightferry status --json
  nightferry status --follow recordings"""


def configure(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    add_pairs(parser)
    parser.add_argument(
        "--follow",
        action="store_true",
        help="show what is under way until it ends, then how things stand; with --json a document a line",
    )
    add_json(parser)


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    from nightferry.reporting.standing.known_pairs import known

    found = known(args.config, args.names)
    if args.follow:
        from nightferry.cli.following import follow

        if not follow(found, partial(_tell, found, as_json=True) if args.json else None):
            return exits.INTERRUPTED
    return _tell(found, as_json=args.json)


def _tell(known: Known, *, as_json: bool) -> int:
    from nightferry.reporting.look import documents
    from nightferry.reporting.standing.status import STATES, judged

    state_dir, pairs = known
    now_s = time.time()
    found = [(pair.name, *judged(pair.name, state_dir / pair.name, now_s)) for pair in pairs]
    following = {pair.name: _next_run(pair.calendar, now_s) for pair in pairs}
    code = exits.worst(_code(state, reasons) for _, _, state, reasons in found)
    if as_json:
        documents.write(
            {
                "command": "status",
                "exit_code": code,
                "state": max((state for _, _, state, _ in found), key=STATES.index),
                "pairs": [_as_json(*each, following[each[0]]) for each in found],
            }
        )
        return code
    from nightferry.reporting.look.terminal import Screen

    screen = Screen()
    for position, (name, status, state, reasons) in enumerate(found):
        if position:
            screen.gap()
        _show(screen, name, _still_so(status, state_dir / name), state, reasons, now_s, following[name])
    return code


def _still_so(status: Status | None, folder: Path) -> Status | None:
    """Without a run that was cut off, whose last word stays in the file; as it is for who may not look at the lock."""
    lock = folder / "lock"
    if status is None or status.run is None or not os.access(lock, os.R_OK):
        return status
    from nightferry.volumes.lock import holder  # as slow to load as all the rest

    return status if holder(lock) is not None else replace(status, run=None)


def _code(state: str, reasons: tuple[Reason, ...]) -> int:
    return exits.of_status(state, reasons[0].code if reasons else None)


def _next_run(calendar: Calendar, now_s: float) -> str | None:
    """When the next night starts by the configuration; it takes the daemon or a timer to begin it."""
    from nightferry.planning.schedule import next_window
    from nightferry.reporting.standing.status import moment

    window = next_window(calendar, now_s)
    return None if window is None else moment(window.start_s)


def _as_json(
    name: str, status: Status | None, state: str, reasons: tuple[Reason, ...], next_run: str | None
) -> dict[str, Any]:
    found: dict[str, Any] = dict.fromkeys(
        ("format", "outcome", "written", "valid_until", "run", "last_run", "last_complete", "protected_as_of",
         "secondary_room", "verify_cycle_s", "rehearsal", "unprotected", "open_damage", "hold", "full")
    )  # fmt: skip
    found |= {"notes": [], "coverage": {}}
    if status is not None:
        found.update(status.as_json())
    return {
        **found, "pair": name, "next_run": next_run, "state": state, "exit_code": _code(state, reasons),
        "reasons": [reason._asdict() for reason in reasons],
    }  # fmt: skip


def _show(
    screen: Screen,
    name: str,
    status: Status | None,
    state: str,
    reasons: tuple[Reason, ...],
    now_s: float,
    next_run: str | None,
) -> None:
    from nightferry.reporting.standing.status import shown_moment

    screen.heading(f"{name}: {state}", state)
    for reason in reasons:
        screen.point(reason.sentence, state=state)
    if status is None:
        return
    rows = [*_runs(status), *_protection(status, now_s), *_proofs(status, now_s)]
    if next_run is not None:
        rows.append(("next night", shown_moment(next_run)))
    rows.append(("next report by", shown_moment(status.valid_until)))
    screen.table(("", ""), [(label, show_text(value)) for label, value in rows])
    for note in status.notes:
        screen.point(note)


def _runs(status: Status) -> Iterator[tuple[str, str]]:
    from nightferry.reporting.standing.status import shown_moment

    if status.run is not None:
        yield "running", _progress(status.run, shown_moment(status.written))
    last, complete = status.last_run, status.last_complete
    if last is not None:
        yield "last night", f"{last.number}, {last.outcome or 'cut off'}, {shown_moment(last.ended or last.started)}"
    if complete is not None and complete != last:
        yield "last complete night", f"{complete.number}, {shown_moment(complete.ended or complete.started)}"


def _protection(status: Status, now_s: float) -> Iterator[tuple[str, str]]:
    from nightferry.reporting.standing.status import shown_moment

    yield "protected as of", "nothing yet" if status.protected_as_of is None else shown_moment(status.protected_as_of)
    if (left := status.unprotected) is not None and left.files:
        noun = "file" if left.files == 1 else "files"
        said = f"{format_count(left.files)} {noun}, {format_size(left.bytes)}, as of"
        yield "not protected", f"{said} {shown_moment(left.as_of)}"
    if (room := status.secondary_room) is not None:
        yield "free on secondary", f"{format_size(room.free_bytes)} of {format_size(room.total_bytes)}"
    if status.full is not None:
        yield "full at this pace", _full(status.full, now_s)


def _proofs(status: Status, now_s: float) -> Iterator[tuple[str, str]]:
    from nightferry.reporting.screens.coverage_text import coverage_line, days
    from nightferry.reporting.screens.rehearsal_line import line, time_line

    places = [place for place, each in status.coverage.items() if each.files_total]
    if places and status.verify_cycle_s is not None:
        yield "read back", f"within {days(status.verify_cycle_s)}"
        for place in places:
            yield f"  {place}", coverage_line(status.coverage[place], now_s)
    if status.rehearsal is not None:
        yield "restore test", line(status.rehearsal)
        if (told := time_line(status.rehearsal)) is not None:
            yield "whole restore", told


def _full(full: FullFact, now_s: float) -> str:
    from nightferry.reporting.standing.status import shown_moment, unix

    def day(when: str | None) -> str:
        if when is None:
            return "never"
        return "now" if unix(when) <= now_s else shown_moment(when).split()[0]

    if full.soonest is None:
        return "never"
    return f"{day(full.likely)}, {day(full.soonest)} at the earliest (by {format_count(full.nights)} nights)"


def _progress(run: RunProgress, as_of: str) -> str:
    number = "" if run.number is None else f"night {run.number}, "
    files = f"{format_count(run.files)} files" if run.files_total is None else (
        f"{format_count(run.files)} of {format_count(run.files_total)} files"
    )  # fmt: skip
    size = "" if not run.bytes_total else f", {format_size(run.bytes)} of {format_size(run.bytes_total)}"
    return f"{number}{run.phase}: {files}{size} ({as_of})"
