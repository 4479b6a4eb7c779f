"""Private temporary databases, for what has no limit that memory could hold, and is of no use afterwards."""

from __future__ import annotations

import sqlite3


def open_private(cache_kib: int) -> sqlite3.Connection:
    """An empty one, which SQLite keeps in memory while it is small and then in an unlinked file. Its owner closes it.

    Args:
        cache_kib: KiB of it that stay in memory.
    """
    connection = sqlite3.connect("", isolation_level=None)
    connection.execute(f"PRAGMA cache_size = -{cache_kib}")
    connection.execute("PRAGMA journal_mode = OFF")
    connection.execute("PRAGMA synchronous = OFF")
    return connection
