"""Damage, looked at: which places still have the right bytes, and where two wrong ones differ."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import NamedTuple

from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import Content, Damage, Entry, Version
from nightferry.night.carry import in_copy, in_retired
from nightferry.night.whereabouts import Whereabouts
from nightferry.planning.changes import same_date
from nightferry.planning.verification import differing_ranges
from nightferry.recovery.mending.keeping import Seen
from nightferry.recovery.opening import Opened
from nightferry.tree.content import ReadFailed, Stopped, hash_from_platter
from nightferry.tree.digests import by_id
from nightferry.tree.metadata import Kind, Stat
from nightferry.tree.root import Root

# Of two bad versions: beyond either limit they are simply different.
RANGES_LIMIT = 100
DIFFERING_LIMIT_BYTES = 64 << 20
_BLOCK_BYTES = 1 << 20
_PIECE_BYTES = 4096
_JOIN_BYTES = 16  # as differing_ranges joins


class Place(NamedTuple):
    """One place where a version of the file stands. ``digest`` None: it is not there, or cannot be read."""

    side: str  # primary, secondary, retired
    path: bytes  # below the root of its drive
    is_there: bool
    is_right: bool  # it has the checksum that the manifest says
    detail: str = ""
    digest: bytes | None = None
    algorithm: int | None = None
    size_bytes: int = 0
    version: Version | None = None  # of a retired one
    seen: Seen | None = None  # on the primary: the state in which it was read
    told: str = ""  # how to call a place under another name


class Survey(NamedTuple):
    """What is known of one damaged name."""

    path: bytes
    entry: Entry | None  # None: the manifest does not know the name (any more), or it is no file
    primary: Place
    secondary: Place
    retired: list[Place]  # versions with the right checksum, newest first
    changed_since: bool  # somebody wrote the primary's file since it was last copied
    older: list[Place]  # intact versions of before, newest first, each with its own checksum
    elsewhere: Place | None = None  # the right content under another name, looked for where neither of the above has it

    @property
    def sources(self) -> list[Place]:
        """Places from which the right bytes can be taken, but for the primary's own file of that name."""
        own = [place for place in (self.secondary, *self.retired) if place.is_right]
        return own if self.elsewhere is None else [*own, self.elsewhere]


class Case(NamedTuple):
    """All open damage of one name. ``in_retired``: the name is below ``retired/``."""

    path: bytes
    in_retired: bool
    damage: list[Damage]

    def verdict(self, side: str) -> str | None:
        """What was found on a side; None where nothing is open there."""
        return next((each.verdict for each in self.damage if each.side == side), None)


def cases(damage: Iterable[Damage]) -> list[Case]:
    """Open damage by name, in the order in which it was found."""
    found: dict[tuple[bytes, bool], Case] = {}
    for each in damage:
        key = (each.path, each.side == "retired")
        found.setdefault(key, Case(*key, [])).damage.append(each)
    return list(found.values())


class Surveyor:
    """Reads past the page cache, so that it sees what the drives have."""

    def __init__(self, opened: Opened, should_stop: Callable[[], bool]) -> None:
        self._manifest: Manifest = opened.manifest
        self._inodes = opened.drives.inodes
        self._primary, self._secondary = opened.drives.primary, opened.drives.secondary
        self._effects, self._buffers, self._should_stop = opened.effects, opened.buffers, should_stop
        self._whereabouts = Whereabouts(opened.manifest, self._secondary, self._primary, walking=should_stop)
        secondary_direct = opened.direct["secondary"]
        self._direct = {
            "primary": opened.direct["primary"], "secondary": secondary_direct, "retired": secondary_direct,
        }  # fmt: skip

    def survey(self, path: bytes) -> Survey:
        """Looks at every place that may have the file. Raises ``Stopped``."""
        entry = self._manifest.entries.find(path)
        if entry is not None and (entry.stat.kind is not Kind.FILE or entry.content.digest is None):
            entry = None
        algorithm = None if entry is None else entry.content.algorithm
        digest = None if entry is None else entry.content.digest
        primary = self._place("primary", self._primary, path, algorithm, digest)
        secondary = self._place("secondary", self._secondary, in_copy(path), algorithm, digest)
        retired, older = self._retired(entry)
        survey = Survey(path, entry, primary, secondary, retired, self._changed(entry, path, primary), older)
        if entry is None or primary.is_right or survey.sources:
            return survey
        return survey._replace(elsewhere=self._anywhere(entry.content, entry.stat, but=path))

    def retired(self, held: bytes) -> Place | None:
        """Where the content of a damaged retired version stands, under whatever name; None where no place has it."""
        known = self._manifest.past.held_file(held)
        return None if known is None else self._anywhere(known[1], known[0], but=None)

    def _anywhere(self, content: Content, stat: Stat, *, but: bytes | None) -> Place | None:
        """``but``: that name of the primary was read already."""
        for place in self._whereabouts.places(content, stat):
            if place.what == "primary" and place.path == but:
                continue
            side = "secondary" if place.what == "copy" else place.what
            read = self._place(side, place.root, place.path, content.algorithm, content.digest)
            if read.is_right:
                return read._replace(told=place.told)
        return None

    def _changed(self, entry: Entry | None, path: bytes, primary: Place) -> bool:
        """Not where the bad file only has another date, or another of its names is gone."""
        if entry is None or self._is_known_bad(entry, primary):
            return False
        try:
            found = self._primary.stat_or_none(path)
            if found is None:
                return False
            now = Stat.of(found)
            return not same_date(entry.stat, now, inodes=self._inodes)
        except KeyError:
            return True  # a device or a FIFO stands there now
        except OSError:
            return False

    def _is_known_bad(self, entry: Entry, primary: Place) -> bool:
        return primary.digest is not None and any(
            each.side == "primary" and each.entry == entry.id and each.bad is not None
            and (each.algorithm, each.bad.digest) == (primary.algorithm, primary.digest)
            for each in self._manifest.runs.damage()
        )  # fmt: skip

    def _retired(self, entry: Entry | None) -> tuple[list[Place], list[Place]]:
        same: list[Place] = []
        older: list[Place] = []
        if entry is None:
            return same, older
        for version in self._manifest.past.kept_versions(entry.id):
            path = in_retired(version.held)
            place = self._place("retired", self._secondary, path, version.algorithm, version.digest)
            if not place.is_right:
                continue
            is_same = (version.algorithm, version.digest) == (entry.content.algorithm, entry.content.digest)
            (same if is_same else older).append(place._replace(version=version))
        return same, older

    def _place(self, side: str, root: Root, path: bytes, algorithm: int | None, wanted: bytes | None) -> Place:
        seen = None
        try:
            found = root.stat_or_none(path)
            if found is None:
                return Place(side, path, False, False, "it is not there")
            seen = Seen.of(found)
            if algorithm is None:
                return Place(side, path, True, False, "there is no checksum to compare it with", seen=seen)
            folder_fd, name = root.at(path)
            read = hash_from_platter(
                folder_fd, name, hasher=by_id(algorithm).new(), effects=self._effects, buffers=self._buffers,
                should_stop=self._should_stop, progress=lambda size_bytes: None, direct=self._direct[side],
            )  # fmt: skip
        except (OSError, ReadFailed) as error:
            return Place(side, path, True, False, f"it cannot be read ({error.strerror or error})", seen=seen)
        is_right = read.digest == wanted
        detail = "" if is_right else "its content is not what it was"
        return Place(side, path, True, is_right, detail, read.digest, algorithm, read.read_bytes, seen=seen)

    def has_moved(self, survey: Survey) -> bool:
        """Whether the primary's file is another one by now, or was written, or has come or gone, since it was shown."""
        try:
            found = self._primary.stat_or_none(survey.path)
        except OSError:
            return True
        if found is None:
            return survey.primary.is_there
        return survey.primary.seen != Seen.of(found)

    # --- two bad versions

    def differences(self, one: Place, other: Place) -> tuple[list[tuple[int, int]], bool]:
        """Byte ranges in which two versions differ, and whether those are all.

        Raises ``OSError`` where one cannot be read, and ``Stopped``.
        """
        roots = {"primary": self._primary, "secondary": self._secondary, "retired": self._secondary}
        ranges: list[tuple[int, int]] = []
        left = roots[one.side].open_to_read(one.path)
        try:
            right = roots[other.side].open_to_read(other.path)
            try:
                return ranges, self._compare(left, right, ranges)
            finally:
                self._effects.close(right)
        finally:
            self._effects.close(left)

    def _compare(self, left: int, right: int, ranges: list[tuple[int, int]]) -> bool:
        offset = differing_bytes = 0
        while True:
            if self._should_stop():
                raise Stopped
            blocks = [self._read(fd, offset) for fd in (left, right)]
            if not blocks[0] and not blocks[1]:
                return True
            if blocks[0] != blocks[1]:
                for at in range(0, max(map(len, blocks)), _PIECE_BYTES):
                    pieces = [block[at : at + _PIECE_BYTES] for block in blocks]
                    for start, end in differing_ranges(pieces[0], pieces[1], offset + at):
                        differing_bytes += end - start
                        if ranges and start - ranges[-1][1] <= _JOIN_BYTES:
                            ranges[-1] = (ranges[-1][0], end)
                        elif len(ranges) == RANGES_LIMIT:
                            return False
                        else:
                            ranges.append((start, end))
            if differing_bytes > DIFFERING_LIMIT_BYTES:
                return False
            offset += _BLOCK_BYTES

    def _read(self, fd: int, offset: int) -> bytes:
        buffer = bytearray(_BLOCK_BYTES)
        view, got = memoryview(buffer), 0
        while got < _BLOCK_BYTES:
            count = self._effects.preadv(fd, [view[got:]], offset + got)
            if count == 0:
                break
            got += count
        return bytes(view[:got])
