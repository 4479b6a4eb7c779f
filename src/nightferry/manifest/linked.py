"""The first name met of each file that has several; kept in a private temporary database.

SQLite keeps it in memory while it is small and then in an unlinked file, however many such files there are.
"""

from __future__ import annotations

from nightferry.manifest.private import open_private

_CACHE_KIB = 4 * 1024


class Linked:
    """By a number that all names of one file have in common. Close it when done."""

    def __init__(self) -> None:
        self._connection = open_private(_CACHE_KIB)
        self._connection.execute("CREATE TABLE linked (file INTEGER PRIMARY KEY, path BLOB NOT NULL)")

    def first(self, file: int | None) -> bytes | None:
        """The name that was remembered; None where none was. ``file`` None: it has one name only."""
        if file is None:
            return None
        row = self._connection.execute("SELECT path FROM linked WHERE file = ?", (file,)).fetchone()
        return None if row is None else bytes(row[0])

    def remember(self, file: int | None, path: bytes) -> None:
        """Does nothing for a file of one name."""
        if file is not None:
            self._connection.execute("INSERT OR REPLACE INTO linked VALUES (?,?)", (file, path))

    def forget_all(self) -> None:
        self._connection.execute("DELETE FROM linked")

    def close(self) -> None:
        self._connection.close()
