"""One call of `restore`: from where, what of it, as of when, and into which folder."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

from nightferry.errors import Failed, NotKnown, WrongUse
from nightferry.manifest.asof import NEWEST, AsOf
from nightferry.manifest.history import History
from nightferry.manifest.nights import nights
from nightferry.manifest.records import ROOT_ID
from nightferry.night.context import Clock, Progress
from nightferry.planning.as_of import resolve, why_unknown
from nightferry.recovery.left_out import left_out_note
from nightferry.recovery.restoring.keep_off import Guarded, check_target
from nightferry.recovery.restoring.meter import Meter
from nightferry.recovery.restoring.opening import Source
from nightferry.recovery.restoring.origin import Origin, Plain, Recorded
from nightferry.recovery.restoring.pick import Picker
from nightferry.recovery.restoring.restorer import How, Restorer
from nightferry.recovery.restoring.result import RestoreResult
from nightferry.recovery.restoring.selection import Selection, clean, is_pattern
from nightferry.recovery.restoring.strays import Strays
from nightferry.recovery.restoring.target_opening import open_target
from nightferry.tree.content import Buffers
from nightferry.tree.effects import Effects
from nightferry.tree.root import split
from nightferry.typed import typed
from nightferry.units import format_count, show_name

# Patterns are matched before anything is written, so that a wrong one says so at once.
NOTHING_MATCHES = "Nothing that was copied as of then matches"


@dataclass(frozen=True)
class Request:
    """``given``: paths and patterns, as a person gave them; everything where there is none.

    ``as_of``: a night, as a person named it; None for the newest. ``guarded``: where not to write.
    """

    into: Path
    given: Sequence[bytes] = ()
    as_of: str | None = None
    how: How = field(default_factory=How)
    guarded: Sequence[Guarded] = ()


def restore(
    source: Source,
    request: Request,
    progress: Progress,
    effects: Effects,
    clock: Clock,
    should_stop: Callable[[], bool],
) -> RestoreResult:
    """Restores into the folder of the request.

    Raises ``WrongUse`` (what is asked for is not there, or the target cannot be one), ``Busy`` and ``Failed``.
    """
    began_s = clock.monotonic_s()
    result = RestoreResult(source.pair, request.into, notes=source.notes)
    check_target(request.into, request.guarded, effects)
    if source.alone is not None and source.alone.which == "previous":
        result.behind = True
        source.notes.append(
            "The records sealed last cannot be used, so these are the ones sealed before: what the night after them"
            " copied anew is not restored. It stands in copy/ on the secondary as ordinary files, and `nightferry pair`"
            " looks it up there."
        )
    with ExitStack() as stack:
        origin = _origin(source, request, result, effects, clock, stack)
        selection = _selection(source, origin, request, is_known=not result.unknown)
        if source.manifest is not None and result.night is not None:
            source.notes.extend(filter(None, [left_out_note(source.manifest, result.night, selection)]))
        strays = None
        if source.manifest is not None:
            strays = Strays(source.manifest, source.secondary, effects, should_stop)
            stack.callback(strays.close)
        picker = Picker(origin, source.secondary, source.manifest, source.primary, strays, should_stop)
        stack.callback(picker.close)
        if picker.has_unfinished:
            source.notes.append(
                "A night was cut off on this pair: what it had begun to move is looked for where it may stand."
            )
        buffers, more_buffers = Buffers(), Buffers()
        stack.callback(buffers.close)
        stack.callback(more_buffers.close)
        meter = Meter(progress)
        target, _ = stack.enter_context(
            open_target(request.into, effects, buffers, should_stop=should_stop, progress=meter.advance)
        )
        restorer = Restorer(
            origin, picker, target, selection, request.how, result, effects, more_buffers, meter, clock, should_stop
        )
        stack.callback(restorer.close)
        try:
            restorer.check_room()
            restorer.run()
        except sqlite3.Error as error:
            raise Failed(
                f"The manifest cannot be read ({error}): see whether the disk it is on is sound, or restore with"
                " --secondary from the drive's own records; what was restored so far is whole."
            ) from error
    result.seconds = clock.monotonic_s() - began_s
    return result


def _origin(
    source: Source, request: Request, result: RestoreResult, effects: Effects, clock: Clock, stack: ExitStack
) -> Origin:
    manifest = source.manifest
    if manifest is None:
        assert source.alone is not None
        if request.as_of is not None:
            raise WrongUse(
                "There is no sound manifest on the secondary, so only what stands in copy/ can be restored, as it was"
                " copied last: leave --as-of out."
            )
        source.notes.append(
            "No sound manifest is left: files are restored from copy/ by their checksum lists, with the metadata that"
            " the copy itself has; what its file system could not hold, such as symlinks or owners, is lost. Older"
            " versions stand in retired/ on the secondary."
        )
        plain = Plain(source.alone, effects)
        stack.callback(plain.close)
        return plain
    last = manifest.runs.last()
    if last is None or manifest.entries.by_id(ROOT_ID) is None:
        raise WrongUse(
            f'No night has run over "{source.pair}" yet, so there is nothing to restore: `nightferry run'
            f" {source.pair}` runs one."
        )
    result.night, result.night_s = last.number, last.started_s
    if request.as_of is None:
        return Recorded(manifest, AsOf(manifest, NEWEST), source.secondary)
    night = resolve(request.as_of, nights(manifest), pair=source.pair, now_s=clock.now_s())
    result.night, result.night_s, result.newest = night.number, night.started_s, night.number == last.number
    if not night.is_known:
        result.unknown = True
        source.notes.append(why_unknown(night))
    return Recorded(manifest, AsOf(manifest, night.number), source.secondary)


def _selection(source: Source, origin: Origin, request: Request, *, is_known: bool) -> Selection:
    exact: list[bytes] = []
    patterns: list[bytes] = []
    for given in request.given:
        path = clean(given, source.tops)
        if origin.find(path) is not None:
            exact.append(path)
        elif not is_known and (not is_pattern(path) or next(origin.pieces(Selection(patterns=[path])), None) is None):
            raise NotKnown(
                f'Whether "{show_name(path)}" was there as of that night is not known, since the records of that time'
                " were lost; `nightferry history` with the same path says on which nights it is known to have been."
            )
        elif not is_pattern(path):
            raise WrongUse(
                f'Nothing that was copied as of then has the path "{show_name(path)}": {_where_else(source, path)}'
            )
        elif next(origin.pieces(Selection(patterns=[path])), None) is None:
            raise WrongUse(f"{NOTHING_MATCHES} {show_name(path)}: patterns are those of `exclude` (see gitignore(5)).")
        else:
            patterns.append(path)
    return Selection(exact, patterns)


def _where_else(source: Source, path: bytes) -> str:
    """What to do about a path that is not there as of the night that was asked for."""
    as_it_stands = "give it as it stands below the top of the primary."
    if source.manifest is None:
        return as_it_stands
    history = History(source.manifest)
    stood = [each for entry in history.find(path) for each in history.life(entry) if each.path == path]
    if not stood:
        return f"{as_it_stands} No night that is known here had it; a pattern may find it, such as {_anywhere(path)}."
    last = max(stood, key=lambda each: float("inf") if each.until is None else each.until)
    if last.until is None:
        return f"it came with night {format_count(last.since)}; leave --as-of out, or give that night or a later one."
    return f"night {format_count(last.until - 1)} was the last that had it; add --as-of {last.until - 1}."


def _anywhere(path: bytes) -> str:
    """A pattern for the last name in any folder, as it is typed in a shell, which would put names in its place else."""
    name = split(path)[1].replace(b"\\", b"\\\\")
    bare = name.rstrip(b" ")
    return typed(b"**/" + bare + b"\\ " * (len(name) - len(bare)))  # gitignore(5): spaces at the end are left out
