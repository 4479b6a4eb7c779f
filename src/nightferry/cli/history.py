"""``nightferry history``: the versions of a file or folder, night by night, and where each is held."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightferry.cli.common import add_json, complain, load_settings, say_error
from nightferry.errors import NightferryError, NotAPair, NotKnown, WrongUse
from nightferry.reporting.look import exits
from nightferry.units import quoted

if TYPE_CHECKING:
    from nightferry.manifest.asof import AsOf, Node
    from nightferry.manifest.manifest import Manifest
    from nightferry.manifest.nights import NightState
    from nightferry.reporting.audit.folder_listing import Listed
    from nightferry.reporting.audit.history import Retaining, Story, Teller
    from nightferry.reporting.look.terminal import Screen
    from nightferry.settings import PairSettings

SUMMARY = "the versions of a file or folder, night by night, and where each is held"
DESCRIPTION = """\
Says of a file or folder on which nights it appeared, changed, moved and was removed, where each of its versions is
now, and until when it is kept. What was moved is followed, under its old names too; what was removed is found.
With --as-of it says what a folder held as one night left it. Without a path it lists the nights, and says which
of them can still be restored whole.

It reads this machine's own records; no drive is needed. Where the secondary is there and has newer ones, as after an
old image was put back on the system disk, or with --secondary, it reads those on the drive instead."""
EXAMPLE = """\
  nightferry history recordings
  nightferry history recordings "2026-05 spring concert/01 kyrie.wav"
  nightferry history recordings "2026-05 spring concert" --as-of 2026-05-03
  nightferry history recordings "**/*kyrie*.wav"
  nightferry history --secondary /mnt/second "2026-05 spring concert" --as-of 12 --recursive"""


def configure(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument(
        "given", metavar="NAME [PATH…]", nargs="*",
        help="the pair, then what of it: paths from the top of the primary, or patterns as in `exclude`; with"
        " --secondary paths only",
    )  # fmt: skip
    parser.add_argument(
        "--as-of", metavar="NIGHT", help='as which night left it: its number, a date, or "2026-05-03 02:30"'
    )
    parser.add_argument(
        "--recursive", action="store_true", help="of a folder: every name below it, with its history or as of the night"
    )
    parser.add_argument(
        "--secondary", metavar="PATH", type=Path, help="from the secondary mounted there, with nothing else at hand"
    )
    parser.add_argument("--pair-name", metavar="NAME", help="with --secondary: the pair, where the drive names several")
    add_json(parser)
    parser.set_defaults(configured=None)


@dataclass
class _Past:
    """What is asked, and the records that answer it."""

    pair: str
    manifest: Manifest
    retaining: Retaining | None
    tops: tuple[bytes, ...]  # where the drive may be mounted: a path may be given from there


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    from nightferry.cli.watched import drives_alone, watched

    if args.secondary is None:
        pair = _with_older_state(args)
        if pair is None:
            return _main(args)
        complain(f"The state of {quoted(pair.name)} here is older than the secondary: the records there are used.")
        args.secondary, args.pair_name, args.given, args.configured = pair.secondary, pair.name, args.given[1:], pair
    return watched(partial(_main, args), "history", drives_alone(args, ("secondary", args.secondary)))


def _with_older_state(args: argparse.Namespace) -> PairSettings | None:
    """The pair that is asked about, where its secondary is there and knows more than the state; a drive that does not
    answer is as one that is not there."""
    from nightferry.cli.watched import Drives, watched
    from nightferry.recovery.restoring.opening import is_state_older
    from nightferry.tree.effects import Effects

    if not args.given or args.pair_name is not None:
        return None  # which is said where it is opened
    with suppress(NightferryError):
        settings = load_settings(args)
        pair = settings.chosen(args.given[:1])[0]
        drives = Drives([("secondary", pair.secondary)], pair.io_limit.total_seconds())
        if watched(partial(is_state_older, pair, settings.state_dir, Effects()), "history", drives):
            return pair
    return None


def _main(args: argparse.Namespace) -> int:
    if args.json:
        return _as_json(args)
    from nightferry.reporting.look.terminal import Screen

    with _opened(args) as past:
        return _show(Screen(), past, args)


@contextmanager
def _opened(args: argparse.Namespace) -> Iterator[_Past]:
    from nightferry.manifest.manifest import FILE_NAME, Manifest
    from nightferry.night.preflight import state_folder
    from nightferry.tree.effects import Effects
    from nightferry.volumes.lock import holder

    if args.secondary is not None:
        with _alone(args) as past:
            yield past
        return
    if args.pair_name is not None:
        raise WrongUse("--pair-name goes with --secondary: otherwise the pair comes first, `nightferry history NAME`.")
    if not args.given:
        raise WrongUse("Say which pair: `nightferry history NAME`, or give --secondary PATH.")
    settings = load_settings(args)
    pair = settings.chosen(args.given[:1])[0]
    folder = state_folder(settings.state_dir, pair.name)
    if not (folder / FILE_NAME).exists():
        raise NotAPair(pair.name)
    with Manifest.look(
        folder / FILE_NAME, Effects(), in_use=holder(folder / "lock") is not None, check=True
    ) as manifest:
        yield _Past(pair.name, manifest, _retaining(pair), _tops(pair))


def _retaining(pair: PairSettings) -> Retaining:
    from nightferry.reporting.audit.history import Retaining

    return Retaining(pair.keep_retired.total_seconds(), pair.keep_retired_at_least.total_seconds())


def _tops(pair: PairSettings) -> tuple[bytes, ...]:
    return os.fsencode(pair.primary), os.fsencode(pair.secondary / "copy")


@contextmanager
def _alone(args: argparse.Namespace) -> Iterator[_Past]:
    from nightferry.errors import Failed
    from nightferry.recovery.alone import open_secondary
    from nightferry.tree.effects import Effects
    from nightferry.units import show_text

    with open_secondary(args.secondary, Effects(), pair=args.pair_name) as secondary:
        if secondary.manifest is None:
            why = " ".join(secondary.notes)
            raise Failed(
                f"The secondary at {show_text(str(args.secondary))} has no sound manifest, so nothing is known of"
                f" earlier nights. {why} Its files stand in copy/ and retired/, as ordinary files."
            )
        if args.configured is not None:
            yield _Past(secondary.pair.name, secondary.manifest, _retaining(args.configured), _tops(args.configured))
            return
        tops = (os.fsencode(args.secondary / "copy"),)
        yield _Past(secondary.pair.name, secondary.manifest, None, tops)


def _paths(args: argparse.Namespace, past: _Past) -> list[bytes]:
    from nightferry.recovery.restoring.selection import clean

    given = args.given if args.secondary is not None else args.given[1:]
    return [clean(os.fsencode(each), past.tops) for each in given]


def _night(as_of: str, past: _Past, nights: list[NightState]) -> NightState:
    from nightferry.night.context import Clock
    from nightferry.planning.as_of import resolve

    return resolve(as_of, nights, pair=past.pair, now_s=Clock().now_s())


# --- what was found


def _stories(past: _Past, teller: Teller, path: bytes, *, recursive: bool) -> Iterator[Story]:
    """Raises ``WrongUse`` where no night had such a name."""
    from nightferry.recovery.restoring.selection import is_pattern
    from nightferry.tree.metadata import Kind

    entries: Iterable[int] = teller.history.find(path)
    if not entries and is_pattern(path):
        fits = _fits(path)
        entries = (entry for _, entry in teller.history.matching(fits))
    found = False
    for entry in entries:
        if (story := teller.story(entry)) is None:
            continue
        found = True
        yield story
        if not recursive or story.kind is not Kind.FOLDER:
            continue
        for _, below in teller.history.below(entry, story.path):
            if (told := teller.story(below, below=False)) is not None:
                yield told
    if not found:
        raise _unknown(past, path)


def _fits(pattern: bytes) -> Callable[[bytes, bool], bool]:
    from nightferry.recovery.restoring.selection import Selection

    selection = Selection(patterns=[pattern])
    return lambda path, is_folder: selection.fits(path, is_folder=is_folder)


def _as_of(path: bytes, as_of: AsOf, *, recursive: bool) -> tuple[Node | None, Iterator[Listed]]:
    """The name itself where it is one, and what is to be listed: of a folder what is in it, else what fits."""
    from nightferry.recovery.restoring.selection import is_pattern
    from nightferry.reporting.audit.folder_listing import list_folder, list_matching, listed
    from nightferry.tree.metadata import Kind

    node = as_of.find(path)
    if node is None:
        return None, list_matching(as_of, _fits(path)) if is_pattern(path) else iter(())
    if node.stat.kind is Kind.FOLDER:
        return node, list_folder(as_of, node, path, recursive=recursive)
    return node, iter([listed(as_of, node, path)])


def _unknown(past: _Past, path: bytes, night: NightState | None = None) -> WrongUse | NotKnown:
    from nightferry.units import show_name

    shown = f'"{show_name(path)}"' if path else "anything"
    if night is None:
        return WrongUse(
            f"No night of the pair {quoted(past.pair)} had {shown}: give the path from the top of the primary, with"
            ' upper and lower case as they are, or a pattern like "**/*kyrie*".'
        )
    if not night.is_known:
        return NotKnown(
            f"Whether night {night.number} of the pair {quoted(past.pair)} had {shown} is not known, since the records"
            " of that time were lost; see on which nights it is known to have been with `nightferry history`."
        )
    named = _then_named(past, path, night.number)
    told = f"at that time it was {named}" if named else "see on which nights it was there with `nightferry history`"
    return WrongUse(f"Night {night.number} of the pair {quoted(past.pair)} had no {shown}: {told}.")


def _then_named(past: _Past, path: bytes, run: int) -> str | None:
    """How something was named as of a run that had the path on another night."""
    from nightferry.manifest.history import History
    from nightferry.units import show_name

    history = History(past.manifest)
    for entry in history.find(path):
        for stretch in history.life(entry):
            if stretch.since <= run and (stretch.until is None or run < stretch.until):
                return f'"{show_name(stretch.path)}"'
    return None


def _show(screen: Screen, past: _Past, args: argparse.Namespace) -> int:
    from nightferry.manifest.nights import nights, unknown_nights
    from nightferry.reporting.audit.history import Teller
    from nightferry.reporting.screens.history_text import Dates, show_nights, show_story, show_unknown

    paths = _paths(args, past)
    if not paths and args.as_of is None and not args.recursive:
        show_nights(screen, past.pair, nights(past.manifest))
        return exits.SOUND
    if args.as_of is not None:
        return _show_as_of(screen, past, paths or [b""], args)
    runs = past.manifest.runs
    dates = Dates({run.number: run.started_s for run in runs.all()})
    closed = runs.open_hold() is not None or bool(runs.open_damage())
    teller = Teller(past.manifest, past.retaining)
    unknown = unknown_nights(past.manifest)
    codes, shown = [], 0
    for path in paths or [b""]:
        try:
            for story in _stories(past, teller, path, recursive=args.recursive):
                if shown:
                    screen.gap()
                show_story(screen, past.pair, story, dates, closed=closed)
                shown += 1
            codes.append(exits.SOUND if not unknown else exits.ATTENTION)
        except NightferryError as error:
            codes.append(say_error(error))
    if shown:
        show_unknown(screen, unknown)
    return exits.worst(codes)


def _show_as_of(screen: Screen, past: _Past, paths: list[bytes], args: argparse.Namespace) -> int:
    from nightferry.manifest.asof import AsOf
    from nightferry.manifest.nights import nights
    from nightferry.planning.as_of import why_unknown
    from nightferry.reporting.audit.folder_listing import Sum
    from nightferry.reporting.audit.history import Teller
    from nightferry.reporting.screens.history_text import Dates, as_of_heading, show_listing, show_sum, show_version
    from nightferry.tree.metadata import Kind

    known = nights(past.manifest)
    night = _night(args.as_of, past, known)
    as_of, teller = AsOf(past.manifest, night.number), Teller(past.manifest, past.retaining)
    dates = Dates({each.number: each.started_s for each in known if each.started_s is not None})
    codes = []
    for position, path in enumerate(paths):
        if position:
            screen.gap()
        node, names = _as_of(path, as_of, recursive=args.recursive)
        first = next(names, None)
        if node is None and first is None:
            codes.append(say_error(_unknown(past, path, night)))
            continue
        screen.heading(as_of_heading(past.pair, path, night, is_folder=node is None or node.stat.kind is Kind.FOLDER))
        if not night.is_known:
            screen.point(why_unknown(night), state="attention")
        if node is not None and node.stat.kind is not Kind.FOLDER:
            version = teller.version_as_of(node, night.number)
            if version is not None:
                show_version(screen, version, dates)
        else:
            folder = path if node is not None else b""
            total = Sum() if first is None else show_listing(screen, folder, chain([first], names))
            show_sum(screen, total, known)
        codes.append(exits.SOUND if night.is_known else exits.ATTENTION)
    return exits.worst(codes)


# --- as JSON


def _as_json(args: argparse.Namespace) -> int:
    from nightferry.reporting.look.documents import StreamedDocument

    document = StreamedDocument({"command": "history"})
    codes: list[int] = []
    try:
        with _opened(args) as past:
            fields, key, items = _document(past, args, codes)
            document.pair({**_without(key), **fields, "error": None}, key, items)
    except NightferryError as error:
        codes.append(say_error(error))
        pair = args.given[0] if args.given and args.secondary is None else args.pair_name
        document.pair({**_without("names"), **_fields(pair), "error": str(error)}, "names", ())
    code = exits.worst(codes)
    document.end({"exit_code": code})
    return code


def _without(key: str) -> dict[str, Any]:
    """The other lists, which do not apply."""
    return {other: [] for other in ("names", "listing", "nights") if other != key}


def _fields(pair: str | None) -> dict[str, Any]:
    return {"pair": pair, "as_of": None, "kept_since_night": None}


def _document(
    past: _Past, args: argparse.Namespace, codes: list[int]
) -> tuple[dict[str, Any], str, Iterator[dict[str, Any]]]:
    """The fields of the pair, and under which key which items follow, as they are found."""
    from nightferry.manifest.asof import AsOf
    from nightferry.manifest.nights import nights
    from nightferry.planning.as_of import kept_since
    from nightferry.reporting.audit.history import Teller
    from nightferry.reporting.screens.history_json import listed_as_json, night_as_json, story_as_json

    paths = _paths(args, past)
    known = nights(past.manifest)
    night = None if args.as_of is None else _night(args.as_of, past, known)
    since = kept_since(known)
    fields = {
        **_fields(past.pair),
        "as_of": None if night is None else night_as_json(night),
        "kept_since_night": None if since is None else since.number,
    }
    if night is not None:
        as_of = AsOf(past.manifest, night.number)

        def listed() -> Iterator[dict[str, Any]]:
            for path in paths or [b""]:
                node, names = _as_of(path, as_of, recursive=args.recursive)
                found = node is not None
                codes.append(exits.SOUND if night.is_known else exits.ATTENTION)
                for each in names:
                    found = True
                    yield listed_as_json(each, as_of)
                if not found:
                    codes.append(say_error(_unknown(past, path, night)))

        return fields, "listing", listed()
    if not paths and not args.recursive:
        return fields, "nights", map(night_as_json, known)
    teller = Teller(past.manifest, past.retaining)

    def told() -> Iterator[dict[str, Any]]:
        for path in paths or [b""]:
            try:
                for story in _stories(past, teller, path, recursive=args.recursive):
                    yield story_as_json(story)
                codes.append(exits.ATTENTION if any(not each.is_known for each in known) else exits.SOUND)
            except NightferryError as error:
                codes.append(say_error(error))

    return fields, "names", told()
