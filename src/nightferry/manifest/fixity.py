"""When each file was last read back, on either drive, and which are to be read next."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal, NamedTuple

from nightferry.manifest.database import Database
from nightferry.manifest.records import Content
from nightferry.tree.metadata import Kind, Stat

Side = Literal["primary", "secondary"]

_READ = {"primary": "read_primary_s", "secondary": "read_secondary_s"}


# Retired files whose content was right when they went there.
_HELD = "past WHERE held IS NOT NULL AND kind = 2 AND reason <> 'decayed'"


# Folders at and below one row.
_FOLDERS_BELOW = (
    "WITH RECURSIVE tree(id) AS (SELECT :below UNION ALL"
    " SELECT entry.id FROM entry JOIN tree ON entry.parent = tree.id WHERE entry.kind = 1 AND entry.id <> 1)"
    " SELECT id FROM tree"
)


def _unread(side: Side, below: int | None, *, retired: bool) -> str:
    """The query for files last read before ``:before``; ``:below`` is a row's id where ``below`` is given."""
    column = _READ[side]
    columns = "size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid, nlink, algorithm, digest"
    query = (
        f"SELECT 'entry' AS source, id, parent, {columns}, NULL AS held, coalesce({column}, 0) AS read_s"
        f" FROM entry WHERE kind = 2 AND digest IS NOT NULL AND coalesce({column}, 0) < :before"
    )
    if below is not None:
        query += f" AND (id = :below OR parent IN ({_FOLDERS_BELOW}))"
    if side == "secondary" and retired:
        query += (
            f" UNION ALL SELECT 'past', id, parent, {columns}, held, coalesce(read_s, 0) FROM {_HELD}"
            " AND digest IS NOT NULL AND coalesce(read_s, 0) < :before"
        )
        if below is not None:
            query += f" AND (entry = :below OR parent IN ({_FOLDERS_BELOW}))"
    return query


class Subject(NamedTuple):
    """A file to be read back: of the copy and the primary (``entry``), or a retired version (``past``)."""

    table: str  # entry, past
    id: int
    parent: int
    stat: Stat
    content: Content
    held: bytes | None
    read_s: int  # Unix time; 0: never


@dataclass(frozen=True)
class Coverage:
    """One side's share verified within the cycle."""

    files: int
    files_total: int
    size_bytes: int
    total_bytes: int
    oldest_s: float | None  # Unix time of the oldest reading; None where something was never read

    @property
    def share(self) -> float:
        return 1.0 if self.total_bytes == 0 else self.size_bytes / self.total_bytes


class Fixity:
    def __init__(self, database: Database) -> None:
        self._database = database
        self._connection = database.connection

    def oldest(
        self,
        side: Side,
        before_s: float,
        limit: int,
        after: Subject | None = None,
        *,
        below: int | None = None,
        retired: bool = True,
    ) -> list[Subject]:
        """Files last read before ``before_s``, oldest first; those of one day folder by folder, in inode order.

        Retired versions count on the side of the secondary. ``after`` goes on behind a subject of an earlier page.
        ``below``: only that row and what is below it. ``retired`` False: only what the copy holds now.
        """
        query = _unread(side, below, retired=retired)
        key = "read_s / 86400, source, parent, inode, id"
        values: dict[str, object] = {"before": before_s, "limit": limit, "below": below}
        where = ""
        if after is not None:
            where = f"WHERE ({key}) > (:day, :source, :parent, :inode, :id)"
            values |= {
                "day": after.read_s // 86_400, "source": after.table, "parent": after.parent,
                "inode": after.stat.inode, "id": after.id,
            }  # fmt: skip
        rows = self._connection.execute(
            f"SELECT * FROM ({query}) {where} ORDER BY {key} LIMIT :limit", values
        ).fetchall()
        return [
            Subject(
                row[0], row[1], row[2],
                Stat(Kind.FILE, row[3], int(row[4]), int(row[5]), row[6], row[7], row[8], row[9], row[10], 0),
                Content(row[11], row[12]), row[13], row[14],
            )
            for row in rows
        ]  # fmt: skip

    def unread(self, side: Side, before_s: float, *, below: int | None = None, retired: bool = True) -> tuple[int, int]:
        """How many files ``oldest`` would give in all, and their bytes."""
        row = self._connection.execute(
            f"SELECT count(*), coalesce(sum(size_bytes), 0) FROM ({_unread(side, below, retired=retired)})",
            {"before": before_s, "below": below},
        ).fetchone()
        return int(row[0]), int(row[1])

    def last_read_s(self, side: str, path_entry: int | None, held: bytes | None) -> int | None:
        """When a row, or a retired version, was last read on a side and found intact; None for never."""
        if held is not None:
            row = self._connection.execute("SELECT max(read_s) FROM past WHERE held = ?", (held,)).fetchone()
        else:
            column = _READ["primary" if side == "primary" else "secondary"]
            row = self._connection.execute(f"SELECT {column} FROM entry WHERE id = ?", (path_entry,)).fetchone()
        return None if row is None else row[0]

    def mark_bad(self, side: Side, table: str, row_id: int) -> None:
        """The last reading found it bad: it counts as never found intact, and comes first next time."""
        column = _READ[side] if table == "entry" else "read_s"
        with self._database.transaction() as connection:
            connection.execute(f"UPDATE {table} SET {column} = NULL WHERE id = ?", (row_id,))

    @contextmanager
    def held_names(self) -> Iterator[Callable[[bytes], bool]]:
        """Within the block: whether a path below ``retired/`` is one that the manifest knows.

        The table is temporary: SQLite keeps it in memory until it outgrows its cache.
        """
        connection = self._connection
        connection.execute("CREATE TEMP TABLE held_name (held BLOB PRIMARY KEY) WITHOUT ROWID")
        try:
            connection.execute("INSERT OR IGNORE INTO held_name SELECT held FROM past WHERE held IS NOT NULL")
            yield (
                lambda path: (
                    connection.execute("SELECT 1 FROM held_name WHERE held = ?", (path,)).fetchone() is not None
                )
            )
        finally:
            connection.execute("DROP TABLE held_name")

    def mark_read(self, side: Side, read: list[tuple[str, int]], when_s: int) -> None:
        """(table, id) of files read and found intact. In one transaction."""
        with self._database.transaction() as connection:
            for table, row_id in read:
                column = _READ[side] if table == "entry" else "read_s"
                connection.execute(f"UPDATE {table} SET {column} = ? WHERE id = ?", (when_s, row_id))

    def total_bytes(self, side: Side) -> int:
        query = "SELECT coalesce(sum(size_bytes), 0) FROM entry WHERE kind = 2"
        if side == "secondary":
            query = f"SELECT ({query}) + (SELECT coalesce(sum(size_bytes), 0) FROM {_HELD})"
        return int(self._connection.execute(query).fetchone()[0])

    def coverage(self, side: Side, since_s: float) -> Coverage:
        """What was read since then, and the oldest reading."""
        column = _READ[side]
        query = f"SELECT size_bytes, {column} AS read_s FROM entry WHERE kind = 2"
        if side == "secondary":
            query += f" UNION ALL SELECT size_bytes, read_s FROM {_HELD}"
        row = self._connection.execute(
            f"SELECT sum(read_s >= :since), count(*), sum(CASE WHEN read_s >= :since THEN size_bytes ELSE 0 END),"
            f" sum(size_bytes), min(coalesce(read_s, 0)) FROM ({query})",
            {"since": since_s},
        ).fetchone()
        oldest = row[4] or None
        return Coverage(row[0] or 0, row[1], row[2] or 0, row[3] or 0, oldest)

    def ages(self, side: Side, now_s: float, edges_s: list[float]) -> list[tuple[int, int]]:
        """(files, bytes) by age of the last reading: below each edge in turn, then the rest and those never read."""
        column = _READ[side]
        rows = self._connection.execute(f"SELECT size_bytes, {column} FROM entry WHERE kind = 2")
        found = [[0, 0] for _ in range(len(edges_s) + 1)]
        for size_bytes, read_s in rows:
            age_s = float("inf") if read_s is None else now_s - read_s
            place = next((number for number, edge_s in enumerate(edges_s) if age_s < edge_s), len(edges_s))
            found[place][0] += 1
            found[place][1] += size_bytes
        return [(files, size_bytes) for files, size_bytes in found]
