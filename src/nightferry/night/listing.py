"""What a folder of the primary has for the copy: listed in one fingerprint, or name by name.

Left out are names that are excluded, mounted over, without content, or the drive's own.
"""

from __future__ import annotations

import errno
import stat
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from nightferry.manifest.plan import SORT_IN_MEMORY_LIMIT
from nightferry.night.context import OTHER_MOUNT, UNREADABLE, UNSUPPORTED, Night
from nightferry.night.failing import read_failed
from nightferry.tree.listing import Fingerprint, Lister, Piece
from nightferry.tree.metadata import Stat, unsupported_mode
from nightferry.tree.root import join, split
from nightferry.volumes.card import CARD_NAME, DISPLACED_NAME, MENDING_NAME

# Said of sockets, FIFOs and devices.
NO_CONTENT = "has no content to copy"
# Names at the root of a drive that are the drive's own and not its content.
OWN_NAMES = frozenset({CARD_NAME, CARD_NAME + b".new", MENDING_NAME, DISPLACED_NAME, b"lost+found"})

_FILES = frozenset({stat.S_IFREG, stat.S_IFLNK})


class Aside(NamedTuple):
    """A name that is not part of the copy, and why."""

    kind: str
    path: bytes
    why: str


class Listed(NamedTuple):
    fingerprint: bytes
    files: int
    folders: list[tuple[bytes, Stat]]  # in the order of the bytes of their names
    aside: list[Aside]


class _Chosen(NamedTuple):
    """Places in a piece: files and symlinks, folders, and names that are there and cannot be looked at."""

    files: Sequence[int]
    folders: Sequence[int]
    blocked: Sequence[int]


class FolderReader:
    """Reads folders of the primary one after the other."""

    def __init__(self, night: Night) -> None:
        self._night = night
        self._lister = Lister(night.effects)
        self._have_mounts = frozenset(split(path)[0] for path in night.mounted_below)

    def summed_up(self, path: bytes) -> Listed:
        """One number for all names and metadata of a folder's files; and its subfolders.

        Nothing is kept or looked up for a single file: a quiet night costs one row of the manifest a folder instead of
        one a file. Raises ``OSError`` where the folder cannot be listed.
        """
        fingerprint = Fingerprint(self._night.excludes_seed)
        files = 0
        folders: list[tuple[bytes, Stat]] = []
        aside: list[Aside] = []
        for piece in self._lister.pieces(self._night.primary.folder(path)):
            chosen = self._choose(path, piece, aside)
            fingerprint.add(piece, chosen.files, len(chosen.blocked))
            files += len(chosen.files)
            folders.extend((piece.names[at], piece.stat(at)) for at in chosen.folders)
        folders.sort()
        return Listed(fingerprint.digest(), files, folders, aside)

    def in_order(self, path: bytes) -> tuple[Iterable[tuple[bytes, Stat | None]], bytes]:
        """All names with their metadata, in the order of their bytes, and the fingerprint of the files.

        None in place of metadata: the name is there and cannot be looked at. What is left out is named in the report.
        """
        fingerprint = Fingerprint(self._night.excludes_seed)
        found: list[tuple[bytes, Stat | None]] = []
        blocked: list[bytes] = []
        aside: list[Aside] = []

        def read() -> Iterator[tuple[bytes, Stat]]:
            for piece in self._lister.pieces(self._night.primary.folder(path)):
                chosen = self._choose(path, piece, aside)
                fingerprint.add(piece, chosen.files, len(chosen.blocked))
                blocked.extend(piece.names[at] for at in chosen.blocked)
                for at in sorted([*chosen.files, *chosen.folders]):
                    yield piece.names[at], piece.stat(at)

        names = read()
        for pair in names:
            found.append(pair)
            if len(found) > SORT_IN_MEMORY_LIMIT:
                ordered = self._night.plan.sort(_chain(found, names))
                first = next(ordered, None)  # has read all names by then, so that the lists are full
                self.name_aside(aside)
                ordered = _chain([first] if first else [], ordered)
                return _with_blocked(ordered, blocked), fingerprint.digest()
        self.name_aside(aside)
        found.extend((name, None) for name in blocked)
        found.sort(key=lambda pair: pair[0])
        return found, fingerprint.digest()

    def name_aside(self, aside: list[Aside]) -> None:
        for each in aside:
            self._night.leave_out(*each)

    def _choose(self, path: bytes, piece: Piece, aside: list[Aside]) -> _Chosen:
        """What of a piece counts. Names left out for the report go to ``aside``, since a folder may be read twice."""
        excludes = self._night.excludes
        modes = piece.modes()
        may_exclude = excludes.may_match(path, piece.text)
        plain = not (piece.failed or piece.gone or may_exclude or not path or path in self._have_mounts)
        if plain and all(stat.S_IFMT(mode) in _FILES for mode in set(modes)):
            return _Chosen(range(len(modes)), (), ())
        files: list[int] = []
        folders: list[int] = []
        blocked: list[int] = []
        for at, (name, mode) in enumerate(zip(piece.names, modes, strict=True)):
            if not path and name in OWN_NAMES:
                continue
            full = join(path, name)
            if full in self._night.mounted_below:
                aside.append(Aside(OTHER_MOUNT, full, "another file system is mounted there"))
                blocked.append(at)
            elif at in piece.gone:
                continue
            elif at in piece.failed:
                read_failed(self._night, "primary", piece.failed[at])
                aside.append(Aside(UNREADABLE, full, why(piece.failed[at])))
                blocked.append(at)
            elif may_exclude and excludes(full, stat.S_ISDIR(mode)):
                continue
            elif (what := unsupported_mode(mode)) is not None:
                aside.append(Aside(UNSUPPORTED, full, f"{what} {NO_CONTENT}"))
            else:
                (folders if stat.S_ISDIR(mode) else files).append(at)
        return _Chosen(files, folders, blocked)


def _chain(
    first: Iterable[tuple[bytes, Stat | None]], rest: Iterator[tuple[bytes, Stat]]
) -> Iterator[tuple[bytes, Stat]]:
    for name, found in first:
        assert found is not None
        yield name, found
    yield from rest


def _with_blocked(ordered: Iterator[tuple[bytes, Stat]], blocked: list[bytes]) -> Iterator[tuple[bytes, Stat | None]]:
    """Puts the names that cannot be looked at into their places."""
    waiting = sorted(blocked, reverse=True)
    for name, found in ordered:
        while waiting and waiting[-1] < name:
            yield waiting.pop(), None
        yield name, found
    while waiting:
        yield waiting.pop(), None


def why(error: OSError) -> str:
    if error.errno == errno.EIO:
        return "the drive reports a read error (I/O error); a drive that does so repeatedly should be replaced"
    return error.strerror or str(error)
