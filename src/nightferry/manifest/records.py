"""The rows of a manifest as plain values."""

from __future__ import annotations

from typing import NamedTuple

from nightferry.tree.metadata import KIND_OF, Kind, Stat

ROOT_ID = 1

# SQLite's integers have 64 bits; a file system's times may not fit them.
_INT64 = 1 << 63


def integer_out(value: int) -> int | str:
    return value if -_INT64 <= value < _INT64 else str(value)


class Content(NamedTuple):
    """What a file's bytes are, or where a symlink points."""

    algorithm: int | None = None
    digest: bytes | None = None
    target: bytes | None = None


class Entry(NamedTuple):
    """A name of the copy as it stands."""

    id: int
    parent: int
    name: bytes
    stat: Stat
    content: Content
    xattrs: int | None
    born: int
    since: int
    listing: bytes | None


ENTRY_COLUMNS = (
    "id, parent, name, kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid, nlink,"
    " algorithm, digest, target, xattrs, born, since, listing"
)


def entry_of(row: tuple) -> Entry:  # type: ignore[type-arg]
    return Entry(
        row[0],
        row[1],
        row[2],
        Stat(KIND_OF[row[3]], row[4], int(row[5]), int(row[6]), row[7], row[8], row[9], row[10], row[11], 0),
        Content(row[12], row[13], row[14]),
        row[15],
        row[16],
        row[17],
        row[18],
    )


class Past(NamedTuple):
    """A version that is no longer the present one."""

    id: int
    entry: int
    parent: int
    name: bytes
    kind: Kind
    size_bytes: int
    since: int
    until: int
    reason: str
    held: bytes | None
    expired: int | None


class Version(NamedTuple):
    """A retired version of a file whose content is kept: the present one in the runs since .. until - 1.

    ``reason`` "displaced": it never was that, but stood on the primary until a person's command displaced it.
    """

    held: bytes
    algorithm: int
    digest: bytes
    size_bytes: int
    since: int
    until: int
    reason: str


class Intent(NamedTuple):
    """One name about to change on the secondary; enough to finish it after a crash."""

    # folder, move, place, retire, remove_folder, expire, unlisted, displaced, bring_back; rows only: note, forget,
    # move_row
    action: str
    path: bytes  # below copy/; for expire, displaced and bring_back below retired/
    entry: int | None = None
    source: bytes | None = None  # move: the old path
    staged: bytes | None = None  # place, displaced, bring_back: the name in staging/
    held: bytes | None = None  # place, retire: where the old content goes, below retired/; there: the staged one
    reason: str | None = None
    stat: Stat | None = None
    content: Content = Content()
    xattrs: int | None = None
    read_primary_s: int | None = None
    read_secondary_s: int | None = None
    seq: int = 0


class Run(NamedTuple):
    number: int
    stamp: str
    started_s: float
    ended_s: float | None
    outcome: str | None
    summary: str


class LeftOut(NamedTuple):
    """A name that was not copied: unreadable, unsettled, unsupported, other mount, no room."""

    kind: str
    path: bytes
    detail: str


class Hold(NamedTuple):
    run: int
    removals: int
    replacements: int
    reasons: str
    released_s: float | None
    spent_run: int | None


class Damage(NamedTuple):
    """Content that is wrong, or a name that no run put there; ``path`` below the primary, or below ``retired/``."""

    path: bytes
    side: str  # primary, secondary, retired
    verdict: str
    detail: str
    found_by: str
    found_run: int
    found_s: float  # Unix time
    id: int = 0
    entry: int | None = None  # the row of the copy that it is about; it may be gone by now
    past: int | None = None  # of side retired: the row of past
    bad: BadFile | None = None  # the bad file as it was found; None: of another side than the primary
    algorithm: int | None = None
    digest: bytes | None = None  # of the right content
    is_open: bool = True


class BadFile(NamedTuple):
    """A file of the primary whose content is wrong, as it was found: by these it is known again under any name."""

    inode: int
    size_bytes: int
    mtime_ns: int
    digest: bytes | None  # of the wrong content, in the algorithm of the right one's; None: it could not be read
