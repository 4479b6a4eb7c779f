"""A file that no place has right any more: named; or restored under a marked name, where a person asked for that."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from nightferry.errors import Failed
from nightferry.night.whereabouts import Place
from nightferry.recovery.mending.reading_around import Filled, read_around
from nightferry.recovery.restoring.meter import Meter
from nightferry.recovery.restoring.origin import Piece
from nightferry.recovery.restoring.refusals import Refusal, refusing
from nightferry.recovery.restoring.result import Damaged, RestoreResult
from nightferry.recovery.restoring.target import Target
from nightferry.tree.content import ReadFailed
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Xattrs
from nightferry.tree.root import join, split

DAMAGED_SUFFIX = b".damaged"
_NAME_LIMIT_BYTES = 255


class Marker:
    """``wanted``: whether what is left is restored at all. ``overwrite``: also where the marked name is taken."""

    def __init__(
        self,
        target: Target,
        result: RestoreResult,
        effects: Effects,
        meter: Meter,
        should_stop: Callable[[], bool],
        *,
        wanted: bool,
        overwrite: bool,
    ) -> None:
        self._target, self._result, self._effects, self._meter = target, result, effects, meter
        self._should_stop, self._wanted, self._overwrite = should_stop, wanted, overwrite

    def take(self, piece: Piece, xattrs: Xattrs, why: str, places: list[Place]) -> None:
        """Enters it in the result. ``places``: of its bad bytes. Raises ``Refused``, ``Stopped``, ``Failed``."""
        self._meter.progress.note("bad", path=piece.path, why=why)
        if not self._wanted or not places:
            self._result.bad.add(Refusal(piece.path, why))
            self._meter.advance(piece.stat.size_bytes)
            return
        folder, name = split(piece.path)
        marked = join(folder, name[: _NAME_LIMIT_BYTES - len(DAMAGED_SUFFIX)] + DAMAGED_SUFFIX)
        try:
            ranges = self._write_damaged(piece, xattrs, places, marked)
        except (ReadFailed, Failed) as error:
            if isinstance(error, Failed) and not isinstance(error.__cause__, ReadFailed):
                raise
            self._result.bad.add(Refusal(piece.path, why))
            return
        self._result.damaged.add(Damaged(piece.path, marked, why, ranges))

    def _write_damaged(self, piece: Piece, xattrs: Xattrs, places: list[Place], marked: bytes) -> list[Filled]:
        with refusing():
            found = self._target.root.stat_or_none(marked)
        if found is not None and not self._overwrite:
            return []  # by a call before this one, or somebody's own: it is left
        ranges: list[Filled] = []
        with _opened(places[0]) as source, _opened_or_none(places[1:]) as other:

            def fill(out: int) -> tuple[int, int]:
                size_bytes, filled = read_around(
                    source, other, out, self._effects, self._should_stop, other_name="another place"
                )
                ranges.extend(filled)
                self._meter.advance(piece.stat.size_bytes)
                return size_bytes, size_bytes

            self._target.fill_file(marked, piece.stat, xattrs, fill, replace=found is not None)
        return ranges


@contextmanager
def _opened(place: Place) -> Iterator[int]:
    try:
        fd = place.root.open_to_read(place.path)
    except OSError as error:
        raise ReadFailed(error.errno, error.strerror) from error
    try:
        yield fd
    finally:
        place.root.effects.close(fd)


@contextmanager
def _opened_or_none(places: list[Place]) -> Iterator[int | None]:
    """The first of them that can be opened."""
    fd = None
    for place in places:
        with suppress(OSError):
            fd = place.root.open_to_read(place.path)
            break
    try:
        yield fd
    finally:
        if fd is not None:
            os.close(fd)
