"""Where the right content of a file can be taken from: the copy, retired versions, the primary."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import Intent
from nightferry.night.carry import in_copy, in_retired
from nightferry.night.context import RETIRED
from nightferry.night.whereabouts import Place, Whereabouts, is_candidate
from nightferry.recovery.restoring.origin import Origin, Piece
from nightferry.recovery.restoring.selection import is_at_or_below
from nightferry.recovery.restoring.strays import Strays
from nightferry.tree.root import Root, join, split
from nightferry.units import show_name

_STAMP = re.compile(rb"(\d{6,9})-\d{4}-\d\d-\d\dT\d{6}Z(~\d+)?")
# Nights after the newest that the manifest knows of, in whose folders below retired/ is looked.
_LATER_LIMIT = 100
# Places of one file that are remembered, so that none is read twice.
_TOLD_LIMIT = 10_000


class Picker:
    """Places in the order in which they are worth trying: each is checked when it is read, so a wrong guess costs time.

    Args:
        manifest: of the pair, where there is one.
        primary: the pair's primary, read-only, where it is there.
        strays: what the manifest does not account for.
        should_stop: asked while files are read only to see whether they are what is sought.
    """

    def __init__(
        self,
        origin: Origin,
        secondary: Root,
        manifest: Manifest | None,
        primary: Root | None,
        strays: Strays | None,
        should_stop: Callable[[], bool],
    ) -> None:
        self._strays = strays
        self._origin, self._secondary, self._primary = origin, secondary, primary
        self._anywhere = None if manifest is None else Whereabouts(manifest, secondary, primary, walking=should_stop)
        self._begun: list[Intent] = [] if manifest is None else [intent for _, intent in manifest.journal.read()]
        last = None if manifest is None else manifest.runs.last()
        self._later = self._later_runs(0 if last is None else last.number) if manifest is not None else []

    def close(self) -> None:
        if self._anywhere is not None:
            self._anywhere.close()

    @property
    def has_unfinished(self) -> bool:
        """Whether a night was cut off, so that names on the secondary may have moved since the records say."""
        return bool(self._begun or self._later)

    def places(self, piece: Piece) -> Iterator[Place]:
        """Every place that may have the file, each once, as far as they are not more than a person would count."""
        told: set[tuple[str, bytes]] = set()
        for place in self._all(piece):
            if (place.what, place.path) not in told:
                if len(told) < _TOLD_LIMIT:
                    told.add((place.what, place.path))
                if _may_be(place, piece):
                    yield place

    def suspects(self, piece: Piece) -> list[Place]:
        """Places that are known to be bad, where something stands."""
        return [place for place in self._origin.suspects(piece) if _may_be(place, piece)]

    def _all(self, piece: Piece) -> Iterator[Place]:
        paths = [piece.path]  # where the primary may have it: as it was then, and as it is in the copy now
        for place in self._origin.places(piece):
            yield place
            if place.what == "copy":
                paths.append(_below_copy(place))
                yield from self._unfinished(paths[-1])
        if self._primary is not None:
            paths += [_below_copy(place) for place in self._origin.suspects(piece) if place.what == "copy"]
            yield from self._on_primary(paths, piece)
        if self._anywhere is not None:
            yield from self._anywhere.places(piece.content, piece.stat)
        if self._strays is not None:
            for path in self._strays.having(piece.stat, piece.content, split(piece.path)[1]):
                told = f"{show_name(path)} on the secondary, of which the records do not know"
                yield Place(self._secondary, path, "stray", told)

    def _on_primary(self, paths: list[bytes], piece: Piece) -> Iterator[Place]:
        if self._primary is not None:
            for path in paths:
                told = "the primary" if path == piece.path else f"the primary ({show_name(path)})"
                yield Place(self._primary, path, "primary", told)

    def _unfinished(self, path: bytes) -> Iterator[Place]:
        """Where a night that was cut off may have put what the records have in ``copy/``."""
        for intent in self._begun:
            if intent.action == "move" and intent.source is not None and is_at_or_below(path, intent.source):
                moved = intent.path + path[len(intent.source) :]
                yield Place(self._secondary, in_copy(moved), "copy", "the copy, which was moved last night")
            elif intent.held is not None and is_at_or_below(path, intent.path):
                held = intent.held + path[len(intent.path) :]
                yield Place(self._secondary, in_retired(held), "retired", "the version retired last night")
        for run in self._later:
            yield Place(self._secondary, in_retired(join(run, path)), "retired", "a version retired since")

    def _later_runs(self, last: int) -> list[bytes]:
        try:
            names = self._secondary.names(RETIRED)
        except OSError:
            return []
        later = sorted(name for name in names if (stamp := _STAMP.fullmatch(name)) and int(stamp[1]) > last)
        return later[:_LATER_LIMIT]


def _may_be(place: Place, piece: Piece) -> bool:
    return is_candidate(place, piece.stat.size_bytes if place.what == "primary" else None)


def _below_copy(place: Place) -> bytes:
    return place.path[len(in_copy(b"")) + 1 :]
