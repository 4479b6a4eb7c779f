"""Versions that are no longer the present one, and where their content stands."""

from __future__ import annotations

from collections.abc import Iterator

from nightferry.manifest.database import Database
from nightferry.manifest.records import ROOT_ID, Content, Intent, Past, Version, integer_out
from nightferry.tree.metadata import Kind, Stat

_COLUMNS = "id, entry, parent, name, kind, size_bytes, since, until, reason, held, expired"


def past_of(row: tuple) -> Past:  # type: ignore[type-arg]
    return Past(row[0], row[1], row[2], row[3], Kind(row[4]), *row[5:])


class PastVersions:
    def __init__(self, database: Database) -> None:
        self._connection = database.connection

    def keep(self, entry: int, run: int, reason: str, held: bytes | None) -> None:
        """Writes the present version of a row to the past. Within a transaction, before the row changes.

        A version that the same run made and replaced again (a file written twice) leaves no gap
        in the history, but its bytes may stand in ``held``.
        """
        self._connection.execute(
            "INSERT INTO past (entry, parent, name, kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid,"
            " nlink, algorithm, digest, target, xattrs, born, since, until, reason, held, read_s)"
            " SELECT id, parent, name, kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid,"
            " nlink, algorithm, digest, target, xattrs, born, since, ?, ?, ?, read_secondary_s FROM entry WHERE id = ?",
            (run, reason, held, entry),
        )

    def before(self, entry: int, run: int) -> tuple[Stat, Content] | None:
        """A row as it was before this run first changed it; None where this run did not."""
        row = self._connection.execute(
            "SELECT kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid, nlink, algorithm, digest, target"
            " FROM past WHERE entry = ? AND until = ? ORDER BY id LIMIT 1",
            (entry, run),
        ).fetchone()
        if row is None:
            return None
        stat = Stat(Kind(row[0]), row[1], int(row[2]), int(row[3]), row[4], row[5], row[6], row[7], row[8], 0)
        return stat, Content(row[9], row[10], row[11])

    def of_run(self, run: int) -> Iterator[Past]:
        """What this run displaced, moved or altered."""
        for row in self._connection.execute(f"SELECT {_COLUMNS} FROM past WHERE until = ? ORDER BY id", (run,)):
            yield past_of(row)

    def of_reason(self, run: int, reason: str) -> Iterator[Past]:
        """What this run displaced, moved or altered for one reason."""
        for row in self._connection.execute(
            f"SELECT {_COLUMNS} FROM past WHERE until = ? AND reason = ? ORDER BY id", (run, reason)
        ):
            yield past_of(row)

    def place_after(self, entry: int, run: int) -> tuple[int, bytes] | None:
        """(parent, name) of a row as ``run`` left it; None where that run or a later one removed it for good."""
        row = self._connection.execute(
            "SELECT parent, name FROM past WHERE entry = ? AND until > ? ORDER BY until, id LIMIT 1", (entry, run)
        ).fetchone()
        if row is None:
            row = self._connection.execute("SELECT parent, name FROM entry WHERE id = ?", (entry,)).fetchone()
        return None if row is None else (row[0], row[1])

    def size_after(self, entry: int, run: int) -> int | None:
        """The size in bytes of a row as ``run`` left it; None where that run or a later one removed it for good."""
        row = self._connection.execute(
            "SELECT size_bytes FROM past WHERE entry = ? AND until > ? ORDER BY until, id LIMIT 1", (entry, run)
        ).fetchone()
        if row is None:
            row = self._connection.execute("SELECT size_bytes FROM entry WHERE id = ?", (entry,)).fetchone()
        return None if row is None else int(row[0])

    def born_in(self, run: int) -> Iterator[tuple[int, bytes, Kind, int]]:
        """(parent, name, kind, bytes) of the names that first stood after this run, as it left them, in its order.

        What stands now is in ``entry``, what has changed since in ``past``: there the row that the run itself
        wrote has ``since`` equal to ``born``. Row 1 is the root.
        """
        for row in self._connection.execute(
            "SELECT id, parent, name, kind, size_bytes FROM entry WHERE born = ?1 AND since = born AND id <> 1"
            " UNION ALL"
            " SELECT entry, parent, name, kind, size_bytes FROM past"
            " WHERE born = ?1 AND since = born AND until > born AND entry <> 1"
            " ORDER BY 1",
            (run,),
        ):
            yield row[1], row[2], Kind(row[3]), row[4]

    def held_until(self, run: int) -> Iterator[Past]:
        """Versions whose content is kept and which were displaced in ``run`` or before, oldest first."""
        for row in self._connection.execute(
            f"SELECT {_COLUMNS} FROM past WHERE held IS NOT NULL AND until <= ? ORDER BY until, id", (run,)
        ):
            yield past_of(row)

    def all_held(self) -> Iterator[bytes]:
        for row in self._connection.execute("SELECT held FROM past WHERE held IS NOT NULL"):
            yield row[0]

    def expire(self, held: bytes, run: int) -> None:
        self._connection.execute("UPDATE past SET held = NULL, expired = ? WHERE held = ?", (run, held))

    def path_as_of(self, parent: int, name: bytes, run: int) -> bytes:
        """The path of a name while ``run`` stood as the newest, through folders that have moved since."""
        names = [name]
        for _ in range(1_000_000):
            if parent in (0, ROOT_ID):
                break
            row = self._connection.execute(
                "SELECT parent, name FROM past WHERE entry = ? AND until > ? ORDER BY until LIMIT 1", (parent, run)
            ).fetchone()
            if row is None:
                row = self._connection.execute("SELECT parent, name FROM entry WHERE id = ?", (parent,)).fetchone()
            if row is None:
                names.append(b"?")
                break
            parent = row[0]
            names.append(row[1])
        return b"/".join(reversed(names))

    def keep_unlisted(self, parent: int, name: bytes, run: int, held: bytes) -> None:
        """Something that no run put on the secondary, and that was moved out of the way."""
        self._connection.execute(
            "INSERT INTO past (entry, parent, name, kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid,"
            " nlink, born, since, until, reason, held)"
            " VALUES (0, ?, ?, 2, 0, 0, 0, 0, 0, 0, 0, 1, ?, ?, ?, 'unlisted', ?)",
            (parent, name, run, run, run, held),
        )

    def keep_displaced(self, intent: Intent, run: int) -> None:
        """What stood on the primary under the name of a row, until a person's command displaced it after ``run``.

        It stood in no state of the copy, so it begins and ends with the same run. Within a transaction.
        """
        stat, content = intent.stat, intent.content
        assert stat is not None
        self._connection.execute(
            "INSERT INTO past (entry, parent, name, kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid, nlink,"
            " algorithm, digest, xattrs, born, since, until, reason, held)"
            " SELECT id, parent, name, 2, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, born, ?, ?, 'displaced', ?"
            " FROM entry WHERE id = ?",
            (
                stat.size_bytes, integer_out(stat.mtime_ns), integer_out(stat.ctime_ns), stat.inode, stat.mode,
                stat.uid, stat.gid, stat.nlink, content.algorithm, content.digest, intent.xattrs, run, run,
                intent.held, intent.entry,
            ),
        )  # fmt: skip

    def displaced(self, entry: int, inode: int, content: Content) -> list[bytes]:
        """Where this very content is kept, having been displaced under the name of a row, or another of that file."""
        return [
            row[0]
            for row in self._connection.execute(
                "SELECT held FROM past WHERE (entry = ? OR inode = ?) AND reason = 'displaced' AND held IS NOT NULL"
                " AND algorithm = ? AND digest = ?",
                (entry, inode, content.algorithm, content.digest),
            )
        ]

    def bring_back(self, bad: bytes, held: bytes, content: Content, run: int, *, keeps_bad: bool) -> None:
        """Retired versions of a content whose file at ``bad`` is wrong stand at ``held`` from now on.

        ``keeps_bad``: the wrong bytes stay where they are, as a row of their own. Within a transaction.
        """
        of_content = "held = ? AND algorithm = ? AND digest = ? AND reason <> 'decayed'"
        values = (bad, content.algorithm, content.digest)
        if keeps_bad:
            self._connection.execute(
                "INSERT INTO past (entry, parent, name, kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid,"
                " nlink, algorithm, digest, target, xattrs, born, since, until, reason, held)"
                " SELECT entry, parent, name, kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid, nlink,"
                f" algorithm, digest, target, xattrs, born, ?, ?, 'decayed', held FROM past WHERE {of_content} LIMIT 1",
                (run, run, *values),
            )
        self._connection.execute(f"UPDATE past SET held = ?, read_s = NULL WHERE {of_content}", (held, *values))

    def kept_versions(self, entry: int) -> list[Version]:
        """One row's versions whose content is kept and not bad, newest first; last, what a person displaced."""
        return [
            Version(*row)
            for row in self._connection.execute(
                "SELECT held, algorithm, digest, size_bytes, since, until, reason FROM past WHERE entry = ?"
                " AND held IS NOT NULL AND kind = 2 AND digest IS NOT NULL AND reason <> 'decayed'"
                " ORDER BY reason = 'displaced', until DESC, id DESC",
                (entry,),
            )
        ]

    def held_file(self, held: bytes) -> tuple[Stat, Content, int | None] | None:
        """State, content and attributes of a file that should stand below ``retired/``, and whose content is known."""
        row = self._connection.execute(
            "SELECT size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid, nlink, algorithm, digest, xattrs FROM past"
            " WHERE held = ? AND kind = 2 AND digest IS NOT NULL AND reason <> 'decayed' ORDER BY id DESC LIMIT 1",
            (held,),
        ).fetchone()
        if row is None:
            return None
        stat = Stat(Kind.FILE, row[0], int(row[1]), int(row[2]), row[3], row[4], row[5], row[6], row[7], 0)
        return stat, Content(row[8], row[9]), row[10]

    def let_go(self, held: bytes) -> None:
        """A retired version that is bad and that a person gave up: never offered nor read again. In a transaction."""
        self._connection.execute("UPDATE past SET reason = 'decayed' WHERE held = ?", (held,))

    def let_go_in(self, entry: int, digest: bytes | None) -> int | None:
        """The last run that let a content of a row go; None where none did."""
        row = self._connection.execute(
            "SELECT max(expired) FROM past WHERE entry = ? AND digest IS ?", (entry, digest)
        ).fetchone()
        return None if row[0] is None else int(row[0])
