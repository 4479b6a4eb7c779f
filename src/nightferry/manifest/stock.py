"""What is entered in a manifest when stock is taken of a drive: its rows are made to say what stands there."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

from nightferry.manifest.asof import AsOf
from nightferry.manifest.fixity import Fixity
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.nights import add_unknown
from nightferry.manifest.records import ROOT_ID, Content, Entry, integer_out
from nightferry.tree.metadata import Kind, Stat

_CHUNK = 500  # rows looked at between two transactions
ENTERED = "This run is known only by the folder it left on the secondary: what it changed, and when, is lost."


class Folder:
    """A folder below ``retired/``, as the one that it was in the copy. ``row``: None until one is needed and made."""

    def __init__(self, above: Folder | None, name: bytes, stat: Stat | None, run: int, row: int | None) -> None:
        self.above, self.name, self.stat, self.run, self.row = above, name, stat, run, row


class Stock:
    """Use within ``taking``. All that changes rows belongs into a transaction.

    What the records say of a night is never altered: ``recorded`` is the last that they speak of, 0 for none. What is
    found to be otherwise became so later: what stands there came at the earliest with ``first``, and what stands there
    no more went at the latest with ``next_run``, the run that is still to come.
    """

    def __init__(self, manifest: Manifest, is_held: Callable[[bytes], bool], recorded: int) -> None:
        self._manifest = manifest
        self._connection = manifest.database.connection
        self.is_held = is_held  # whether something below retired/ is known
        self.recorded = recorded
        self.first = recorded + 1 if recorded else 0
        self.next_run = recorded + 1

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

    def forget(self, entry: int) -> None:
        """Removes a row and all below it: nothing stands there any more."""
        below = [each.id for _, each in self._manifest.entries.below(entry, b"")]
        for row_id in reversed(below):
            self._connection.execute(
                "INSERT OR REPLACE INTO gone (parent, name, id) SELECT parent, name, id FROM entry WHERE id = ?",
                (row_id,),
            )
            self._connection.execute(
                "INSERT INTO forgotten SELECT id, name, algorithm, digest FROM entry"
                " WHERE id = ? AND kind = 2 AND digest IS NOT NULL AND since < ?",
                (row_id, self.first),
            )
            self._manifest.past.keep(row_id, self.next_run, "removed", None)
            self._manifest.entries.delete(row_id)

    def appear(self, entry: int) -> None:
        """This file stands under a name that the records do not have."""
        self._connection.execute(
            "INSERT INTO appeared SELECT id, name, algorithm, digest FROM entry WHERE id = ?", (entry,)
        )

    def pair_moved(self) -> None:
        """What is gone and has come with the same content has moved: it stays the same row, and keeps its history.

        Of several with one content, that with the same name. Once the whole copy was looked at, before ``hold``.
        """
        last: int | None = 0
        while last is not None:
            with self._manifest.database.transaction():
                last = self._pair_moved_after(last)

    def _pair_moved_after(self, last: int) -> int | None:
        """Some of them, from one on; the last of these, None at the end."""
        one = self._connection.execute
        found = one(
            "SELECT rowid, entry, name, algorithm, digest FROM forgotten WHERE rowid > ? ORDER BY rowid LIMIT ?",
            (last, _CHUNK),
        ).fetchall()
        for row, entry, name, *content in found:
            new = one(
                "SELECT id FROM appeared WHERE algorithm = ? AND digest = ? ORDER BY name <> ? LIMIT 1",
                (*content, name),
            ).fetchone()
            if new is None:
                continue
            one(
                "UPDATE past SET reason = 'moved', until = ? WHERE entry = ? AND until = ? AND reason = 'removed'",
                (self.first, entry, self.next_run),
            )
            one(
                "UPDATE entry SET id = ?1, born = (SELECT min(born) FROM past WHERE entry = ?1) WHERE id = ?2",
                (entry, *new),
            )
            one("DELETE FROM appeared WHERE id = ?", new)
            one("DELETE FROM forgotten WHERE rowid = ?", (row,))
            one("DELETE FROM gone WHERE id = ?", (entry,))
        return found[-1][0] if found else None

    # --- retired versions

    def top(self, run: int) -> Folder:
        """What one run displaced."""
        return Folder(None, b"", None, run, ROOT_ID)

    def folder(self, above: Folder, name: bytes, stat: Stat) -> Folder:
        """A folder within another."""
        return Folder(above, name, stat, above.run, self._known(above, name, is_folder=True)[0])

    def as_it_was(self, folder: Folder, name: bytes) -> Content:
        """What is known of the content that a retired file had: says by which algorithm to compare it."""
        return self._known(folder, name, is_folder=False)[1]

    def hold(
        self, folder: Folder, name: bytes, stat: Stat, content: Content, xattrs: int | None, held: bytes,
        read_s: int | None,
    ) -> None:  # fmt: skip
        """Enters a version that stands below ``retired/``. Oldest first."""
        if folder.run <= self.recorded:
            self._hold_recorded(folder, name, stat, content, xattrs, held, read_s)
            return
        entry = self._known(folder, name, is_folder=False)[0] or self._moved_from(content, name)
        if entry is None:
            entry = self._new_row(self._row_of(folder), name, stat, is_recorded=False)
        self._end_record(entry, content, folder.run)
        if not self._hold_known(entry, content, folder.run, held, read_s):
            self._enter(
                entry, self._row_of(folder), name, folder.run, stat, content, xattrs, "removed", held, read_s
            )  # fmt: skip
        if self._manifest.entries.by_id(entry) is not None:
            self._connection.execute(
                "UPDATE past SET reason = 'changed' WHERE entry = ? AND held = ? AND reason = 'removed'", (entry, held)
            )
            self._connection.execute("UPDATE entry SET since = ? WHERE id = ?", (folder.run, entry))

    def _hold_recorded(
        self, folder: Folder, name: bytes, stat: Stat, content: Content, xattrs: int | None, held: bytes,
        read_s: int | None,
    ) -> None:  # fmt: skip
        """What a run displaced that the records speak of: they say what it was, or that it stood in no night's state.

        Also one that has expired: a drive that loses writes brings names back. It is let go again in its turn.
        """
        if folder.row is not None:
            known = self._connection.execute(
                "UPDATE past SET held = ?, read_s = ?, expired = NULL WHERE id = (SELECT id FROM past WHERE parent = ?"
                " AND name = ? AND until = ? AND held IS NULL AND entry <> 0 AND reason IN ('removed', 'changed')"
                " AND digest IS ? AND target IS ? LIMIT 1)",
                (held, read_s, folder.row, name, folder.run, content.digest, content.target),
            )
            if known.rowcount > 0:
                return
        self._enter(
            0, self._row_of(folder), name, folder.run, stat, content, xattrs, "unlisted", held, read_s
        )  # fmt: skip

    def _end_record(self, entry: int, content: Content, run: int) -> None:
        """The version that the records have last ended: by that run where it is the one that stands there, else at an
        unknown time before it."""
        end = run if self._is_recorded_last(entry, content) else self.first
        present = self._manifest.entries.by_id(entry)
        if present is not None and present.since < self.first:
            self._manifest.past.keep(entry, end, "changed", None)
        else:
            self._connection.execute(
                "UPDATE past SET until = ? WHERE entry = ? AND since < ? AND until = ?",
                (end, entry, self.first, self.next_run),
            )

    def _is_recorded_last(self, entry: int, content: Content) -> bool:
        node = AsOf(self._manifest, self.recorded).by_id(entry) if self.recorded else None
        return node is not None and node.content == content

    def _hold_known(self, entry: int, content: Content, run: int, held: bytes, read_s: int | None) -> bool:
        """Enters where the version stands that the records have last; False where it is another, or was found."""
        known = self._connection.execute(
            "UPDATE past SET held = ?, read_s = ? WHERE id = (SELECT id FROM past WHERE entry = ? AND since < ?"
            " AND until BETWEEN ? AND ? AND held IS NULL AND algorithm IS ? AND digest IS ? AND target IS ? LIMIT 1)",
            (held, read_s, entry, self.first, self.first, run, *content),
        )
        return known.rowcount > 0

    def _known(self, folder: Folder, name: bytes, *, is_folder: bool) -> tuple[int | None, Content]:
        """The row that a retired name was, by the records, by the copy, or by what was made of others; and its content.

        Nights before a run have it under the name that it was displaced from, where the run did not move it first.
        """
        if folder.row is None:
            return None, Content()
        nights = (folder.run - 1, folder.run) if folder.run <= self.recorded else (self.recorded,)
        for night in nights if self.recorded else ():
            node = AsOf(self._manifest, night).child(folder.row, name)
            if node is not None and (node.stat.kind is Kind.FOLDER) == is_folder:
                return node.entry, node.content
        if folder.run <= self.recorded:
            return None, Content()
        present = self._manifest.entries.child(folder.row, name)
        if present is not None and (present.stat.kind is Kind.FOLDER) == is_folder:
            return present.id, Content()
        found = self._connection.execute(
            "SELECT id FROM gone WHERE parent = ? AND name = ?", (folder.row, name)
        ).fetchone()
        return (None if found is None else int(found[0])), Content()

    def _moved_from(self, content: Content, name: bytes) -> int | None:
        """The row of a file that a run moved before it displaced it: one that is gone and had this content."""
        row = self._connection.execute(
            "SELECT rowid, entry FROM forgotten WHERE algorithm = ? AND digest = ? ORDER BY name <> ? LIMIT 1",
            (content.algorithm, content.digest, name),
        ).fetchone()
        if row is None:
            return None
        self._connection.execute("DELETE FROM forgotten WHERE rowid = ?", row[:1])
        return int(row[1])

    def _row_of(self, folder: Folder) -> int:
        """The row of a folder, made where there is none: it stood as long as something was displaced from it."""
        if folder.above is None:
            return ROOT_ID
        above = self._row_of(folder.above)
        if folder.row is None:
            folder.row = self._known(folder.above, folder.name, is_folder=True)[0]
        if folder.row is None:
            assert folder.stat is not None
            is_recorded = folder.run <= self.recorded
            folder.row = self._new_row(above, folder.name, folder.stat, is_recorded=is_recorded)
            self._enter(
                folder.row, above, folder.name, folder.run, folder.stat, Content(), None, "removed", None, None
            )  # fmt: skip
        elif folder.run > self.recorded:
            self._connection.execute(
                "UPDATE past SET until = ?1 WHERE entry = ?2 AND kind = 1 AND reason = 'removed' AND since >= ?3"
                " AND until < ?1",
                (folder.run, folder.row, self.first),
            )
        return folder.row

    def _new_row(self, parent: int, name: bytes, stat: Stat, *, is_recorded: bool) -> int:
        # Ids are never used twice: the row is made for its id alone.
        row_id = self._manifest.entries.insert(-1, name, stat, Content(), None, 0)
        self._manifest.entries.delete(row_id)
        if not is_recorded:
            self._connection.execute(
                "INSERT OR REPLACE INTO gone (parent, name, id) VALUES (?, ?, ?)", (parent, name, row_id)
            )
        return row_id

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
        self, entry: int, parent: int, name: bytes, run: int, stat: Stat, content: Content, xattrs: int | None,
        reason: str, held: bytes | None, read_s: int | None,
    ) -> None:  # fmt: skip
        """A version that a run ended. Where the records speak of that run it stood in no state."""
        since = run
        if run > self.recorded:
            last = self._connection.execute(
                "SELECT max(until) FROM past WHERE entry = ? AND until <= ?", (entry, run)
            ).fetchone()[0]
            since = min(run, max(self.first, last or 0))
        self._connection.execute(
            "INSERT INTO past (entry, parent, name, kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid,"
            " nlink, algorithm, digest, target, xattrs, born, since, until, reason, held, read_s)"
            " VALUES (?,?,?,?,?,?,0,0,?,?,?,1,?,?,?,?,?,?,?,?,?,?)",
            (
                entry, parent, name, int(stat.kind), stat.size_bytes, integer_out(stat.mtime_ns),
                stat.mode, stat.uid, stat.gid, *content, xattrs, since, since, run, reason, held, read_s,
            ),
        )  # fmt: skip

    # --- runs and the rest

    def enter_runs(self, found: dict[int, str], last: int, now_s: float) -> None:
        """Runs that only their folders tell of, by number up to ``last``; the numbering goes on after them.

        Nobody knows whether they came to their end: so nothing that is retired gets older by them. Nor what they left.
        """
        stamps = {number: (stamp, _when_s(stamp)) for number, stamp in found.items()}
        if last > self.recorded:
            stamps.setdefault(last, (f"{last:06d}", now_s))  # it ran before now; more is not known
        for number, (stamp, when_s) in stamps.items():
            self._connection.execute(
                "INSERT OR IGNORE INTO run (number, stamp, started_s, ended_s, outcome, summary)"
                " VALUES (?, ?, ?, ?, 'interrupted', ?)",
                (number, stamp, when_s, when_s, json.dumps({"state": "attention", "notes": [ENTERED]})),
            )
        if last > self.recorded:
            add_unknown(self._manifest, self.recorded + 1, last)
        self.next_run = max(self.recorded, last) + 1

    def distrust(self, sealed_s: float | None) -> None:
        """What may not hold any more: remembered listings, readings said to be newer than the seal, an open journal."""
        self._connection.execute("UPDATE entry SET listing = NULL WHERE listing IS NOT NULL")
        self._connection.execute("DELETE FROM intent")
        if sealed_s is None:
            return
        for table, column in (("entry", "read_primary_s"), ("entry", "read_secondary_s"), ("past", "read_s")):
            self._connection.execute(f"UPDATE {table} SET {column} = NULL WHERE {column} > ?", (sealed_s,))


def _when_s(stamp: str) -> float:
    return datetime.strptime(stamp.partition("-")[2], "%Y-%m-%dT%H%M%SZ").replace(tzinfo=UTC).timestamp()


@contextmanager
def taking(manifest: Manifest) -> Iterator[Stock]:
    """Within the block: a ``Stock``. Its own tables are temporary, in memory until they outgrow SQLite's cache."""
    connection = manifest.database.connection
    last = manifest.runs.last()
    connection.execute("CREATE TEMP TABLE seen (id INTEGER PRIMARY KEY)")
    connection.execute("CREATE TEMP TABLE gone (parent, name, id, PRIMARY KEY (parent, name)) WITHOUT ROWID")
    connection.execute("CREATE TEMP TABLE forgotten (entry, name, algorithm, digest)")
    connection.execute("CREATE TEMP TABLE appeared (id INTEGER PRIMARY KEY, name, algorithm, digest)")
    for table in ("forgotten", "appeared"):
        connection.execute(f"CREATE INDEX temp.{table}_digest ON {table} (digest)")
    connection.execute("CREATE INDEX temp.gone_id ON gone (id)")
    try:
        with Fixity(manifest.database).held_names() as is_held:
            yield Stock(manifest, is_held, 0 if last is None else last.number)
    finally:
        for table in ("seen", "gone", "forgotten", "appeared"):
            connection.execute(f"DROP TABLE IF EXISTS temp.{table}")
