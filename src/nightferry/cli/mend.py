"""``nightferry mend``: what is damaged, and putting it right on a person's word."""

from __future__ import annotations

import argparse
import os
import sys
from functools import partial
from typing import TYPE_CHECKING, Any

from nightferry.cli.common import add_json, agreed, chosen_pairs, complain
from nightferry.errors import WrongUse
from nightferry.reporting.look import exits
from nightferry.units import format_count

if TYPE_CHECKING:
    from nightferry.cli.stopping import Asked
    from nightferry.night.context import Stop
    from nightferry.recovery.mending.damage import Case
    from nightferry.recovery.opening import Opened
    from nightferry.recovery.session import Action, Looked, Outcome, Session
    from nightferry.reporting.look.terminal import Screen
    from nightferry.settings import PairSettings, Settings

SUMMARY = "show what is damaged, and put it right"
DESCRIPTION = """\
Shows each damaged file, what the primary, the copy and the retired versions have of it, and what can be
done; then it changes nothing. With --restore it puts the right content back on the primary, with its
original metadata. With --accept it takes things as they are: the next night copies the present content and
keeps the older version in retired/. Where no place has the right content, --from chooses a version, and
--salvage reads around the bad spots of a file into a new one beside it. What takes the place of a file on
the primary keeps that file first, in retired/ on the secondary, where `history` lists it."""
EXAMPLE = """\
  nightferry mend recordings
  nightferry mend recordings "2026-05 spring concert/01 kyrie.wav" --restore"""

# Names that are read and shown where nothing is done: each is read wherever it stands.
_SHOWN_LIMIT = 50


def configure(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("names", metavar="NAME", nargs=1, help="the pair, by the name that the configuration gives it")
    parser.add_argument(
        "paths", metavar="PATH", nargs="*", help="damaged files, or folders that hold them; all where none is given"
    )
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--restore", action="store_true", help="put the right content back on the primary")
    what.add_argument("--accept", action="store_true", help="take it as it is")
    what.add_argument(
        "--from", dest="source", metavar="VERSION",
        help="of one file: put this version on the primary (secondary, primary, retired/...)",
    )  # fmt: skip
    what.add_argument("--salvage", action="store_true", help="read an unreadable file around its bad spots")
    parser.add_argument("--yes", action="store_true", help="do not ask; needed where there is no terminal")
    add_json(parser)


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    from nightferry.cli.stopping import stopping_on_signals
    from nightferry.cli.watched import drives_of, watched

    settings, (pair,) = chosen_pairs(args)
    if args.source is not None and len(args.paths) != 1:
        raise WrongUse("--from is for one file: give its PATH, and no other.")
    with stopping_on_signals() as asked:
        return watched(partial(_mend, args, settings, pair, asked), "mend", drives_of(pair), asked)


def _mend(args: argparse.Namespace, settings: Settings, pair: PairSettings, asked: Asked) -> int:
    from nightferry.night.context import Clock, Stop
    from nightferry.recovery.opening import open_pair
    from nightferry.recovery.session import Session
    from nightferry.reporting.look.damage_words import count_names
    from nightferry.reporting.page.reports import bring_up_to_date
    from nightferry.reporting.standing.damage_status import leave_damage
    from nightferry.tree.content import Stopped
    from nightferry.tree.effects import Effects

    action = _action(args)
    clock = Clock()
    stop = Stop(clock)
    asked.attend(stop)
    try:
        writes = action not in (None, "accept")
        with open_pair(pair, settings.state_dir, "mend", Effects(), mend=writes) as opened:
            call = _Call(args, action, opened, Session(opened, clock, stop), stop)
            call.run()
            still_open = opened.manifest.runs.damage()
            open_count = len(still_open)
    except Stopped:
        complain("Asked to stop: what was not said to be done is not done, and every file is whole.")
        return exits.ATTENTION
    if action is not None:
        leave_damage(settings.state_dir, pair.name, open_count, clock.now_s())
        bring_up_to_date(pair, settings.state_dir, "mend", clock.now_s())
    code = exits.ATTENTION if open_count or call.refused else exits.SOUND
    call.end(code, open_count, count_names(still_open))
    return code


def _action(args: argparse.Namespace) -> Action | None:
    if args.restore:
        return "restore"
    if args.accept:
        return "accept"
    if args.source is not None:
        return "choose"
    return "salvage" if args.salvage else None


class _Call:
    """One call: shows, asks, does, and says what came of it."""

    def __init__(
        self, args: argparse.Namespace, action: Action | None, opened: Opened, session: Session, stop: Stop
    ) -> None:
        from nightferry.reporting.look.terminal import Screen

        self._args, self._action, self._opened, self._session, self._stop = args, action, opened, session, stop
        self._pair = opened.settings.name
        # With --json stdout is for the document alone; what a person is asked about goes to stderr.
        self._screen: Screen = Screen(sys.stderr if args.json else sys.stdout)
        self._told: list[dict[str, Any]] = []
        self._hidden = 0
        self.refused = 0  # names with which what was asked for was not done

    def run(self) -> None:
        """Raises ``WrongUse`` where nobody can be asked, and ``Stopped``."""
        anyway = self._args.source is not None
        found = self._session.chosen([os.fsencode(path) for path in self._args.paths], anyway=anyway)
        if self._action is None and not self._args.paths:
            self._hidden = max(0, len(found) - _SHOWN_LIMIT)
            found = found[:_SHOWN_LIMIT]
        if not found:
            if not self._args.json:
                self._screen.text(f"Nothing in {self._pair} is damaged.")
            return
        looked = []
        for number, each in enumerate(self._session.look(found)):
            if not self._args.json or (self._action is not None and not self._args.yes):
                self._show(each, number)
            looked.append(each)
        if self._hidden:
            self._screen.text(f"and {format_count(self._hidden)} more.")
        if self._action is None or not self._agreed(found):
            self._told += [self._as_json(each, None) for each in looked]
            return
        for each in looked:
            self._act(each)

    def _show(self, looked: Looked, number: int) -> None:
        from nightferry.reporting.screens.mend_text import show_case

        if number < _SHOWN_LIMIT:
            show_case(self._screen, self._pair, self._opened.manifest, *looked)
            self._flush()

    def _flush(self) -> None:
        sys.stdout.flush()
        sys.stderr.flush()

    def _agreed(self, found: list[Case]) -> bool:
        """Raises ``WrongUse`` where nobody can be asked, and ``Stopped``."""
        from nightferry.tree.content import Stopped

        if self._args.yes:
            return True
        if not sys.stdin.isatty():
            raise WrongUse(
                "Nobody can be asked, since this is not a terminal: nothing was done. If the names above are right, add"
                " --yes."
            )
        names = "this name" if len(found) == 1 else f"these {format_count(len(found))} names"
        what = {
            "restore": f"Put the right content of {names} back on the primary?",
            "accept": f"Take {names} as they are?" if len(found) > 1 else "Take it as it is?",
            "choose": "Put that version on the primary, as the one that counts from now on?",
            "salvage": f"Read {names} around the bad spots, into a new file beside it?",
        }
        assert self._action is not None
        self._flush()
        if agreed(what[self._action], self._stop):
            return True
        if self._stop():
            raise Stopped
        self._screen.text("Nothing was done.")
        return False

    def _act(self, looked: Looked) -> None:
        from nightferry.reporting.screens.mend_text import salvaged_text
        from nightferry.reporting.screens.verify_text import shown_path

        assert self._action is not None
        source = None if self._args.source is None else os.fsencode(self._args.source)
        outcome = self._session.act(looked, self._action, source)
        self.refused += not outcome.done
        self._told.append(self._as_json(looked, outcome))
        if not self._args.json:
            told = outcome.told if outcome.salvaged is None else salvaged_text(outcome.salvaged)
            name = shown_path("retired" if looked.case.in_retired else "", looked.case.path)
            self._screen.point(f"{name}: {told}", state="sound" if outcome.done else "attention")

    def _as_json(self, looked: Looked, outcome: Outcome | None) -> dict[str, Any]:
        from nightferry.reporting.screens.mend_text import case_as_json, salvaged_as_json

        salvaged = None if outcome is None or outcome.salvaged is None else salvaged_as_json(outcome.salvaged)
        return {
            **case_as_json(self._pair, *looked),
            "done": outcome is not None and outcome.done,
            "outcome": None if outcome is None else outcome.told,
            "salvaged": salvaged,
        }

    def end(self, code: int, open_count: int, names: int) -> None:
        """The last word. ``names``: those that are damaged still, each of which may be bad on both drives."""
        from nightferry.reporting.audit.changes import counted
        from nightferry.reporting.look import documents

        if self._args.json:
            documents.write(
                {
                    "command": "mend", "exit_code": code, "pair": self._pair, "action": self._action,
                    "open_damage": open_count, "not_shown": self._hidden, "damage": self._told,
                }
            )  # fmt: skip
        elif self._action is not None and self._told:
            left = f"{counted(names, 'name is', 'names are')} still damaged" if names else "no damage is open"
            self._screen.text(f"{self._pair}: {left}.")
