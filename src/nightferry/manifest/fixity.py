"""When each file was last read back, on either drive, and which are to be read next."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from typing import Literal, NamedTuple

from nightferry.manifest.covered import AGE_EDGES_S, Coverage, Place
from nightferry.manifest.database import Database
from nightferry.manifest.records import Content, Damage
from nightferry.tree.metadata import KIND_OF, Stat

Side = Literal["primary", "secondary"]
_DAY_S = 86_400
# A reading of later than this after now was dated by a clock that was wrong: it proves nothing of when it was.
# A pass over a large drive takes more than a day, and marks what it reads with the moment at which it does so.
FUTURE_S = 7 * _DAY_S
_NO_LIMIT_S = (1 << 62) * 1.0

_READ = {"primary": "read_primary_s", "secondary": "read_secondary_s"}


# Retired files and symlinks whose content was right when they went there; what no run put there has no checksum.
_HELD_ALL = "past WHERE held IS NOT NULL AND reason <> 'decayed' AND"
_HELD = f"{_HELD_ALL} kind = 2 AND digest IS NOT NULL"
_READABLE = "(kind = 2 AND digest IS NOT NULL)"
_LINK = "(kind = 3 AND target IS NOT NULL)"


# Checksums that are looked for in one pass; what is beyond it waits for the next night.
_WANTED_LIMIT = 10_000

# Keeps SQLite from writing the inner columns out in full wherever the outer query names them (nearly half of the time).
_ONCE = " LIMIT -1"

# Folders at and below one row.
_FOLDERS_BELOW = (
    "WITH RECURSIVE tree(id) AS (SELECT :below UNION ALL"
    " SELECT entry.id FROM entry JOIN tree ON entry.parent = tree.id WHERE entry.kind = 1 AND entry.id <> 1)"
    " SELECT id FROM tree"
)


def _when(column: str) -> str:
    """When a row was last read and found intact; 0 for never, and for a date that cannot be."""
    return f"(CASE WHEN {column} <= :latest THEN {column} ELSE 0 END)"


def _unread(side: Side, below: int | None, *, retired: bool, names: bool) -> str:
    """The query for files last read before ``:before``; ``:below`` is a row's id where ``below`` is given.

    ``names``: on the secondary also symlinks and folders, of which there is no content to read, but a name to be there.
    """
    read = _when(_READ[side])
    columns = "since, kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid, nlink, algorithm, digest, target"
    what = f"({_READABLE} OR {_LINK} OR (kind = 1 AND id <> 1))" if side == "secondary" and names else _READABLE
    query = (
        f"SELECT 'entry' AS source, id, parent, {columns}, NULL AS held, {read} AS read_s"
        f" FROM entry WHERE {what} AND {read} < :before"
    )
    if below is not None:
        query += f" AND (id = :below OR parent IN ({_FOLDERS_BELOW}))"
    if side == "secondary" and retired:
        read = _when("read_s")
        what = f"({_READABLE} OR {_LINK})" if names else _READABLE
        query += (
            f" UNION ALL SELECT 'past', id, parent, {columns}, held, {read}"
            f" FROM {_HELD_ALL} {what} AND {read} < :before"
        )
        if below is not None:
            query += f" AND (entry = :below OR parent IN ({_FOLDERS_BELOW}))"
    return query


class Subject(NamedTuple):
    """A name to be read back: of the copy and the primary (``entry``), or a retired version (``past``)."""

    table: str  # entry, past
    id: int
    parent: int
    stat: Stat
    content: Content
    held: bytes | None
    read_s: int  # Unix time; 0: never


def _sums(column: str) -> str:
    """What is summed up of one column of dates, in the order in which ``_coverage`` takes it."""
    parts = [
        f"sum({column} IS NULL)", f"sum(CASE WHEN {column} IS NULL THEN size_bytes END)", f"min({column})",
    ]  # fmt: skip
    overdue = f"since <= :standing AND coalesce({column}, 0) < :overdue"
    parts += [f"sum({overdue})", f"sum(CASE WHEN {overdue} THEN size_bytes END)"]
    for edge in ("cycle", *(f"edge{number}" for number in range(len(AGE_EDGES_S)))):
        parts += [f"sum({column} >= :{edge})", f"sum(CASE WHEN {column} >= :{edge} THEN size_bytes END)"]
    return ", ".join(parts)


def _coverage(files_total: int, total_bytes: int, sums: tuple[int | None, ...]) -> Coverage:
    never, never_bytes, oldest_s, overdue_files, overdue_bytes, files, size_bytes, *younger = sums
    pairs = [
        (found or 0, found_bytes or 0) for found, found_bytes in zip(younger[::2], younger[1::2], strict=True)
    ]  # each holds those of the one before
    upto = [(0, 0), *pairs, (files_total - (never or 0), total_bytes - (never_bytes or 0))]
    ages = tuple((after[0] - before[0], after[1] - before[1]) for before, after in pairwise(upto))
    return Coverage(
        files or 0, files_total, size_bytes or 0, total_bytes, never or 0, overdue_files or 0, overdue_bytes or 0,
        oldest_s, ages,
    )  # fmt: skip


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
        latest_s: float | None = None,
        written_by: int | None = None,
    ) -> list[Subject]:
        """Names last read before ``before_s``, oldest first; those of one day folder by folder, in inode order.

        Retired versions count on the side of the secondary, and so do symlinks and folders, which are looked at.
        ``after`` goes on behind a subject of an earlier page. ``below``: only that row and what is below it.
        ``retired`` False: only what the copy holds now. ``latest_s``: a date after that counts as none. ``written_by``:
        only what this run or an earlier one wrote.
        """
        query = _unread(side, below, retired=retired, names=True)
        key = "read_s / 86400, source, parent, inode, id"
        values: dict[str, object] = {
            "before": before_s, "limit": limit, "below": below, "latest": _NO_LIMIT_S if latest_s is None else latest_s,
        }  # fmt: skip
        where = "WHERE 1"
        if written_by is not None:
            where += " AND since <= :written_by"
            values["written_by"] = written_by
        if after is not None:
            where += f" AND ({key}) > (:day, :source, :parent, :inode, :id)"
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
                Stat(KIND_OF[row[4]], row[5], int(row[6]), int(row[7]), row[8], row[9], row[10], row[11], row[12], 0),
                Content(row[13], row[14], row[15]), row[16], row[17],
            )
            for row in rows
        ]  # fmt: skip

    def unread(
        self, side: Side, before_s: float, *, below: int | None = None, retired: bool = True,
        latest_s: float | None = None,
    ) -> tuple[int, int]:  # fmt: skip
        """How many files ``oldest`` would give in all, and their bytes. Symlinks and folders are not counted."""
        row = self._connection.execute(
            "SELECT count(*), coalesce(sum(size_bytes), 0) FROM"
            f" ({_unread(side, below, retired=retired, names=False)})",
            {"before": before_s, "below": below, "latest": _NO_LIMIT_S if latest_s is None else latest_s},
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

    def read_right_since(self, damage: Sequence[Damage], now_s: float) -> list[Damage]:
        """Damage of the primary whose right content was read there since it was found, under whatever name.

        One pass over the rows for all of it.
        """
        wanted = {(each.algorithm, each.digest): each for each in damage if each.digest is not None}
        if not wanted:
            return []
        marks = ",".join("?" * min(len(wanted), _WANTED_LIMIT))
        chosen = list(wanted)[:_WANTED_LIMIT]
        newest: dict[tuple[int, bytes], int] = {}
        for algorithm, digest, read_s in self._connection.execute(
            "SELECT algorithm, digest, max(read_primary_s) FROM entry"
            f" WHERE digest IN ({marks}) AND read_primary_s <= ? GROUP BY algorithm, digest",
            (*(digest for _, digest in chosen), now_s),
        ):
            newest[algorithm, digest] = read_s
        return [
            each
            for each in damage
            if each.algorithm is not None
            and each.digest is not None
            and newest.get((each.algorithm, each.digest), -1) >= each.found_s
        ]

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

    def newest_run(self, begun_by_s: float) -> int:
        """The newest run that had begun by then; -1 where none had. What was written later cannot be overdue."""
        query = "SELECT coalesce(max(number), -1) FROM run WHERE started_s <= ?"
        return int(self._connection.execute(query, (begun_by_s,)).fetchone()[0])

    def total_bytes(self, side: Side) -> int:
        query = "SELECT coalesce(sum(size_bytes), 0) FROM entry WHERE kind = 2"
        if side == "secondary":
            query = f"SELECT ({query}) + (SELECT coalesce(sum(size_bytes), 0) FROM {_HELD})"
        return int(self._connection.execute(query).fetchone()[0])

    def coverage(self, now_s: float, cycle_s: float) -> dict[Place, Coverage]:
        """What was read of each place within the cycle that ends now, and when the rest was.

        Two passes over the rows, one over those of the copy and one over the retired versions: some seconds for a
        million files. Memory is constant. A reading dated in the future counts as none.
        """
        overdue_s = now_s - cycle_s - _DAY_S  # a night that started an hour later than the one before is in time
        values = {
            "cycle": now_s - cycle_s, "overdue": overdue_s, "standing": self.newest_run(overdue_s),
            "latest": now_s + FUTURE_S,
        }  # fmt: skip
        values |= {f"edge{number}": now_s - edge_s for number, edge_s in enumerate(AGE_EDGES_S)}
        on = {place: f"nullif({_when(column)}, 0) AS on_{place}" for place, column in _READ.items()}
        row = self._connection.execute(
            f"SELECT count(*), coalesce(sum(size_bytes), 0), {_sums('on_primary')}, {_sums('on_secondary')}"
            f" FROM (SELECT size_bytes, since, {on['primary']}, {on['secondary']} FROM entry WHERE kind = 2{_ONCE})",
            values,
        ).fetchone()
        half = (len(row) - 2) // 2
        retired = self._connection.execute(
            f"SELECT count(*), coalesce(sum(size_bytes), 0), {_sums('on_retired')}"
            f" FROM (SELECT size_bytes, since, nullif({_when('read_s')}, 0) AS on_retired FROM {_HELD}{_ONCE})",
            values,
        ).fetchone()
        return {
            "primary": _coverage(row[0], row[1], row[2 : 2 + half]),
            "secondary": _coverage(row[0], row[1], row[2 + half :]),
            "retired": _coverage(retired[0], retired[1], retired[2:]),
        }
