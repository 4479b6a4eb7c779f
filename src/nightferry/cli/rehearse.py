"""``nightferry rehearse``: a restore test, now."""

from __future__ import annotations

import argparse
import sys
from functools import partial
from typing import TYPE_CHECKING, Any

from nightferry.cli.common import add_json, add_pairs, chosen_pairs, say_error
from nightferry.errors import NightferryError, WrongUse
from nightferry.reporting.look import exits

if TYPE_CHECKING:
    from nightferry.cli.stopping import Asked
    from nightferry.recovery.rehearsing.by_hand import Made
    from nightferry.settings import PairSettings, Settings

SUMMARY = "a restore test, now: a sample restored from the secondary alone"
DESCRIPTION = """\
Restores a random sample for real, from the secondary alone and by the manifest that is sealed on it, into a
scratch place (in memory by default); compares content and metadata with what they should be; times it past
the page cache; and removes it. Where nothing is wrong, it shows with 95% confidence that fewer than a share
of the files, and of the bytes, cannot be restored. It always takes the largest file, some of last night's
and some retired versions too. What is bad goes into the damage register, for the next night to mend. A
report is left in records/reports/ on the secondary and beside the state. Nights do this by themselves, every
`rehearse_every`."""
EXAMPLE = """\
  nightferry rehearse recordings
  nightferry rehearse --share 0.5% --json recordings"""


def configure(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    add_pairs(parser, needed=True)
    parser.add_argument(
        "--share", metavar="SHARE", help='the share to show ("1%%"); smaller takes longer (default: rehearse_share)'
    )
    add_json(parser)


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    from nightferry.cli.stopping import stopping_on_signals
    from nightferry.cli.watched import drives_of, watched
    from nightferry.reporting.look import documents
    from nightferry.reporting.look.terminal import Screen
    from nightferry.reporting.screens.rehearsal_json import as_json
    from nightferry.reporting.screens.rehearsal_text import show_rehearsal

    settings, pairs = chosen_pairs(args)
    share = _share(args.share)
    screen = Screen()
    codes: list[int] = []
    told: list[dict[str, Any]] = []
    with stopping_on_signals() as asked:
        for position, pair in enumerate(pairs):
            made, error = None, None
            try:
                if asked.is_set:
                    raise NightferryError("Asked to stop before the turn of this pair came; the same command does it.")
                made = watched(partial(_rehearse, settings, pair, share, asked), "rehearse", drives_of(pair), asked)
                codes.append(made.exit_code)
            except NightferryError as refused:
                error = str(refused)
                codes.append(exits.ATTENTION if asked.is_set and made is None else say_error(refused))
            if args.json:
                report = None if made is None else as_json(made.rehearsal)
                told.append({"pair": pair.name, "exit_code": codes[-1], "error": error, "rehearsal": report})
            elif made is not None:
                if position:
                    screen.gap()
                where = f"{pair.secondary}/records/reports/rehearsal-{made.rehearsal.stamp}.txt"
                show_rehearsal(screen, made.rehearsal, made.problems, where)
    code = exits.worst(codes)
    if args.json:
        documents.write({"command": "rehearse", "exit_code": code, "pairs": told})
    return code


def _share(given: str | None) -> float | None:
    from nightferry.units import parse_share

    if given is None:
        return None
    try:
        share = parse_share(given)
    except ValueError as error:
        raise WrongUse(f"--share: {error}") from error
    if share <= 0:
        raise WrongUse('--share: a share above nothing is needed, such as "1%".')
    return share


def _rehearse(settings: Settings, pair: PairSettings, share: float | None, asked: Asked) -> Made:
    from nightferry.night.context import Clock, Progress, Stop
    from nightferry.recovery.rehearsing.by_hand import rehearse_pair
    from nightferry.reporting.look.progress import Bar, Log
    from nightferry.reporting.page.reports import bring_up_to_date
    from nightferry.reporting.screens.rehearsal_text import render
    from nightferry.reporting.standing.damage_status import leave_damage
    from nightferry.reporting.standing.rehearsal_status import leave_rehearsal
    from nightferry.tree.effects import Effects

    clock = Clock()
    stop = Stop(clock)
    asked.attend(stop)

    def rehearse(progress: Progress) -> Made:
        return rehearse_pair(pair, settings.state_dir, share, render, progress, Effects(), clock, stop)

    if sys.stderr.isatty():
        with Bar(pair.name) as bar:
            made = rehearse(bar)
    else:
        made = rehearse(Log(pair.name))
    leave_rehearsal(settings.state_dir, pair.name, made.rehearsal, clock.now_s())
    if made.open_damage:
        leave_damage(settings.state_dir, pair.name, made.open_damage, clock.now_s())
    bring_up_to_date(pair, settings.state_dir, "rehearse", clock.now_s())
    return made
