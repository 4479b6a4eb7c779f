"""Intents: what is about to be named on the secondary, so that a crash can be finished.

The journal is durable before the first name changes and is emptied in the same transaction that
enters the result. What stands here after a crash says all that is needed to carry on.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from itertools import groupby
from typing import NamedTuple

from nightferry.manifest.database import Database
from nightferry.manifest.entries import Entries
from nightferry.manifest.past import PastVersions
from nightferry.manifest.records import Content, Intent, integer_out
from nightferry.manifest.runs import Runs
from nightferry.tree.metadata import Kind, Stat
from nightferry.tree.root import split

_COLUMNS = (
    "action, path, entry, source, staged, held, reason, kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid,"
    " nlink, algorithm, digest, target, xattrs, read_primary_s, read_secondary_s, seq"
)

_ROWS_ONLY = {"note", "forget", "move_row"}
# What changes nothing in copy/, and so neither its folders nor the checksum lists.
_IN_RETIRED = {"expire", "displaced", "bring_back"}


class Counters(NamedTuple):
    """How far a secondary has come (night/counters.py)."""

    begun: int  # batches that may have changed it
    done: int  # changes of it that are durable


def changes_drive(intents: Iterable[Intent]) -> bool:
    """Whether any of them changes more than rows."""
    return any(intent.action not in _ROWS_ONLY for intent in intents)


class Journal:
    def __init__(self, database: Database, entries: Entries, past: PastVersions) -> None:
        self._database = database
        self._connection = database.connection
        self._entries = entries
        self._past = past
        self._has_bad_copies = False

    def write(self, intents: Sequence[Intent], run: int) -> None:
        """Makes them durable, in their order, with the count of batches begun."""
        with self._database.transaction() as connection:
            if changes_drive(intents):
                self._set_counters(self.counters()._replace(begun=self.counters().begun + 1))
            connection.executemany(
                f"INSERT INTO intent (run, {_COLUMNS}) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
                ((run, *_row(intent, seq)) for seq, intent in enumerate(intents, start=1)),
            )

    # --- how far the secondary has come

    def counters(self) -> Counters:
        found = [self._database.meta(key) or "0" for key in ("begun", "done")]
        return Counters(*(int(number) if number.isdecimal() else 0 for number in found))

    def count_done(self) -> None:
        """One change of the secondary more is durable. Within the transaction that enters it."""
        self._set_counters(self.counters()._replace(done=self.counters().done + 1))

    def raise_counters(self, other: Counters) -> None:
        """Both to the larger ones: what stands on the secondary was looked at. Within a transaction."""
        here = self.counters()
        self._set_counters(Counters(max(here.begun, other.begun), max(here.done, other.done)))

    def is_open(self) -> bool:
        """Whether a run was cut off within a batch."""
        return self._connection.execute("SELECT 1 FROM intent LIMIT 1").fetchone() is not None

    def _set_counters(self, counters: Counters) -> None:
        self._database.set_meta("begun", str(counters.begun))
        self._database.set_meta("done", str(counters.done))

    def read(self) -> list[tuple[int, Intent]]:
        """(run, intent) in order; empty unless a run was cut off."""
        rows = self._connection.execute(f"SELECT run, {_COLUMNS} FROM intent ORDER BY seq").fetchall()
        return [(row[0], _intent(row[1:])) for row in rows]

    def settle(self, done: Sequence[Intent], run: int) -> None:
        """Enters what was carried out and empties the journal, in one transaction."""
        folder_path, folder_id = b"", -1
        with self._database.transaction() as connection:
            self._has_bad_copies = Runs(self._database).has_bad_copies()
            for folder, intents in groupby(done, lambda intent: split(intent.path)[0]):
                group = list(intents)
                if all(map(_is_new_file, group)):
                    # Intents come folder by folder: many new files of one folder are entered at once.
                    parent = self._entries.find(folder)
                    assert parent is not None, "an intent for a folder that the manifest does not know"
                    if self._insert_all(group, parent.id, len(folder) + bool(folder), run):
                        continue
                for intent in group:
                    # Each folder is looked up once, until folders have come, gone or moved.
                    if intent.action not in _IN_RETIRED and (folder_id < 0 or folder != folder_path):
                        parent = self._entries.find(folder)
                        assert parent is not None, "an intent for a folder that the manifest does not know"
                        folder_path, folder_id = folder, parent.id
                    self._apply(intent, folder_id, split(intent.path)[1], run)
                    if intent.action not in {"place", "note", *_IN_RETIRED}:
                        folder_id = -1
            if any(intent.action in ("move", "move_row") for intent in done):
                Runs(self._database).follow_moves()
            connection.execute("DELETE FROM intent")
            if changes_drive(done):
                self.count_done()
            if any(intent.action not in _IN_RETIRED for intent in done):
                # In the same transaction, so that no stop or crash before the next seal forgets it.
                self._database.set_meta("lists", "stale")

    def _insert_all(self, intents: Sequence[Intent], parent: int, above_bytes: int, run: int) -> bool:
        """New files of one folder at once; False, and nothing is entered, where one of the names has a row already.

        ``above_bytes``: how much of their paths is that of the folder.
        """
        self._connection.execute("SAVEPOINT new_files")
        try:
            self._entries.insert_all(
                (parent, each.path[above_bytes:], each.stat, each.content, each.xattrs, run, each.read_primary_s,
                 each.read_secondary_s) for each in intents if each.stat is not None
            )  # fmt: skip
        except sqlite3.IntegrityError:
            self._connection.execute("ROLLBACK TO new_files")
            self._connection.execute("RELEASE new_files")
            return False
        self._connection.execute("RELEASE new_files")
        self._entries.names_changed(parent)
        return True

    def _apply(self, intent: Intent, parent: int, name: bytes, run: int) -> None:
        if intent.action == "expire":
            self._past.expire(intent.path, run)
            return
        if intent.action == "displaced":
            self._past.keep_displaced(intent, run)
            return
        if intent.action == "bring_back":
            assert intent.held is not None
            self._past.bring_back(intent.path, intent.held, intent.content, run, keeps_bad=intent.reason == "decayed")
            return
        if intent.action == "unlisted":
            assert intent.held is not None
            self._past.keep_unlisted(parent, name, run, intent.held)
        elif intent.action in ("place", "folder", "note"):
            self._apply_new(intent, parent, name, run)
        elif intent.action in ("move", "move_row"):
            assert intent.entry is not None and intent.source is not None and intent.stat is not None
            old_folder = self._entries.find(split(intent.source)[0])
            if old_folder is not None:
                self._entries.names_changed(old_folder.id)
            self._past.keep(intent.entry, run, "moved", None)
            self._entries.move(intent.entry, parent, name)
            self._connection.execute("UPDATE entry SET since = ? WHERE id = ?", (run, intent.entry))
            if intent.stat.kind is Kind.FOLDER:
                self._entries.set_dirty(intent.entry, dirty=True)
        elif intent.action in ("retire", "remove_folder", "forget"):
            assert intent.entry is not None
            self._keep(intent.entry, run, intent.reason or "removed", intent.held)
            self._entries.delete(intent.entry)
        self._entries.names_changed(parent)

    def _keep(self, entry: int, run: int, reason: str, held: bytes | None) -> None:
        """Where the copy that goes to ``retired/`` is known to be bad, so is that version; not where it was mended."""
        self._past.keep(entry, run, reason, held)
        if held is not None and reason != "decayed" and self._has_bad_copies:
            Runs(self._database).follow_retired(entry, held)

    def _apply_new(self, intent: Intent, parent: int, name: bytes, run: int) -> None:
        assert intent.stat is not None
        present = self._entries.child(parent, name)
        if present is not None and (present.stat.kind is Kind.FOLDER) != (intent.stat.kind is Kind.FOLDER):
            # A file where a folder was, or the other way round: another thing under the same name.
            self._keep(present.id, run, "removed", intent.held)
            self._entries.delete(present.id)
            present = None
        if present is None:
            self._entries.insert(
                parent, name, intent.stat, intent.content, intent.xattrs, run,
                intent.read_primary_s, intent.read_secondary_s,
            )  # fmt: skip
            return
        if intent.action in ("place", "note"):
            self._keep(present.id, run, intent.reason or "changed", intent.held)
        elif present.since != run:
            self._past.keep(present.id, run, "metadata", None)  # a folder that stood already: its history has no gap
        self._entries.replace(
            present.id, intent.stat, intent.content, intent.xattrs, run,
            intent.read_primary_s, intent.read_secondary_s,
        )  # fmt: skip


def _is_new_file(intent: Intent) -> bool:
    return intent.entry is None and intent.action in ("place", "note") and intent.stat is not None


def _row(intent: Intent, seq: int) -> tuple[object, ...]:
    stat = intent.stat
    columns: tuple[object, ...] = (None,) * 9
    if stat is not None:
        columns = (
            int(stat.kind), stat.size_bytes, integer_out(stat.mtime_ns), integer_out(stat.ctime_ns), stat.inode,
            stat.mode, stat.uid, stat.gid, stat.nlink,
        )  # fmt: skip
    return (
        intent.action, intent.path, intent.entry, intent.source, intent.staged, intent.held, intent.reason,
        *columns, *intent.content, intent.xattrs, intent.read_primary_s, intent.read_secondary_s, seq,
    )  # fmt: skip


def _intent(row: tuple) -> Intent:  # type: ignore[type-arg]
    stat = None
    if row[7] is not None:
        stat = Stat(Kind(row[7]), row[8], int(row[9]), int(row[10]), row[11], row[12], row[13], row[14], row[15], 0)
    return Intent(
        row[0], row[1], row[2], row[3], row[4], row[5], row[6], stat,
        Content(row[16], row[17], row[18]), row[19], row[20], row[21], row[22],
    )  # fmt: skip
