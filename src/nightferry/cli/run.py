"""``nightferry run``: a night over each pair, now."""

from __future__ import annotations

import argparse
import sys
import time
from functools import partial
from typing import TYPE_CHECKING

from nightferry.cli.common import add_json, add_pairs, complain, forget_output
from nightferry.cli.stopping import stopping_on_signals
from nightferry.cli.watched import drives_of
from nightferry.errors import NightferryError, WrongUse
from nightferry.reporting.look import exits
from nightferry.units import parse_duration

if TYPE_CHECKING:
    from nightferry.night.context import Clock, Stop
    from nightferry.reporting.morning import Came
    from nightferry.settings import PairSettings, Settings

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
    parser.add_argument(
        "--for", dest="for_", metavar="TIME", help='end after this time, such as "4h", instead of at finish_by'
    )
    # By the daemon, which tells others itself. Its nights are confined to what they write.
    parser.add_argument("--by-daemon", action="store_true", help=argparse.SUPPRESS)
    add_json(parser)


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    from nightferry.reporting.look import documents
    from nightferry.reporting.look.terminal import Screen
    from nightferry.reporting.standing.known_pairs import load_and_remember

    settings = load_and_remember(args.config)
    pairs = settings.chosen(args.names)
    given_s = _seconds(args.for_, args.without_window)
    screen = None if args.json else Screen()
    came: list[Came] = []
    with stopping_on_signals() as asked:
        from nightferry.night.confining import CANNOT, confined
        from nightferry.night.context import Clock
        from nightferry.night.hang import supervised
        from nightferry.reporting.morning import ended_early, not_begun, run_pair, show

        def night(pair: PairSettings, clock: Clock, stop: Stop) -> Came:
            asked.attend(stop)
            with confined(pair, settings.state_dir, is_unattended=args.by_daemon) as is_confined:
                if not is_confined:
                    complain(CANNOT)
                return run_pair(
                    pair, settings.state_dir, clock, stop,
                    is_terminal=sys.stderr.isatty(), is_public=settings.status_public,
                )  # fmt: skip

        for pair in pairs:
            if asked.is_set:
                came.append(not_begun(pair))
                continue
            clock = Clock()
            stop = _stop_of(pair, clock, given_s, without_window=args.without_window)
            try:
                # In a process of its own: a drive that never answers must not keep this one, and the other pairs.
                came.append(supervised(partial(night, pair, clock, stop), *drives_of(pair), lambda: asked.is_set))
            except NightferryError as error:
                came.append(ended_early(pair, settings.state_dir, error, clock, is_public=settings.status_public))
            if came[-1].error is not None:
                complain(came[-1].error)
            if came[-1].exit_code != exits.BUSY and not args.by_daemon:
                from nightferry.reporting.telling.alerts import tell

                _complain_of(tell(pair, settings.state_dir, clock.now_s()))
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
    if not args.by_daemon:
        _tell_of_all(settings)
    code = exits.worst(each.exit_code for each in came)
    if args.json:
        documents.write({"command": "run", "exit_code": code, "pairs": [each.as_json() for each in came]})
    return code


def _stop_of(pair: PairSettings, clock: Clock, given_s: float | None, *, without_window: bool) -> Stop:
    from nightferry.night.context import Stop
    from nightferry.planning.window import next_moment

    left_s = given_s
    if left_s is None and not without_window:
        left_s = next_moment(clock.now_s(), pair.finish_by, pair.time_zone) - clock.now_s()
    return Stop(clock, None if left_s is None else clock.monotonic_s() + left_s)


def _complain_of(problem: str | None) -> None:
    if problem:
        complain(problem)


def _tell_of_all(settings: Settings) -> None:
    """The figures, and a watcher outside. What cannot be told changes nothing of the nights."""
    from nightferry.reporting.telling.heartbeat import beat
    from nightferry.reporting.telling.metrics import leave_metrics

    _complain_of(leave_metrics(settings, time.time()))
    _complain_of(beat(settings))


def _seconds(given: str | None, without_window: bool) -> float | None:
    """What ``--for`` says, in seconds. Raises ``WrongUse``."""
    if given is None:
        return None
    if without_window:
        raise WrongUse("--for and --without-window cannot both be given.")
    try:
        return parse_duration(given).total_seconds()
    except ValueError as error:
        raise WrongUse(f"--for: {error}") from None
