"""``nightferry plan`` for pairs: measured first where that is asked for."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from nightferry.cli.common import chosen_pairs, complain
from nightferry.errors import Failed, NightferryError, WrongUse
from nightferry.reporting.look import exits

if TYPE_CHECKING:
    from nightferry.cli.stopping import Asked
    from nightferry.night.situation import Known
    from nightferry.planning.prospect import Prospect
    from nightferry.reporting.look.terminal import Screen
    from nightferry.settings import PairSettings, Settings

FIGURES = "nightferry plan --read 112MB/s --write 109MB/s --size 1TB"


def plan_pairs(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    from nightferry.cli.stopping import stopping_on_signals
    from nightferry.reporting.look import documents
    from nightferry.reporting.look.terminal import Screen
    from nightferry.reporting.screens.plan_json import plan_as_json
    from nightferry.reporting.screens.rates_text import measured_as_json, nights_as_json

    try:
        settings, pairs = chosen_pairs(args)
    except WrongUse as refused:
        if args.names or args.measure:
            raise
        # Whoever has no drives yet has no configuration.
        raise WrongUse(f"{refused}\nFor drives that are not bought yet: `{FIGURES}`") from refused
    screen = None if args.json else Screen()
    codes: list[int] = []
    document: list[dict[str, Any]] = []
    for position, pair in enumerate(pairs):
        if screen is not None and position:
            screen.gap()
        known, found, error = None, None, None
        with stopping_on_signals() as asked:
            try:
                known, found = _one(settings, pair, asked, measure_first=args.measure, quiet=args.json)
                codes.append(exits.SOUND if found.night.margin_s >= 0 else exits.ATTENTION)
            except NightferryError as raised:
                error = str(raised)
                complain(error)
                codes.append(exits.ATTENTION if asked.is_set else raised.exit_code)
        if screen is not None and known is not None and found is not None:
            _show(screen, pair.name, known, found)
        document.append(
            {
                "pair": pair.name,
                "exit_code": codes[-1],
                "error": error,
                "measured": None if known is None else measured_as_json(known.measured, known.sides.disks),
                "nights": None if known is None else nights_as_json(known),
                **plan_as_json(None if known is None else known.situation, found),
            }
        )
        if asked.is_set:
            break
    code = exits.worst(codes)
    if args.json:
        documents.write({"command": "plan", "exit_code": code, "pairs": document})
    return code


def _one(
    settings: Settings, pair: PairSettings, asked: Asked, *, measure_first: bool, quiet: bool
) -> tuple[Known, Prospect]:
    from nightferry.cli.watched import drives_of, watched
    from nightferry.night.situation import situation
    from nightferry.planning.prospect import prospect
    from nightferry.tree.effects import Effects

    def look() -> Known:
        if measure_first:
            _measure(settings, pair, asked, quiet=quiet)
        return situation(pair, settings.state_dir, Effects())

    known = watched(look, "plan", drives_of(pair), asked if measure_first else None)
    try:
        return known, prospect(known.situation)
    except ValueError as error:
        raise Failed(f'The pair "{pair.name}" cannot be planned: {error}.') from error


def _measure(settings: Settings, pair: PairSettings, asked: Asked, *, quiet: bool) -> None:
    """Asked to stop, it takes away what it wrote, and keeps nothing."""
    from nightferry.night.context import Clock, Stop, Unwatched
    from nightferry.night.measuring import measure
    from nightferry.tree.content import Stopped
    from nightferry.tree.effects import Effects

    class Told(Unwatched):
        def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
            if not quiet:
                complain(f"measuring {pair.name}: {name}")

    clock = Clock()
    stop = Stop(clock)
    asked.attend(stop)
    try:
        measure(pair, settings.state_dir, Told(), effects=Effects(), clock=clock, stop=stop)
    except Stopped as error:
        raise NightferryError(
            f'Measuring the pair "{pair.name}" was stopped, as asked: nothing of it is kept, and what it wrote into'
            " staging/ is gone again."
        ) from error


def _show(screen: Screen, name: str, known: Known, found: Prospect) -> None:
    from nightferry.night.situation import not_measured
    from nightferry.reporting.screens.plan_text import show_plan
    from nightferry.reporting.screens.rates_text import show_measured, show_nights

    if known.measured is not None:
        show_measured(screen, known.measured, known.sides.disks)
    else:
        screen.text(not_measured(name))
    show_nights(screen, known)
    screen.gap()
    show_plan(screen, f"Plan for {name}", known.situation, found)
