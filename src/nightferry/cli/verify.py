"""``nightferry verify``: reads and checks, now."""

from __future__ import annotations

import argparse
import os
import sys
from functools import partial
from typing import TYPE_CHECKING, Any

from nightferry.cli.common import add_json, add_pairs, chosen_pairs, say_error
from nightferry.errors import NightferryError, WrongUse
from nightferry.reporting.look import exits

if TYPE_CHECKING:
    from nightferry.cli.stopping import Asked
    from nightferry.recovery.verifying import VerifyResult, Wanted
    from nightferry.settings import PairSettings, Settings

SUMMARY = "read both drives and check every file, now"
DESCRIPTION = """\
Reads files from both drives at once, past the page cache, and compares each with the checksum taken when
it was copied: those first whose last reading is oldest, and none that was read within the last 12 hours.
It also looks for names on the secondary that no run put there. It changes no file that was copied: what it
finds goes into the damage register, for `nightferry mend` and the next night, and into the morning report on
the secondary, which is all that it writes to a drive. Stopped with Ctrl-C or SIGTERM, or at
the end of the time given with --for, it goes on from there when it is called again."""
EXAMPLE = """\
  nightferry verify --for 2h recordings
  nightferry verify --side secondary --path "2026-05 spring concert" recordings"""


def configure(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    add_pairs(parser)
    parser.add_argument("--side", choices=("primary", "secondary", "both"), default="both", help="which drive to read")
    parser.add_argument(
        "--path", metavar="PATH", help="only this file, or this folder and all below it; from the top of the drive"
    )
    parser.add_argument(
        "--retired", action=argparse.BooleanOptionalAction, default=True, help="retired versions too (the default)"
    )
    parser.add_argument(
        "--for", metavar="DURATION", dest="duration", help='stop after so long ("90min", "2h"), pair by pair'
    )
    parser.add_argument("--all", action="store_true", help="also what was read within the last 12 hours")
    add_json(parser)


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    from nightferry.cli.stopping import stopping_on_signals
    from nightferry.cli.watched import drives_of, watched
    from nightferry.reporting.look import documents
    from nightferry.reporting.look.terminal import Screen
    from nightferry.reporting.screens.verify_text import as_json, show_verified

    settings, pairs = chosen_pairs(args)
    wanted = _wanted(args)
    screen = Screen()
    codes, told = [], []
    with stopping_on_signals() as asked:
        for position, pair in enumerate(pairs):
            result, error = None, None
            try:
                if asked.is_set:
                    raise NightferryError("Asked to stop before the turn of this pair came; the same command does it.")
                result = watched(partial(_verify, settings, pair, wanted, asked), "verify", drives_of(pair), asked)
                codes.append(result.exit_code)
            except NightferryError as refused:
                error = str(refused)
                codes.append(exits.ATTENTION if asked.is_set and result is None else say_error(refused))
            if args.json:
                told.append(_document(pair.name, None if result is None else as_json(result), codes[-1], error))
            elif result is not None:
                if position:
                    screen.gap()
                show_verified(screen, result)
    code = exits.worst(codes)
    if args.json:
        documents.write({"command": "verify", "exit_code": code, "pairs": told})
    return code


def _wanted(args: argparse.Namespace) -> Wanted:
    from nightferry.manifest.fixity import Side
    from nightferry.recovery.verifying import Wanted
    from nightferry.units import parse_duration

    sides: dict[str, tuple[Side, ...]] = {
        "both": ("primary", "secondary"), "primary": ("primary",), "secondary": ("secondary",),
    }  # fmt: skip
    for_s = None
    if args.duration is not None:
        try:
            for_s = parse_duration(args.duration).total_seconds()
        except ValueError as error:
            raise WrongUse(f"--for: {error}") from error
        if for_s <= 0:
            raise WrongUse("--for: a time longer than nothing is needed.")
    path = None if args.path is None else os.fsencode(args.path)
    return Wanted(sides[args.side], path, args.retired, args.all, for_s)


def _verify(settings: Settings, pair: PairSettings, wanted: Wanted, asked: Asked) -> VerifyResult:
    from nightferry.night.context import Clock, Progress, Stop
    from nightferry.recovery.verifying import verify_pair
    from nightferry.reporting.look.progress import Bar, Log
    from nightferry.reporting.page.reports import bring_up_to_date
    from nightferry.reporting.standing.damage_status import leave_damage
    from nightferry.tree.effects import Effects

    clock = Clock()
    stop = Stop(clock)
    asked.attend(stop)

    def verify(progress: Progress) -> VerifyResult:
        return verify_pair(pair, settings.state_dir, wanted, progress, Effects(), clock, stop)

    if sys.stderr.isatty():
        with Bar(pair.name) as bar:
            result = verify(bar)
    else:
        result = verify(Log(pair.name))
    leave_damage(settings.state_dir, pair.name, len(result.open), clock.now_s(), coverage=result.coverage)
    bring_up_to_date(pair, settings.state_dir, "verify", clock.now_s())
    return result


def _document(name: str, result: dict[str, Any] | None, code: int, error: str | None) -> dict[str, Any]:
    empty: dict[str, Any] = {
        "stopped": None, "seconds": None, "read": {}, "past_cache": None, "intact": None, "changed": None, "found": [],
        "looked_for_unlisted": False, "closed": [], "damage": [], "coverage": {},
        "verify_cycle_s": None,
    }  # fmt: skip
    return {"pair": name, "exit_code": code, "error": error, **(empty if result is None else result)}
