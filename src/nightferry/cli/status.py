"""``nightferry status``: how all pairs stand, from what the last run of each wrote."""

from __future__ import annotations

import argparse
import time
from typing import TYPE_CHECKING, Any

from nightferry.cli.common import add_json, add_pairs, chosen_pairs
from nightferry.reporting import exits
from nightferry.units import format_count, format_size, show_text

if TYPE_CHECKING:
    from nightferry.reporting.status import Reason, RunProgress, Status
    from nightferry.reporting.terminal import Screen

SUMMARY = "the state of all pairs, for a person or a monitor"
DESCRIPTION = """\
Says how each pair stands: sound, attention or failed, and why. It reads only what the last run wrote, so
it is fast and wakes no drive. A status that is missing, or older than it promised, counts as failed."""
EXAMPLE = "  nightferry status --json"


def configure(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    add_pairs(parser)
    add_json(parser)


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    from nightferry.reporting import documents
    from nightferry.reporting.status import judged

    settings, pairs = chosen_pairs(args)
    now_s = time.time()
    found = [(pair.name, *judged(pair.name, settings.state_dir / pair.name, now_s)) for pair in pairs]
    code = exits.worst(exits.OF_STATE[state] for _, _, state, _ in found)
    if args.json:
        states = {exits.OF_STATE[state]: state for _, _, state, _ in found}
        documents.write(
            {
                "command": "status",
                "exit_code": code,
                "state": states[code],
                "pairs": [_as_json(name, status, state, reasons) for name, status, state, reasons in found],
            }
        )
        return code
    from nightferry.reporting.terminal import Screen

    screen = Screen()
    for position, (name, status, state, reasons) in enumerate(found):
        if position:
            screen.gap()
        _show(screen, name, status, state, reasons)
    return code


def _as_json(name: str, status: Status | None, state: str, reasons: tuple[Reason, ...]) -> dict[str, Any]:
    found: dict[str, Any] = dict.fromkeys(
        ("format", "outcome", "written", "valid_until", "run", "last_run", "last_complete", "protected_as_of",
         "secondary_room")
    )  # fmt: skip
    found["notes"] = []
    if status is not None:
        found.update(status.as_json())
    return {**found, "pair": name, "state": state, "reasons": [reason._asdict() for reason in reasons]}


def _show(screen: Screen, name: str, status: Status | None, state: str, reasons: tuple[Reason, ...]) -> None:
    from nightferry.reporting.status import shown_moment

    screen.heading(f"{name}: {state}", state)
    for reason in reasons:
        screen.point(reason.sentence, state=state)
    if status is None:
        return
    rows = []
    if status.run is not None:
        rows.append(("running", _progress(status.run, shown_moment(status.written))))
    if status.last_run is not None:
        ended = status.last_run.ended or status.last_run.started
        rows.append(
            ("last night", f"{status.last_run.number}, {status.last_run.outcome or 'cut off'}, {shown_moment(ended)}")
        )
    protected = "nothing yet" if status.protected_as_of is None else shown_moment(status.protected_as_of)
    rows.append(("protected as of", protected))
    if status.secondary_room is not None:
        room = status.secondary_room
        rows.append(("free on secondary", f"{format_size(room.free_bytes)} of {format_size(room.total_bytes)}"))
    rows.append(("next report by", shown_moment(status.valid_until)))
    screen.table(("", ""), [(label, show_text(value)) for label, value in rows])
    for note in status.notes:
        screen.point(note)


def _progress(run: RunProgress, as_of: str) -> str:
    number = "" if run.number is None else f"night {run.number}, "
    files = f"{format_count(run.files)} files" if run.files_total is None else (
        f"{format_count(run.files)} of {format_count(run.files_total)} files"
    )  # fmt: skip
    size = "" if not run.bytes_total else f", {format_size(run.bytes)} of {format_size(run.bytes_total)}"
    return f"{number}{run.phase}: {files}{size} ({as_of})"
