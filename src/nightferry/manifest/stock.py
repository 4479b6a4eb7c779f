"""What is entered in a manifest when stock is taken of a drive: its rows are made to say what stands there."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

from nightferry.manifest.fixity import Fixity
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import Content, Entry, integer_out
from nightferry.tree.metadata import Kind, Stat

_CHUNK = 500  # rows looked at between two transactions
ENTERED = "This run is known only by the folder it left on the secondary: what it changed, and when, is lost."


class Stock:
    """Use within ``taking``. All that changes rows belongs into a transaction."""

    def __init__(self, manifest: Manifest, is_held: Callable[[bytes], bool]) -> None:
        self._manifest = manifest
        self._connection = manifest.database.connection
        self.is_held = is_held  # whether something below retired/ is known

    # --- the copy

    def see(self, entry: int) -> None:
        """This row's name stands there."""
        self._connection.execute("INSERT OR IGNORE INTO seen (id) VALUES (?)", (entry,))

    def unseen(self, folder: int) -> list[Entry]:
        """Rows of a folder whose names were not seen."""
        return [
            child
            for child in self._manifest.entries.children(folder)
            if self._connection.execute("SELECT 1 FROM seen WHERE id = ?", (child.id,)).fetchone() is None
        ]

    def forget(self, entry: int, run: int) -> None:
        """Removes a row and all below it: nothing stands there any more, as of ``run``."""
        below = [each.id for _, each in self._manifest.entries.below(entry, b"")]
        for row_id in reversed(below):
            self._connection.execute(
                "INSERT OR REPLACE INTO gone (parent, name, id) SELECT parent, name, id FROM entry WHERE id = ?",
                (row_id,),
            )
            self._manifest.past.keep(row_id, run, "removed", None)
            self._manifest.entries.delete(row_id)

    # --- retired versions

    def row_of(self, parent: int, name: bytes, stat: Stat, until: int) -> int:
        """The row that a retired file or folder was, of those that stand or that are gone; a new one else."""
        present = self._manifest.entries.child(parent, name)
        if present is not None and (present.stat.kind is Kind.FOLDER) == (stat.kind is Kind.FOLDER):
            return present.id
        found = self._connection.execute("SELECT id FROM gone WHERE parent = ? AND name = ?", (parent, name)).fetchone()
        if found is not None:
            return int(found[0])
        # Ids are never used twice: the row is made for its id alone.
        row_id = self._manifest.entries.insert(-1, name, stat, Content(), None, 0)
        self._manifest.entries.delete(row_id)
        self._connection.execute("INSERT INTO gone (parent, name, id) VALUES (?, ?, ?)", (parent, name, row_id))
        if stat.kind is Kind.FOLDER:
            self._enter(row_id, parent, name, stat, Content(), None, until, "removed", None, None)
        return row_id

    def hold(
        self, entry: int, parent: int, name: bytes, stat: Stat, content: Content, xattrs: int | None, until: int,
        held: bytes, read_s: int | None,
    ) -> None:  # fmt: skip
        """Enters a version that stands below ``retired/``, displaced by the run ``until``. Newest first."""
        # Also one that has expired: a drive that loses writes brings names back. It is let go again in its turn.
        known = self._connection.execute(
            "UPDATE past SET held = ?, read_s = ?, expired = NULL WHERE entry = ? AND until = ? AND held IS NULL"
            " AND reason IN ('removed', 'changed') AND digest IS ? AND target IS ?",
            (held, read_s, entry, until, content.digest, content.target),
        )
        if known.rowcount > 0:
            return
        is_there = self._manifest.entries.by_id(entry) is not None
        self._enter(
            entry, parent, name, stat, content, xattrs, until, "changed" if is_there else "removed", held, read_s
        )
        self._connection.execute(
            "UPDATE past SET since = max(since, ?) WHERE entry = ? AND until > ?", (until, entry, until)
        )
        self._connection.execute("UPDATE entry SET since = max(since, ?) WHERE id = ?", (until, entry))

    def let_go(self, is_gone: Callable[[bytes], bool], run: int) -> int:
        """Versions said to be held and that are gone hold nothing any more, as of ``run``. Returns how many."""
        gone, last = 0, 0
        while rows := self._connection.execute(
            "SELECT id, held FROM past WHERE held IS NOT NULL AND id > ? ORDER BY id LIMIT ?", (last, _CHUNK)
        ).fetchall():
            last = rows[-1][0]
            chosen = [row_id for row_id, held in rows if is_gone(held)]
            gone += len(chosen)
            with self._manifest.database.transaction():
                self._connection.executemany(
                    "UPDATE past SET held = NULL, expired = ? WHERE id = ?", ((run, row_id) for row_id in chosen)
                )
        return gone

    def _enter(
        self, entry: int, parent: int, name: bytes, stat: Stat, content: Content, xattrs: int | None, until: int,
        reason: str, held: bytes | None, read_s: int | None,
    ) -> None:  # fmt: skip
        self._connection.execute(
            "INSERT INTO past (entry, parent, name, kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid,"
            " nlink, algorithm, digest, target, xattrs, born, since, until, reason, held, read_s)"
            " VALUES (?,?,?,?,?,?,0,0,?,?,?,1,?,?,?,?,0,"
            " coalesce((SELECT max(until) FROM past WHERE entry = ? AND until < ?), 0),?,?,?,?)",
            (
                entry, parent, name, int(stat.kind), stat.size_bytes, integer_out(stat.mtime_ns), stat.mode, stat.uid,
                stat.gid, *content, xattrs, entry, until, until, reason, held, read_s,
            ),
        )  # fmt: skip

    # --- runs and the rest

    def enter_runs(self, found: dict[int, str]) -> None:
        """Runs that only their folders tell of, by number; the numbering goes on after them.

        Nobody knows whether they came to their end: so nothing that is retired gets older by them.
        """
        for number, stamp in found.items():
            when_s = datetime.strptime(stamp.partition("-")[2], "%Y-%m-%dT%H%M%SZ").replace(tzinfo=UTC).timestamp()
            self._connection.execute(
                "INSERT OR IGNORE INTO run (number, stamp, started_s, ended_s, outcome, summary)"
                " VALUES (?, ?, ?, ?, 'interrupted', ?)",
                (number, stamp, when_s, when_s, json.dumps({"state": "attention", "notes": [ENTERED]})),
            )

    def distrust(self, sealed_s: float | None) -> None:
        """What may not hold any more: remembered listings, readings said to be newer than the seal, an open journal."""
        self._connection.execute("UPDATE entry SET listing = NULL WHERE listing IS NOT NULL")
        self._connection.execute("DELETE FROM intent")
        if sealed_s is None:
            return
        for table, column in (("entry", "read_primary_s"), ("entry", "read_secondary_s"), ("past", "read_s")):
            self._connection.execute(f"UPDATE {table} SET {column} = NULL WHERE {column} > ?", (sealed_s,))


@contextmanager
def taking(manifest: Manifest) -> Iterator[Stock]:
    """Within the block: a ``Stock``. Its own tables are temporary, in memory until they outgrow SQLite's cache."""
    connection = manifest.database.connection
    connection.execute("CREATE TEMP TABLE seen (id INTEGER PRIMARY KEY)")
    connection.execute("CREATE TEMP TABLE gone (parent, name, id, PRIMARY KEY (parent, name)) WITHOUT ROWID")
    try:
        with Fixity(manifest.database).held_names() as is_held:
            yield Stock(manifest, is_held)
    finally:
        connection.execute("DROP TABLE IF EXISTS temp.seen")
        connection.execute("DROP TABLE IF EXISTS temp.gone")
