"""``nightferry tonight``: what tonight's run would do."""

from __future__ import annotations

import argparse
import time
from functools import partial
from typing import TYPE_CHECKING, Any

from nightferry.cli.common import add_json, add_pairs, chosen_pairs, complain
from nightferry.errors import AbsentDrive, NightferryError
from nightferry.reporting.look import exits

if TYPE_CHECKING:
    from nightferry.reporting.look.documents import StreamedDocument
    from nightferry.settings import PairSettings, Settings

SUMMARY = "what tonight's run would do, and how long it would take; writes nothing"
DESCRIPTION = """\
Compares both sides of each pair as a night would, by names and metadata, and says what it would add,
change, move and remove, whether that fits, whether the night would be held, and how long it would take.
It writes nothing: no file on either drive, and none in the state folder."""
EXAMPLE = "  nightferry tonight recordings --all"


def configure(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    add_pairs(parser)
    parser.add_argument("--all", action="store_true", help="every name, one to a line")
    add_json(parser)


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    settings, pairs = chosen_pairs(args)
    if args.json:
        return _as_json(settings, pairs, with_names=args.all)
    from nightferry.cli.watched import drives_of, watched
    from nightferry.reporting.look.terminal import Screen
    from nightferry.reporting.screens.outlook_text import show_away

    screen = Screen()
    codes = []
    for position, pair in enumerate(pairs):
        if position:
            screen.gap()
        try:
            codes.append(watched(partial(_show, settings, pair, with_names=args.all), "tonight", drives_of(pair)))
        except NightferryError as error:
            away = _away(settings, pair, error)
            if away is None:
                complain(str(error))
                codes.append(error.exit_code)
            else:
                show_away(screen, pair, away)
                codes.append(exits.SOUND)
    return exits.worst(codes)


def _show(settings: Settings, pair: PairSettings, *, with_names: bool) -> int:
    """One pair, as text; returns its code."""
    from nightferry.night.outlook import look
    from nightferry.reporting.look.terminal import Screen
    from nightferry.reporting.screens.forecast import forecast
    from nightferry.reporting.screens.outlook_text import show_outlook

    with look(pair, settings.state_dir, **_world()) as outlook:
        found = forecast(outlook, pair)
        show_outlook(Screen(), outlook, found, with_names=with_names)
        return found.exit_code


def _world() -> dict[str, Any]:
    from nightferry.night.context import Clock, Stop, Unwatched
    from nightferry.tree.effects import Effects

    clock = Clock()
    return {"progress": Unwatched(), "effects": Effects(), "clock": clock, "stop": Stop(clock)}


def _away(settings: Settings, pair: PairSettings, error: NightferryError) -> float | None:
    """How old the copy is of a secondary that is away and may be; None for any other error."""
    if not isinstance(error, AbsentDrive) or error.role != "secondary":
        return None
    from nightferry.reporting.screens.forecast import copy_age

    return copy_age(pair, settings.state_dir, time.time())


def _as_json(settings: Settings, pairs: list[PairSettings], *, with_names: bool) -> int:
    """The exit code stands at the end of the document: it is known when all pairs have been looked at."""
    from nightferry.cli.watched import drives_of, watched
    from nightferry.reporting.look.documents import StreamedDocument
    from nightferry.reporting.screens.forecast import outlook_as_json

    codes = []
    document = StreamedDocument({"command": "tonight"})
    for pair in pairs:
        try:
            write = partial(_write, document, settings, pair, with_names=with_names)
            codes.append(watched(write, "tonight", drives_of(pair)))
            document.has_pair()
        except NightferryError as error:
            away = _away(settings, pair, error)
            codes.append(error.exit_code if away is None else exits.SOUND)
            if away is None:
                complain(str(error))
            document.pair(
                {**outlook_as_json(None, None), "pair": pair.name, "exit_code": codes[-1],
                 "error": str(error) if away is None else None, "copy_age_s": away},
                "changes", (),
            )  # fmt: skip
    code = exits.worst(codes)
    document.end({"exit_code": code})
    return code


def _write(document: StreamedDocument, settings: Settings, pair: PairSettings, *, with_names: bool) -> int:
    """One pair of the document, of which the names are written as they are read; returns its code."""
    from nightferry.night.outlook import look
    from nightferry.reporting.screens.forecast import expected_as_json, forecast, outlook_as_json

    with look(pair, settings.state_dir, **_world()) as outlook:
        found = forecast(outlook, pair)
        names = outlook.changes() if with_names else ()
        document.pair(outlook_as_json(outlook, found), "changes", map(expected_as_json, names))
        return found.exit_code
