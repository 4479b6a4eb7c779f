"""What checksum lists say, kept in a private temporary database, so that it can be asked by name however long they are.

SQLite keeps it in memory while it is small and then in an unlinked file.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from nightferry.manifest.private import open_private

_CACHE_KIB = 8 * 1024


class Listed:
    """Paths with their checksums. Close it when done."""

    def __init__(self) -> None:
        self._connection = open_private(_CACHE_KIB)
        self._connection.execute(
            "CREATE TABLE listed (path BLOB PRIMARY KEY, algorithm INTEGER NOT NULL, digest BLOB NOT NULL)"
            " WITHOUT ROWID"
        )

    def add(self, found: Iterable[tuple[bytes, int, bytes]]) -> None:
        """Enters (path, algorithm, digest); the first one given of a path counts."""
        self._connection.execute("BEGIN")
        self._connection.executemany("INSERT OR IGNORE INTO listed VALUES (?,?,?)", found)
        self._connection.execute("COMMIT")

    def has(self, path: bytes) -> bool:
        return self._connection.execute("SELECT 1 FROM listed WHERE path = ?", (path,)).fetchone() is not None

    def all(self) -> Iterator[tuple[bytes, int, bytes]]:
        """In the order of the paths' bytes."""
        yield from self._connection.execute("SELECT path, algorithm, digest FROM listed ORDER BY path")

    def close(self) -> None:
        self._connection.close()
