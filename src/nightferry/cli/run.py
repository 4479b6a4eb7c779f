"""``nightferry run``: a night over each pair, now."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from nightferry.cli.common import add_json, add_pairs, chosen_pairs, complain, forget_output
from nightferry.cli.stopping import stopping_on_signals
from nightferry.reporting import exits

if TYPE_CHECKING:
    from nightferry.reporting.morning import Came

SUMMARY = "a night over each pair, now"
DESCRIPTION = """\
Runs a night over each pair in turn: compares, copies what is new or changed, moves what moved, retires
what is gone, and reports. It stops cleanly at finish_by, on SIGTERM and on Ctrl-C: what is finished
stays, and the next run carries on from there."""
EXAMPLE = "  nightferry run --without-window recordings"


def configure(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    add_pairs(parser)
    parser.add_argument("--without-window", action="store_true", help="take as long as it takes, also beyond finish_by")
    add_json(parser)


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    from nightferry.reporting import documents
    from nightferry.reporting.terminal import Screen

    settings, pairs = chosen_pairs(args)
    screen = None if args.json else Screen()
    came: list[Came] = []
    with stopping_on_signals() as asked:
        from nightferry.night.context import Clock, Stop
        from nightferry.planning.window import next_moment
        from nightferry.reporting.morning import not_begun, run_pair, show

        for pair in pairs:
            if asked.is_set:
                came.append(not_begun(pair))
            else:
                clock = Clock()
                left_s = None if args.without_window else next_moment(clock.now_s(), pair.finish_by) - clock.now_s()
                stop = Stop(clock, None if left_s is None else clock.monotonic_s() + left_s)
                asked.attend(stop)
                came.append(run_pair(pair, settings.state_dir, clock, stop, is_terminal=sys.stderr.isatty()))
            if came[-1].error is not None:
                complain(came[-1].error)
            if screen is not None:
                try:
                    if len(came) > 1:
                        screen.gap()
                    show(screen, came[-1])
                    sys.stdout.flush()
                except OSError:
                    # Nobody reads it any more: the other pairs have their night all the same, and the exit code tells.
                    screen = None
                    forget_output()
    code = exits.worst(each.exit_code for each in came)
    if args.json:
        documents.write({"command": "run", "exit_code": code, "pairs": [each.as_json() for each in came]})
    return code
