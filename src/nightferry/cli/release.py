"""``nightferry release``: a held night may go on."""

from __future__ import annotations

import argparse
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from nightferry.cli.common import add_json, chosen_pairs, complain
from nightferry.errors import NightferryError, NotAPair
from nightferry.reporting.look import exits
from nightferry.units import format_count

if TYPE_CHECKING:
    from nightferry.settings import PairSettings

SUMMARY = "let a held night go on"
DESCRIPTION = """\
A night that would remove or replace too much stops short of it and waits. This command is a person's
word that it was meant: the next run carries it out. Nothing is removed now, and what is removed then
is kept in retired/ as always."""
EXAMPLE = "  nightferry release recordings && nightferry run recordings"


def configure(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("names", metavar="NAME", nargs=1, help="the pair, by the name that the configuration gives it")
    add_json(parser)


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    from nightferry.manifest.manifest import FILE_NAME, Manifest
    from nightferry.night.preflight import lock_pair, state_folder
    from nightferry.reporting.look import documents
    from nightferry.reporting.look.terminal import Screen
    from nightferry.reporting.standing.released_status import leave_released
    from nightferry.tree.effects import Effects

    settings, (pair,) = chosen_pairs(args)
    path = state_folder(settings.state_dir, pair.name) / FILE_NAME
    if not path.exists():
        raise NotAPair(pair.name)
    now_s = time.time()
    with lock_pair(settings.state_dir, pair.name, "release") as folder:
        manifest = Manifest.open(path, Effects())
        try:
            hold = manifest.runs.open_hold()
            was_released = hold is not None and hold.released_s is not None
            if hold is not None and not was_released:
                manifest.runs.release(hold.run, now_s)
        finally:
            manifest.close()
        if hold is not None:
            leave_released(folder, hold.run, now_s)
    if hold is not None and not was_released:
        _bring_page_up_to_date(pair, settings.state_dir, now_s)
    if args.json:
        documents.write(
            {
                "command": "release",
                "exit_code": exits.SOUND,
                "pair": pair.name,
                "released": hold is not None and not was_released,
                "was_released": was_released,
                "night": None if hold is None else hold.run,
                "removals": 0 if hold is None else hold.removals,
                "replacements": 0 if hold is None else hold.replacements,
                "hold_reasons": [] if hold is None else hold.reasons.split("\n"),
            }
        )
        return exits.SOUND
    screen = Screen()
    if hold is None:
        screen.text(f"{pair.name} is not held; there is nothing to release.")
        return exits.SOUND
    screen.heading(f"{pair.name}: night {hold.run} was held because")
    for reason in hold.reasons.split("\n"):
        screen.point(reason)
    screen.table(
        ("", ">files"),
        (("to be removed", format_count(hold.removals)), ("to be replaced", format_count(hold.replacements))),
    )
    screen.gap()
    if was_released:
        screen.text("It was released before; the next run carries it out.")
    else:
        screen.text("Released: the next run carries it out. What it removes and replaces is kept in retired/.")
    screen.text(f"Run it now: `nightferry run {pair.name}`")
    return exits.SOUND


def _bring_page_up_to_date(pair: PairSettings, state_dir: Path, now_s: float) -> None:
    """The page on the secondary too, where that is there; the hold is released whatever becomes of it."""
    from nightferry.cli.watched import drives_of, watched
    from nightferry.reporting.page.reports import bring_up_to_date

    try:
        watched(partial(bring_up_to_date, pair, state_dir, "release", now_s), "release", drives_of(pair))
    except NightferryError as error:
        complain(f"The hold is released. Its page was not brought up to date: {error}")
