"""Damage, looked at: which places still have the right bytes, and where the wrong ones differ."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import Entry
from nightferry.night.carry import in_copy, in_retired
from nightferry.planning.changes import content_untouched
from nightferry.planning.verification import differing_ranges
from nightferry.tree.content import Buffers, ReadFailed, hash_from_platter
from nightferry.tree.digests import by_id
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat
from nightferry.tree.root import Root

# Ranges shown of two bad versions: beyond that they are simply different.
RANGES_LIMIT = 100
_BLOCK_BYTES = 1 << 20


class Place(NamedTuple):
    """One place where a version of the file stands."""

    side: str  # primary, secondary, retired
    path: bytes  # below the root of its drive
    is_there: bool
    is_right: bool  # it has the checksum that the manifest says
    detail: str = ""


class Survey(NamedTuple):
    """What is known of one damaged name."""

    path: bytes
    entry: Entry | None  # None: the manifest does not know the name any more
    primary: Place
    secondary: Place
    retired: list[Place]  # versions with the right checksum, newest first
    changed_since: bool  # somebody wrote the primary's file since it was last copied
    older: list[Place]  # intact versions of before, newest first, each with its own checksum

    @property
    def sources(self) -> list[Place]:
        """Places other than the primary from which the right bytes can be taken."""
        return [place for place in (self.secondary, *self.retired) if place.is_right]


class Surveyor:
    """Reads past the page cache, so that it sees what the drives have."""

    def __init__(
        self,
        manifest: Manifest,
        primary: Root,
        secondary: Root,
        effects: Effects,
        buffers: Buffers,
        should_stop: Callable[[], bool],
        *,
        direct_secondary: bool,
    ) -> None:
        self._manifest, self._primary, self._secondary = manifest, primary, secondary
        self._effects, self._buffers, self._should_stop = effects, buffers, should_stop
        self._direct = {"primary": True, "secondary": direct_secondary, "retired": direct_secondary}

    def survey(self, path: bytes) -> Survey:
        """Looks at every place that may have the file. Raises ``Stopped``."""
        entry = self._manifest.entries.find(path)
        if entry is not None and entry.stat.kind is not Kind.FILE:
            entry = None
        wanted = None if entry is None else (entry.content.algorithm, entry.content.digest)
        primary = self._place("primary", self._primary, path, wanted)
        secondary = self._place("secondary", self._secondary, in_copy(path), wanted)
        changed = False
        if entry is not None and primary.is_there:
            now = self._primary.stat_or_none(path)
            changed = now is not None and not content_untouched(entry.stat, Stat.of(now))
        retired, older = self._retired(entry, wanted)
        return Survey(path, entry, primary, secondary, retired, changed, older)

    def _retired(
        self, entry: Entry | None, wanted: tuple[int | None, bytes | None] | None
    ) -> tuple[list[Place], list[Place]]:
        same: list[Place] = []
        older: list[Place] = []
        if entry is None or wanted is None:
            return [], []
        for held, algorithm, digest in self._manifest.past.versions(entry.id):
            place = self._place("retired", self._secondary, in_retired(held), (algorithm, digest))
            if not place.is_right:
                continue
            (same if (algorithm, digest) == wanted else older).append(place)
        return same, older

    def _place(self, side: str, root: Root, path: bytes, wanted: tuple[int | None, bytes | None] | None) -> Place:
        try:
            if root.stat_or_none(path) is None:
                return Place(side, path, False, False, "it is not there")
            if wanted is None or wanted[0] is None:
                return Place(side, path, True, False, "the manifest has no checksum for it")
            folder_fd, name = root.at(path)
            read = hash_from_platter(
                folder_fd, name, hasher=by_id(wanted[0]).new(), effects=self._effects, buffers=self._buffers,
                should_stop=self._should_stop, progress=lambda size_bytes: None, direct=self._direct[side],
            )  # fmt: skip
        except (OSError, ReadFailed) as error:
            why = error.strerror if isinstance(error, OSError) else None
            return Place(side, path, True, False, f"it cannot be read ({why or error})")
        if read.digest == wanted[1]:
            return Place(side, path, True, True)
        return Place(side, path, True, False, "its content is not what it was")

    # --- two bad versions

    def differences(self, one: Place, other: Place) -> list[tuple[int, int]]:
        """Byte ranges in which two versions differ, at most ``RANGES_LIMIT``. Raises ``OSError``."""
        roots = {"primary": self._primary, "secondary": self._secondary, "retired": self._secondary}
        left, right = (roots[place.side].open_to_read(place.path) for place in (one, other))
        ranges: list[tuple[int, int]] = []
        try:
            offset = 0
            while len(ranges) < RANGES_LIMIT:
                blocks = []
                for fd in (left, right):
                    buffer = bytearray(_BLOCK_BYTES)
                    blocks.append(bytes(buffer[: self._effects.preadv(fd, [buffer], offset)]))
                if not blocks[0] and not blocks[1]:
                    break
                ranges += differing_ranges(blocks[0], blocks[1], offset)
                offset += _BLOCK_BYTES
        finally:
            self._effects.close(left)
            self._effects.close(right)
        return ranges[:RANGES_LIMIT]
