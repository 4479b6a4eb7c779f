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
from nightferry.manifest.private import open_private
from nightferry.manifest.records import ROOT_ID, Content
from nightferry.night.by_content import ByContent
from nightferry.night.context import COPY, RETIRED, STAGING
from nightferry.night.stocktake import looks_same
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat
from nightferry.tree.root import Root, join, split

_CACHE_KIB = 4 * 1024


class Strays:
    """The manifest and the drive are only read."""

    def __init__(self, manifest: Manifest, secondary: Root, effects: Effects, should_stop: Callable[[], bool]) -> None:
        self._manifest, self._secondary, self._effects = manifest, secondary, effects
        self._should_stop = should_stop
        self._found: sqlite3.Connection | None = None
        self._by_content: ByContent | None = None

    def close(self) -> None:
        if self._by_content is not None:
            self._by_content.close()
        if self._found is not None:
            self._found.close()

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
        assert self._by_content is not None
        yield from self._by_content.having(content, stat.size_bytes)

    # --- the walk

    def _look_for_all(self) -> sqlite3.Connection:
        found = open_private(_CACHE_KIB)
        found.execute("CREATE TABLE held (path BLOB PRIMARY KEY) WITHOUT ROWID")
        found.execute("CREATE TABLE stray (size_bytes INTEGER, mtime_ns TEXT, name BLOB, path BLOB)")
        found.executemany("INSERT OR IGNORE INTO held VALUES (?)", ((held,) for held in self._manifest.past.all_held()))
        for top, row in ((COPY, ROOT_ID), (RETIRED, None), (STAGING, None)):
            found.executemany("INSERT INTO stray VALUES (?, ?, ?, ?)", self._below(found, top, row))
        found.execute("CREATE INDEX stray_size ON stray (size_bytes, mtime_ns, name)")
        self._by_content = ByContent(found, "stray", self._secondary, self._should_stop)
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
