"""Where a content can stand: on either drive, under any name. One answer for all that look for a good version.

Each place is only one to try: what stands there is read and compared before it is believed.
"""

from __future__ import annotations

import os
import sqlite3
import stat as stat_module
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import NamedTuple

from nightferry.manifest.contents import Contents
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.private import open_private
from nightferry.manifest.records import ROOT_ID, Content, Entry
from nightferry.night.by_content import ByContent
from nightferry.night.carry import in_copy, in_retired
from nightferry.tree.metadata import Stat
from nightferry.tree.root import Root, join
from nightferry.units import show_name

_CACHE_KIB = 4 * 1024
_PAGE = 100
_NOWHERE_LIMIT = 4_096


class Place(NamedTuple):
    """Where a content may stand: a path below the root of a drive, and how to call it."""

    root: Root
    path: bytes
    what: str  # copy, retired, primary
    told: str  # the same, for a person


class Whereabouts:
    """``primary``: where it is there to be asked. ``walking``: also for what stands there otherwise than recorded, as
    on a held night, which costs a look at every name of the primary, once; it says when to stop.
    """

    def __init__(
        self, manifest: Manifest, secondary: Root, primary: Root | None, *, walking: Callable[[], bool] | None = None
    ) -> None:
        self._contents = Contents(manifest)
        self._secondary, self._primary = secondary, primary
        self._nowhere: OrderedDict[Content, None] = OrderedDict()
        self._unrecorded = (
            _Unrecorded(manifest, primary, walking) if primary is not None and walking is not None else None
        )

    def close(self) -> None:
        self._contents.close()
        if self._unrecorded is not None:
            self._unrecorded.close()

    def places(self, content: Content, stat: Stat) -> Iterator[Place]:
        """Every place where a file of that content and ``stat`` may be, and where a file of its size stands.

        Raises ``Stopped`` where it walks.
        """
        return filter(lambda place: is_candidate(place, stat.size_bytes), self._all(content, stat))

    def _all(self, content: Content, stat: Stat) -> Iterator[Place]:
        if content not in self._nowhere:
            yield from self._recorded(content)
            # Whoever asked tried them all. Of many files of one content not each is to try them all again.
            self._nowhere[content] = None
            if len(self._nowhere) > _NOWHERE_LIMIT:
                self._nowhere.popitem(last=False)
        if self._unrecorded is not None and content.digest is not None:
            assert self._primary is not None
            for path in self._unrecorded.having(content, stat):
                yield Place(self._primary, path, "primary", _told("the primary", path))

    def _recorded(self, content: Content) -> Iterator[Place]:
        for found in self._contents.places(content):
            if found.place == "retired":
                yield Place(self._secondary, in_retired(found.path), "retired", _told("a retired version", found.path))
            else:
                yield Place(self._secondary, in_copy(found.path), "copy", _told("a file of the copy", found.path))
        if self._primary is not None:
            for path in self._contents.names(content):
                yield Place(self._primary, path, "primary", _told("the primary", path))


def is_candidate(place: Place, size_bytes: int | None) -> bool:
    """Whether a file stands there, of that size; what cannot be looked at is tried, and then says why."""
    try:
        found = place.root.stat_or_none(place.path)
    except OSError:
        return True
    if found is None or not stat_module.S_ISREG(found.st_mode):
        return False
    return size_bytes is None or found.st_size == size_bytes


def _told(what: str, path: bytes) -> str:
    return f"{what} ({show_name(path)})"


class _Unrecorded:
    """Files of the primary under names that the records do not have, or have for another file; found by one walk."""

    def __init__(self, manifest: Manifest, primary: Root, should_stop: Callable[[], bool]) -> None:
        self._manifest, self._primary, self._should_stop = manifest, primary, should_stop
        self._connection: sqlite3.Connection | None = None
        self._by_content: ByContent | None = None

    def close(self) -> None:
        if self._by_content is not None:
            self._by_content.close()
        if self._connection is not None:
            self._connection.close()

    def having(self, content: Content, stat: Stat) -> Iterator[bytes]:
        """Paths of files that may be this one: of its size, and of its inode or its date, unread; then all that were
        read and have its content. Raises ``Stopped``.
        """
        if self._connection is None or self._by_content is None:
            self._connection = self._walked()
            self._by_content = ByContent(self._connection, "found", self._primary, self._should_stop)
        for column, value in (("inode", str(stat.inode)), ("mtime_ns", str(stat.mtime_ns))):
            after = 0
            while page := self._connection.execute(
                f"SELECT rowid, path FROM found WHERE size_bytes = ? AND {column} = ? AND rowid > ? LIMIT ?",
                (stat.size_bytes, value, after, _PAGE),
            ).fetchall():
                for _, path in page:
                    yield path
                after = page[-1][0]
        yield from self._by_content.having(content, stat.size_bytes)

    def _walked(self) -> sqlite3.Connection:
        connection = open_private(_CACHE_KIB)
        connection.execute("CREATE TABLE found (path BLOB, size_bytes INTEGER, inode TEXT, mtime_ns TEXT)")
        connection.execute("CREATE TABLE folder (number INTEGER PRIMARY KEY, path BLOB, entry INTEGER)")
        connection.execute("BEGIN")
        connection.execute("INSERT INTO folder (path, entry) VALUES (?, ?)", (b"", ROOT_ID))
        while (
            folder := connection.execute("SELECT * FROM folder ORDER BY number DESC LIMIT 1").fetchone()
        ) is not None:
            connection.execute("DELETE FROM folder WHERE number = ?", (folder[0],))
            with suppress(OSError):  # a folder that cannot be listed, or on which something is mounted
                self._walk_folder(connection, folder[1], folder[2])
        connection.execute("CREATE INDEX found_inode ON found (inode, size_bytes)")
        connection.execute("CREATE INDEX found_mtime ON found (mtime_ns, size_bytes)")
        connection.execute("CREATE INDEX found_size ON found (size_bytes)")
        connection.execute("COMMIT")
        return connection

    def _walk_folder(self, connection: sqlite3.Connection, folder: bytes, entry: int | None) -> None:
        for name in self._primary.names(folder):
            path = join(folder, name)
            found = self._primary.stat_or_none(path)
            if found is None:
                continue
            row: Entry | None = None if entry is None else self._manifest.entries.child(entry, name)
            if stat_module.S_ISDIR(found.st_mode):
                below = (path, None if row is None else row.id)
                connection.execute("INSERT INTO folder (path, entry) VALUES (?, ?)", below)
            elif stat_module.S_ISREG(found.st_mode) and (row is None or not _is_as_recorded(row.stat, found)):
                values = (path, found.st_size, str(found.st_ino), str(found.st_mtime_ns))
                connection.execute("INSERT INTO found VALUES (?, ?, ?, ?)", values)


def _is_as_recorded(then: Stat, found: os.stat_result) -> bool:
    return (then.inode, then.size_bytes, then.mtime_ns) == (found.st_ino, found.st_size, found.st_mtime_ns)
