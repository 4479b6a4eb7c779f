"""Files on the secondary that the records do not account for: where a night that was cut off may have moved them.

Looked for only where a content stands in none of the places that the records name: ``copy/``, ``retired/`` and
``staging/`` are walked once, and what stands there otherwise than recorded is noted with its size, in memory while it
is little, else in an unlinked file. A file is read only where its size is that of a content that is sought.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator

from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import ROOT_ID, Content
from nightferry.night.context import COPY, RETIRED, STAGING
from nightferry.night.stocktake import looks_same
from nightferry.tree.content import Buffers, ReadFailed, hash_from_platter
from nightferry.tree.digests import by_id
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat
from nightferry.tree.root import Root, join, split

_CACHE_KIB = 4 * 1024
_CHUNK = 500


class Strays:
    """The manifest and the drive are only read."""

    def __init__(self, manifest: Manifest, secondary: Root, effects: Effects, should_stop: Callable[[], bool]) -> None:
        self._manifest, self._secondary, self._effects = manifest, secondary, effects
        self._should_stop = should_stop
        self._found: sqlite3.Connection | None = None
        self._buffers: Buffers | None = None

    def close(self) -> None:
        if self._found is not None:
            self._found.close()
        if self._buffers is not None:
            self._buffers.close()

    def having(self, stat: Stat, content: Content, name: bytes) -> Iterator[bytes]:
        """Paths below the secondary's root where a content may stand: what has its size, its date and its name first,
        unread; then all that was read and has its checksum. Raises ``Stopped``.
        """
        if content.algorithm is None or content.digest is None:
            return
        self._found = self._found or self._look_for_all()
        one = self._found.execute
        likely = "SELECT path FROM stray WHERE size_bytes = ? AND mtime_ns = ? AND name = ?"
        for (path,) in one(likely, (stat.size_bytes, str(stat.mtime_ns), name)).fetchall():
            yield path
        size = (stat.size_bytes, content.algorithm)
        if one("SELECT 1 FROM size_read WHERE size_bytes = ? AND algorithm = ?", size).fetchone() is None:
            for path in self._of_size(stat.size_bytes):
                digest = self._digest(path, content.algorithm)
                one("INSERT INTO was_read VALUES (?, ?, ?)", (digest, content.algorithm, path))
            one("INSERT INTO size_read VALUES (?, ?)", size)
        same = "SELECT path FROM was_read WHERE digest = ? AND algorithm = ? LIMIT ?"
        for (path,) in one(same, (content.digest, content.algorithm, _CHUNK)).fetchall():
            yield path

    def _of_size(self, size_bytes: int) -> Iterator[bytes]:
        """In pieces, so that nothing is open while they are read."""
        assert self._found is not None
        last = 0
        while rows := self._found.execute(
            "SELECT rowid, path FROM stray WHERE size_bytes = ? AND rowid > ? ORDER BY rowid LIMIT ?",
            (size_bytes, last, _CHUNK),
        ).fetchall():
            last = rows[-1][0]
            yield from (path for _, path in rows)

    def _digest(self, path: bytes, algorithm: int) -> bytes | None:
        """None where it cannot be read."""
        self._buffers = self._buffers or Buffers()
        try:
            folder_fd, name = self._secondary.at(path)
            return hash_from_platter(
                folder_fd, name, hasher=by_id(algorithm).new(), effects=self._effects, buffers=self._buffers,
                should_stop=self._should_stop, progress=lambda size_bytes: None, direct=False,
            ).digest  # fmt: skip
        except (OSError, ReadFailed):
            return None

    # --- the walk

    def _look_for_all(self) -> sqlite3.Connection:
        found = sqlite3.connect("", isolation_level=None)
        found.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
        found.execute("PRAGMA journal_mode = OFF")
        found.execute("PRAGMA synchronous = OFF")
        found.execute("CREATE TABLE held (path BLOB PRIMARY KEY) WITHOUT ROWID")
        found.execute("CREATE TABLE stray (size_bytes INTEGER, mtime_ns TEXT, name BLOB, path BLOB)")
        found.execute("CREATE TABLE was_read (digest BLOB, algorithm INTEGER, path BLOB)")
        found.execute("CREATE TABLE size_read (size_bytes INTEGER, algorithm INTEGER)")
        found.executemany("INSERT OR IGNORE INTO held VALUES (?)", ((held,) for held in self._manifest.past.all_held()))
        for top, row in ((COPY, ROOT_ID), (RETIRED, None), (STAGING, None)):
            found.executemany("INSERT INTO stray VALUES (?, ?, ?, ?)", self._below(found, top, row))
        found.execute("CREATE INDEX stray_size ON stray (size_bytes, mtime_ns, name)")
        found.execute("CREATE INDEX was_read_digest ON was_read (digest, algorithm)")
        return found

    def _below(self, found: sqlite3.Connection, top: bytes, row: int | None) -> Iterator[tuple[int, str, bytes, bytes]]:
        """(size, date, name, path) of files not as recorded. ``row``: of the folder, where it is a recorded one."""
        stack = [(top, row)]
        while stack:
            folder, parent = stack.pop()
            try:
                with self._effects.scandir(self._secondary.folder(folder)) as names:
                    for each in names:
                        path = join(folder, os.fsencode(each.name))
                        then = None if parent is None else self._manifest.entries.child(parent, os.fsencode(each.name))
                        if each.is_dir(follow_symlinks=False):
                            is_known = then is not None and then.stat.kind is Kind.FOLDER
                            stack.append((path, then.id if then is not None and is_known else None))
                        elif each.is_file(follow_symlinks=False):
                            now = Stat.of(self._secondary.stat(path))
                            is_known = then is not None and then.stat.kind is Kind.FILE and looks_same(then.stat, now)
                            if not is_known and not _is_held(found, path):
                                yield now.size_bytes, str(now.mtime_ns), split(path)[1], path
            except (OSError, KeyError):
                continue  # what cannot be looked at cannot be restored from either


def _is_held(found: sqlite3.Connection, path: bytes) -> bool:
    top, _, held = path.partition(b"/")
    return top == RETIRED and found.execute("SELECT 1 FROM held WHERE path = ?", (held,)).fetchone() is not None
