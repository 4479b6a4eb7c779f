"""Files in a private table, found by their checksum: those of a size are read once a content of that size is sought."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator

from nightferry.manifest.records import Content
from nightferry.tree.content import Buffers, ReadFailed, hash_from_platter
from nightferry.tree.digests import by_id
from nightferry.tree.root import Root

_CHUNK = 500


class ByContent:
    """``table``: of ``connection``, with columns size_bytes and path, below ``root``. The drive is only read."""

    def __init__(self, connection: sqlite3.Connection, table: str, root: Root, should_stop: Callable[[], bool]) -> None:
        self._connection, self._table = connection, table
        self._root, self._should_stop = root, should_stop
        self._buffers: Buffers | None = None
        connection.execute("CREATE TABLE was_read (digest BLOB, algorithm INTEGER, path BLOB)")
        connection.execute("CREATE TABLE size_read (size_bytes INTEGER, algorithm INTEGER)")
        connection.execute("CREATE INDEX was_read_digest ON was_read (digest, algorithm)")

    def close(self) -> None:
        if self._buffers is not None:
            self._buffers.close()

    def having(self, content: Content, size_bytes: int) -> Iterator[bytes]:
        """Paths of files that had this content when they were read, each once. Raises ``Stopped``."""
        if content.algorithm is None or content.digest is None:
            return
        one, size = self._connection.execute, (size_bytes, content.algorithm)
        if one("SELECT 1 FROM size_read WHERE size_bytes = ? AND algorithm = ?", size).fetchone() is None:
            for path in self._of_size(size_bytes):
                one("INSERT INTO was_read VALUES (?, ?, ?)", (self._digest(path, content.algorithm), size[1], path))
            one("INSERT INTO size_read VALUES (?, ?)", size)
        same = "SELECT path FROM was_read WHERE digest = ? AND algorithm = ? LIMIT ?"
        for (path,) in one(same, (content.digest, content.algorithm, _CHUNK)).fetchall():
            yield path

    def _of_size(self, size_bytes: int) -> Iterator[bytes]:
        """In pieces, so that nothing is open while they are read."""
        last = 0
        while rows := self._connection.execute(
            f"SELECT rowid, path FROM {self._table} WHERE size_bytes = ? AND rowid > ? ORDER BY rowid LIMIT ?",
            (size_bytes, last, _CHUNK),
        ).fetchall():
            last = rows[-1][0]
            yield from (path for _, path in rows)

    def _digest(self, path: bytes, algorithm: int) -> bytes | None:
        """None where it cannot be read."""
        self._buffers = self._buffers or Buffers()
        try:
            folder_fd, name = self._root.at(path)
            return hash_from_platter(
                folder_fd, name, hasher=by_id(algorithm).new(), effects=self._root.effects, buffers=self._buffers,
                should_stop=self._should_stop, progress=lambda size_bytes: None, direct=False,
            ).digest  # fmt: skip
        except (OSError, ReadFailed):
            return None
