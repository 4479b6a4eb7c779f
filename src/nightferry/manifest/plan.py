"""The plan of one night: what comparing found, in the order in which it is carried out."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from enum import IntEnum
from typing import NamedTuple

from nightferry.manifest.private import open_private
from nightferry.manifest.records import integer_out
from nightferry.manifest.schema import PLAN_TABLES
from nightferry.tree.metadata import KIND_OF, Kind, Stat

_CACHE_KIB = 16 * 1024
# Rows between commits of the private database: a transaction of any size would keep its journal in memory.
_COMMIT_EVERY = 50_000
# A folder with more names than this is sorted by the database instead of in memory.
SORT_IN_MEMORY_LIMIT = 20_000


class Step(IntEnum):
    FOLDER = 1  # a new folder
    FOLDER_MOVED = 2  # a folder known under another path
    FOLDER_TOUCHED = 3  # a known folder whose own metadata changed
    MOVED = 4  # a file or symlink known under another path, with the same content
    ADDED = 5  # a new name
    TOUCHED = 6  # a known file whose metadata says that it may have changed
    ALTERED = 7  # a known file of the same content and other metadata
    RETYPED = 8  # another kind of thing under a known name
    REMOVED = 9  # a name that the primary no longer has
    DONE = 10  # carried out, where a step is gone through twice
    DECAYED = 11  # a known file that has another content than it should; ``digest`` is that of the wrong one


class Item(NamedTuple):
    seq: int
    step: Step
    path: bytes
    entry: int | None
    base: int | None
    stat: Stat
    digest: bytes | None  # where comparing read it: of MOVED and DECAYED the wrong one; empty: it cannot be read
    algorithm: int | None


_COLUMNS = (
    "seq, step, path, entry, base, kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid, nlink,"
    " allocated_bytes, digest, algorithm"
)

_ADD = f"INSERT INTO item ({_COLUMNS}) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)"
# Looked up, since making a member of an enumeration from its number is a call that takes longer than the lookup.
_STEPS = {step.value: step for step in Step}


class Plan:
    def __init__(self) -> None:
        self._connection = open_private(_CACHE_KIB)
        for statement in PLAN_TABLES.split(";\n"):
            if statement.strip():
                self._connection.execute(statement)
        self._connection.execute("BEGIN")
        self._seq = 0
        self._has_claims = False

    def close(self) -> None:
        self._connection.close()

    def names(self) -> int:
        """How many names are planned for, at the most."""
        return self._seq

    # --- items

    def add(self, step: Step, path: bytes, stat: Stat, entry: int | None = None) -> None:
        self._seq += 1
        self._connection.execute(
            _ADD,
            (
                self._seq, int(step), path, entry, None, int(stat.kind), stat.size_bytes, integer_out(stat.mtime_ns),
                integer_out(stat.ctime_ns), stat.inode, stat.mode, stat.uid, stat.gid, stat.nlink,
                stat.allocated_bytes, None, None,
            ),
        )  # fmt: skip
        if self._seq % _COMMIT_EVERY == 0:
            self._connection.execute("COMMIT")
            self._connection.execute("BEGIN")

    def revise(
        self,
        item: Item,
        step: Step,
        *,
        entry: int | None,
        base: int | None = None,
        digest: bytes | None = None,
        algorithm: int | None = None,
    ) -> None:
        self._connection.execute(
            "UPDATE item SET step = ?, entry = ?, base = ?, digest = ?, algorithm = ? WHERE seq = ?",
            (int(step), entry, base, digest, algorithm, item.seq),
        )

    def items(self, *steps: Step, reverse: bool = False, based: bool | None = None) -> Iterator[Item]:
        """In the order found. Rows may be revised while this is read: it pages through them.

        ``based``: only those with a base, or only those without.
        """
        marks = ",".join("?" * len(steps))
        only = "" if based is None else f" AND base IS {'NOT ' if based else ''}NULL"
        at = (1 << 62) if reverse else 0
        compare, order = ("<", "DESC") if reverse else (">", "ASC")
        while True:
            rows = self._connection.execute(
                f"SELECT {_COLUMNS} FROM item WHERE step IN ({marks}) AND seq {compare} ?{only}"
                f" ORDER BY seq {order} LIMIT 1000",
                (*steps, at),
            ).fetchall()
            if not rows:
                return
            for row in rows:
                yield _item(row)
            at = rows[-1][0]

    def smallest_first(self, *steps: Step) -> Iterator[Item]:
        """For the night that cannot fit: the order in which most files find room."""
        marks = ",".join("?" * len(steps))
        size, seq = -1, 0
        while True:
            rows = self._connection.execute(
                f"SELECT {_COLUMNS} FROM item WHERE step IN ({marks})"
                " AND (size_bytes > ? OR size_bytes = ? AND seq > ?) ORDER BY size_bytes, seq LIMIT 1000",
                (*steps, size, size, seq),
            ).fetchall()
            if not rows:
                return
            for row in rows:
                yield _item(row)
            size, seq = rows[-1][6], rows[-1][0]

    def totals(self, block_bytes: int = 4096, *, sparse: bool = True) -> dict[Step, tuple[int, int, int]]:
        """(names, bytes, bytes they will take up) by step, folders left out.

        ``block_bytes`` is the secondary's unit of allocation; ``sparse`` whether it keeps holes.
        """
        whole = f"(size_bytes + {block_bytes - 1}) / {block_bytes} * {block_bytes}"
        taken = f"min({whole}, allocated_bytes + {block_bytes})" if sparse else whole
        rows = self._connection.execute(
            f"SELECT step, count(*), sum(size_bytes), sum({taken}) FROM item WHERE kind <> 1 GROUP BY step"
        )
        return {Step(row[0]): (row[1], row[2] or 0, row[3] or 0) for row in rows}

    def linked_inodes(self) -> Iterator[int]:
        """The inodes of files of several names that are planned for."""
        for row in self._connection.execute("SELECT DISTINCT inode FROM item WHERE kind = 2 AND nlink > 1"):
            yield row[0]

    # --- names that were not met again

    def vanish(self, entry: int) -> None:
        self._connection.execute("INSERT OR IGNORE INTO vanished (entry) VALUES (?)", (entry,))

    def claim(self, entry: int) -> None:
        """A vanished name that stands elsewhere now."""
        self._has_claims = True
        self._connection.execute("INSERT OR IGNORE INTO claimed (entry) VALUES (?)", (entry,))

    def is_vanished(self, entry: int) -> bool:
        return self._has("vanished", entry)

    def is_claimed(self, entry: int) -> bool:
        return self._has_claims and self._has("claimed", entry)

    def vanished(self) -> Iterator[int]:
        """Without those claimed. One row for a whole folder."""
        at = 0
        while True:
            rows = self._connection.execute(
                "SELECT entry FROM vanished WHERE entry > ? AND entry NOT IN (SELECT entry FROM claimed)"
                " ORDER BY entry LIMIT 1000",
                (at,),
            ).fetchall()
            if not rows:
                return
            for (entry,) in rows:
                yield entry
            at = rows[-1][0]

    def _has(self, table: str, entry: int) -> bool:
        return self._connection.execute(f"SELECT 1 FROM {table} WHERE entry = ?", (entry,)).fetchone() is not None

    # --- folders: fingerprints to remember, unless something in them was left undone

    def remember_listing(self, path: bytes, fingerprint: bytes) -> None:
        self._connection.execute("INSERT OR REPLACE INTO listing (path, fingerprint) VALUES (?,?)", (path, fingerprint))

    def mark_incomplete(self, folder: bytes) -> None:
        self._connection.execute("INSERT OR IGNORE INTO incomplete (path) VALUES (?)", (folder,))

    def complete_listings(self) -> Iterator[tuple[bytes, bytes]]:
        return iter(
            self._connection.execute(
                "SELECT path, fingerprint FROM listing WHERE path NOT IN (SELECT path FROM incomplete)"
            )
        )

    # --- sorting a folder too large for memory

    def sort(self, names: Iterable[tuple[bytes, Stat]]) -> Iterator[tuple[bytes, Stat]]:
        """The same pairs in the order of the bytes of their names."""
        self._connection.execute("DELETE FROM sorting")
        self._connection.executemany(
            "INSERT OR REPLACE INTO sorting (name, packed) VALUES (?,?)",
            ((name, "|".join(map(str, stat)).encode()) for name, stat in names),
        )
        at = b""
        while True:
            rows = self._connection.execute(
                "SELECT name, packed FROM sorting WHERE name > ? ORDER BY name LIMIT 1000", (at,)
            ).fetchall()
            if not rows:
                return
            for name, packed in rows:
                numbers = [int(part) for part in packed.split(b"|")]
                yield name, Stat(Kind(numbers[0]), *numbers[1:])
            at = rows[-1][0]


def _item(row: tuple) -> Item:  # type: ignore[type-arg]
    return Item(
        row[0],
        _STEPS[row[1]],
        row[2],
        row[3],
        row[4],
        Stat(KIND_OF[row[5]], row[6], int(row[7]), int(row[8]), *row[9:15]),
        row[15],
        row[16],
    )
