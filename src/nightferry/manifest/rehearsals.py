"""Restore tests: what there is to draw from, and what those before came to.

The table is made when the first rehearsal is entered: a manifest from before has none, and needs none to be read.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from nightferry.manifest.database import Database
from nightferry.manifest.records import Content
from nightferry.tree.metadata import Kind, Stat

_TABLE = """
CREATE TABLE IF NOT EXISTS rehearsal (
  id INTEGER PRIMARY KEY,
  stamp TEXT NOT NULL,                       -- of its report
  run INTEGER NOT NULL,                      -- the newest run when it was made
  began_s REAL NOT NULL, ended_s REAL NOT NULL,
  outcome TEXT NOT NULL,                     -- passed, short, mismatches, impossible
  out_of_time INTEGER NOT NULL,              -- 1: the window closed before it was through
  summary TEXT NOT NULL                      -- JSON: what status and reports show of it
)
"""
_COLUMNS = "stamp, run, began_s, ended_s, outcome, out_of_time, summary"

# A rehearsal a month fills these in a hundred years; one a day in three.
KEPT_LIMIT = 1_200


class Rehearsed(NamedTuple):
    """One restore test. Times are Unix time in seconds; ``summary`` is JSON."""

    stamp: str
    run: int
    began_s: float
    ended_s: float
    outcome: str
    out_of_time: bool
    summary: str


class Held(NamedTuple):
    """A retired file whose content is kept and was right when it went there."""

    held: bytes
    parent: int
    name: bytes
    stat: Stat
    content: Content
    xattrs: int | None
    since: int
    until: int


class Rehearsals:
    def __init__(self, database: Database) -> None:
        self._database = database
        self._connection = database.connection

    # --- those made

    def enter(self, made: Rehearsed) -> None:
        with self._database.transaction() as connection:
            connection.execute(_TABLE)
            connection.execute(f"INSERT INTO rehearsal ({_COLUMNS}) VALUES (?,?,?,?,?,?,?)", made)
            connection.execute("DELETE FROM rehearsal WHERE id <= (SELECT max(id) FROM rehearsal) - ?", (KEPT_LIMIT,))

    def newest(self, limit: int = 1) -> list[Rehearsed]:
        """Newest first."""
        found = self._connection.execute("SELECT 1 FROM sqlite_schema WHERE name = 'rehearsal' AND type = 'table'")
        if found.fetchone() is None:
            return []
        rows = self._connection.execute(f"SELECT {_COLUMNS} FROM rehearsal ORDER BY id DESC LIMIT ?", (limit,))
        return [Rehearsed(*row)._replace(out_of_time=bool(row[5])) for row in rows]

    # --- what there is to draw from

    def files(self) -> tuple[int, int]:
        """How many files the copy holds, and their bytes: each name counts."""
        return self._totals("entry WHERE kind = 2 AND digest IS NOT NULL")

    def held_files(self) -> tuple[int, int]:
        """The same of retired versions."""
        return self._totals(_HELD)

    def held(self) -> Iterator[Held]:
        """Retired versions."""
        for row in self._connection.execute(
            "SELECT held, parent, name, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid, nlink,"
            f" algorithm, digest, xattrs, since, until FROM {_HELD} ORDER BY id"
        ):
            stat = Stat(Kind.FILE, row[3], int(row[4]), int(row[5]), row[6], row[7], row[8], row[9], row[10], 0)
            yield Held(row[0], row[1], row[2], stat, Content(row[11], row[12]), *row[13:])

    def _totals(self, source: str) -> tuple[int, int]:
        row = self._connection.execute(f"SELECT count(*), coalesce(sum(size_bytes), 0) FROM {source}").fetchone()
        return int(row[0]), int(row[1])


_HELD = "past WHERE held IS NOT NULL AND kind = 2 AND digest IS NOT NULL AND reason <> 'decayed'"
