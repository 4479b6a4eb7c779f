"""``nightferry restore``: files, folders or everything, as of any night that is kept."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightferry.cli.common import add_json, agreed, load_settings, say_error
from nightferry.errors import NightferryError, WrongUse
from nightferry.reporting.look import exits

if TYPE_CHECKING:
    from nightferry.cli.stopping import Asked
    from nightferry.night.context import Progress
    from nightferry.recovery.restoring.keep_off import Guarded
    from nightferry.recovery.restoring.opening import Source
    from nightferry.recovery.restoring.result import RestoreResult
    from nightferry.settings import PairSettings, Settings

SUMMARY = "get files back, as of any night that is kept; or everything, onto a new primary"
DESCRIPTION = """\
Restores from the secondary into a folder: everything, or the files, folders and patterns that are named, as they
stand below the top of the primary, under the same paths below the folder. Each file is checked against its checksum
as it is written, and gets its owner, permissions, times, attributes and links back. A file that is bad in the copy
is taken from wherever its right content stands. What is in the folder already is compared and not written again, and
what differs there is left as it is without --overwrite: so after a crash or Ctrl-C the same command goes on.

Neither drive of a pair is written to, but for a new primary: `restore NAME --new-primary` fills the new, empty drive
that is mounted where the configuration has the primary, and makes it the pair's primary.

With --secondary nothing is needed but the drive: no configuration, and nothing of the old box."""
EXAMPLE = """\
  nightferry restore recordings "2026-05 spring concert" --into /home/choir/restored
  nightferry restore recordings "*.wav" --as-of 2026-05-03 --into /home/choir/restored
  nightferry restore --secondary /mnt/second --into /home/choir/restored
  nightferry restore recordings --new-primary"""

_QUESTION = "Fill this drive and make it the primary?"


def configure(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument(
        "given", metavar="NAME [PATH…]", nargs="*",
        help="the pair, then what of it: paths from the top of the primary, or patterns as in `exclude`; with"
        " --secondary paths only",
    )  # fmt: skip
    parser.add_argument("--into", metavar="FOLDER", type=Path, help="where to restore; the folder above it is there")
    parser.add_argument(
        "--as-of", metavar="NIGHT", help='as which night left it: its number, a date, or "2026-05-03 02:30"'
    )
    parser.add_argument("--overwrite", action="store_true", help="replace what is there already and differs")
    parser.add_argument(
        "--bad", action="store_true", help="also what no place has right any more, under names that end in .damaged"
    )
    parser.add_argument(
        "--secondary", metavar="PATH", type=Path, help="from the secondary mounted there, with nothing else at hand"
    )
    parser.add_argument("--pair-name", metavar="NAME", help="with --secondary: the pair, where the drive names several")
    parser.add_argument(
        "--new-primary", action="store_true", help="everything, onto the new drive mounted where the primary belongs"
    )
    parser.add_argument("--yes", action="store_true", help="do not ask about the new primary")
    add_json(parser)


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    from nightferry.cli.stopping import stopping_on_signals
    from nightferry.reporting.look import documents
    from nightferry.reporting.look.terminal import Screen
    from nightferry.reporting.screens.restore_text import NO_RESULT, as_json, show_restored

    result, error = None, None
    try:
        _check(args)
        with stopping_on_signals() as asked:
            result = _new_primary(args, asked) if args.new_primary else _restore(args, asked)
        code = exits.ATTENTION if result is None else result.exit_code
    except NightferryError as refused:
        error = str(refused)
        code = say_error(refused)
    if args.json:
        told = NO_RESULT if result is None else as_json(result)
        pair = args.given[0] if args.given and args.secondary is None else args.pair_name
        documents.write({
            "command": "restore", "exit_code": code, "pair": pair if result is None else result.pair, "error": error,
            **told,
        })  # fmt: skip
    elif result is not None:
        show_restored(Screen(), result)
    return code


def _check(args: argparse.Namespace) -> None:
    if args.new_primary:
        if args.secondary is not None or args.into is not None or args.as_of is not None or args.overwrite:
            raise WrongUse(
                "--new-primary restores everything that is newest to the drive that the configuration names: leave"
                " --into, --secondary, --as-of and --overwrite out."
            )
        if len(args.given) != 1:
            raise WrongUse("--new-primary restores all of one pair: name the pair, and nothing else.")
        return
    if args.secondary is None and not args.given:
        raise WrongUse("Say which pair: `nightferry restore NAME --into FOLDER`, or give --secondary PATH.")
    if args.pair_name is not None and args.secondary is None:
        raise WrongUse("--pair-name goes with --secondary: otherwise the pair comes first, `nightferry restore NAME`.")
    if args.into is None:
        raise WrongUse(
            "Say where to: --into FOLDER, a folder on neither drive of a pair; or --new-primary for a new drive."
        )


def _restore(args: argparse.Namespace, asked: Asked) -> RestoreResult:
    from nightferry.cli.watched import drives_alone, drives_of, watched
    from nightferry.night.context import Clock, Stop
    from nightferry.recovery.restoring.restore import Request, restore
    from nightferry.recovery.restoring.restorer import How
    from nightferry.tree.effects import Effects

    effects, clock = Effects(), Clock()
    stop = Stop(clock)
    settings, given = _settings(args)
    request = Request(
        args.into.absolute(), [os.fsencode(each) for each in given], args.as_of, How(args.overwrite, args.bad),
        _guarded(settings, args.secondary),
    )  # fmt: skip

    def work() -> RestoreResult:
        asked.attend(stop)
        with _opened(args, settings, effects) as source, _watching(source.pair) as progress:
            return restore(source, request, progress, effects, clock, stop)

    target = ("target", request.into)
    if args.secondary is not None:
        return watched(work, "restore", drives_alone(args, ("secondary", args.secondary), target), asked)
    assert settings is not None
    return watched(work, "restore", drives_of(settings.chosen(args.given[:1])[0], target), asked)


def _settings(args: argparse.Namespace) -> tuple[Settings | None, list[str]]:
    """The configuration, and the paths that were given. A secondary alone needs none, and is kept off all the same."""
    if args.secondary is None:
        settings = load_settings(args)
        settings.chosen(args.given[:1])
        return settings, args.given[1:]
    try:
        return load_settings(args), args.given
    except WrongUse:
        if args.config is not None:
            raise
        return None, args.given


def _guarded(settings: Settings | None, secondary: Path | None) -> list[Guarded]:
    from nightferry.recovery.restoring.keep_off import Guarded
    from nightferry.units import show_text

    found = [] if secondary is None else [Guarded(secondary, "the secondary that is restored from")]
    for pair in settings.pair if settings is not None else ():
        name = show_text(pair.name)
        found.append(Guarded(pair.primary, f'the primary of the pair "{name}"'))
        found.append(Guarded(pair.secondary, f'the secondary of the pair "{name}"'))
    return found


@contextmanager
def _opened(args: argparse.Namespace, settings: Settings | None, effects: Any) -> Iterator[Source]:
    from nightferry.recovery.restoring.opening import open_alone, open_configured

    if args.secondary is not None:
        with open_alone(args.secondary, effects, pair=args.pair_name) as source:
            yield source
        return
    assert settings is not None
    with open_configured(settings.chosen(args.given[:1])[0], settings.state_dir, effects) as source:
        yield source


@contextmanager
def _watching(pair: str) -> Iterator[Progress]:
    from nightferry.reporting.look.progress import Bar, Log

    if sys.stderr.isatty():
        with Bar(pair) as bar:
            yield bar
    else:
        yield Log(pair)


def _leave_first_status(pair: PairSettings, settings: Settings) -> None:
    """On a new box nothing has said yet how the pair stands."""
    from nightferry.cli.pair import leave_status
    from nightferry.reporting.standing.status import FILE_NAME

    if not (settings.state_dir / pair.name / FILE_NAME).exists():
        leave_status(pair, settings)


def _new_primary(args: argparse.Namespace, asked: Asked) -> RestoreResult | None:
    from nightferry.cli.watched import drives_of, watched
    from nightferry.night.context import Clock, Stop
    from nightferry.recovery.restoring.new_primary import NewPrimary, fill_new_primary
    from nightferry.reporting.look.terminal import Screen
    from nightferry.reporting.screens.restore_text import show_new_primary
    from nightferry.tree.effects import Effects

    settings = load_settings(args)
    pair = settings.chosen(args.given)[0]
    clock = Clock()
    stop = Stop(clock)

    def screen() -> Screen:
        # With --json stdout is for the document alone; what a person is asked about goes to stderr.
        return Screen(sys.stderr if args.json else sys.stdout)

    def confirm(found: NewPrimary) -> bool:
        show_new_primary(screen(), found)
        if args.yes:
            return True
        if not sys.stdin.isatty():
            raise WrongUse(
                f'Nobody can be asked about the new primary of "{found.pair}", since this is not a terminal: nothing'
                " was written. If the drive above is the new one, add --yes."
            )
        return agreed(_QUESTION, stop)

    def work() -> RestoreResult | None:
        asked.attend(stop)
        with ExitStack() as stack:
            # A live bar may not stand on the screen while a question does.
            progress = _Late(lambda: stack.enter_context(_watching(pair.name)))
            filled = fill_new_primary(pair, settings.state_dir, confirm, progress, Effects(), clock, stop, bad=args.bad)
        if filled is not None:
            _leave_first_status(pair, settings)
        return filled

    result = watched(work, "restore", drives_of(pair), asked)
    if result is None:
        screen().text("Nothing was written.")
    return result


class _Late:
    """Begins to watch with the first phase."""

    def __init__(self, begin: Callable[[], Progress]) -> None:
        self._begin = begin
        self._progress: Progress | None = None

    def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
        self._progress = self._progress or self._begin()
        self._progress.phase(name, files, size_bytes)

    def advance(self, files: int = 0, size_bytes: int = 0) -> None:
        if self._progress is not None:
            self._progress.advance(files, size_bytes)

    def note(self, event: str, **details: object) -> None:
        if self._progress is not None:
            self._progress.note(event, **details)
