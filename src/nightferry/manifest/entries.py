"""The copy as it stands: looking names up, and changing rows."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from nightferry.manifest.database import Database
from nightferry.manifest.records import ENTRY_COLUMNS, ROOT_ID, Content, Entry, entry_of, integer_out
from nightferry.tree.metadata import Kind, Stat, Xattrs, pack_xattrs, unpack_xattrs
from nightferry.tree.root import join

_BY_ID = f"SELECT {ENTRY_COLUMNS} FROM entry WHERE id = ?"
_CHILD = f"SELECT {ENTRY_COLUMNS} FROM entry WHERE parent = ? AND name = ?"
_CHILDREN = f"SELECT {ENTRY_COLUMNS} FROM entry WHERE parent = ? AND id <> 1 ORDER BY name"
_FOLDERS = f"SELECT {ENTRY_COLUMNS} FROM entry WHERE parent = ? AND kind = 1 AND id <> 1"
_FOLDER_NAMES = "SELECT id, name FROM entry WHERE parent = ? AND kind = 1 AND id <> 1 ORDER BY name"
_DIGESTS = "SELECT name, algorithm, digest FROM entry WHERE parent = ? AND kind = 2 AND digest NOT NULL ORDER BY name"
_PIECE_ROWS = 4096
_INSERT = (
    "INSERT INTO entry (parent, name, kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid, nlink,"
    " algorithm, digest, target, xattrs, born, since, read_primary_s, read_secondary_s, dirty)"
    " VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)"
)
# Of the past, what is the file of a row by inode, size, date and content; not rows without an inode, which say nothing.
_FOLLOW_INODE = (
    "UPDATE past SET inode = :inode WHERE inode = (SELECT inode FROM entry WHERE id = :entry AND kind = 2"
    " AND inode NOT IN (0, :inode)) AND (kind, size_bytes, mtime_ns, algorithm, digest) ="
    " (SELECT kind, size_bytes, mtime_ns, algorithm, digest FROM entry WHERE id = :entry)"
)
_BY_INODE = f"SELECT {ENTRY_COLUMNS} FROM entry WHERE inode = ? ORDER BY id"

# A chain of parents longer than this is not a tree (PATH_MAX allows 2,048 names in one call; trees may be deeper).
DEPTH_LIMIT = 1_000_000


class Entries:
    def __init__(self, database: Database) -> None:
        self._database = database
        self._connection = database.connection

    # --- looking

    def by_id(self, entry: int) -> Entry | None:
        row = self._connection.execute(_BY_ID, (entry,)).fetchone()
        return None if row is None else entry_of(row)

    def child(self, parent: int, name: bytes) -> Entry | None:
        row = self._connection.execute(_CHILD, (parent, name)).fetchone()
        return None if row is None else entry_of(row)

    def find(self, path: bytes) -> Entry | None:
        """The row of a path, or None."""
        entry = self.by_id(ROOT_ID)
        if not path:
            return entry
        for name in path.split(b"/"):
            if entry is None:
                return None
            entry = self.child(entry.id, name)
        return entry

    def children(self, parent: int) -> Iterator[Entry]:
        """In the order of the bytes of their names."""
        for row in self._connection.execute(_CHILDREN, (parent,)):
            yield entry_of(row)

    def folders(self, parent: int) -> dict[bytes, Entry]:
        return {row[2]: entry_of(row) for row in self._connection.execute(_FOLDERS, (parent,))}

    def by_inode(self, inode: int) -> list[Entry]:
        return [entry_of(row) for row in self._connection.execute(_BY_INODE, (inode,))]

    def path(self, entry: int) -> bytes:
        """The path of a row; raises ``KeyError`` for one that is not there."""
        names: list[bytes] = []
        for _ in range(DEPTH_LIMIT):
            if entry == ROOT_ID:
                return b"/".join(reversed(names))
            row = self._connection.execute("SELECT parent, name FROM entry WHERE id = ?", (entry,)).fetchone()
            if row is None:
                raise KeyError(entry)
            entry = row[0]
            names.append(row[1])
        raise KeyError(entry)

    def ancestors(self, entry: int) -> Iterator[int]:
        """The row itself, its parent, and so on to the root."""
        for _ in range(DEPTH_LIMIT):
            yield entry
            if entry == ROOT_ID:
                return
            row = self._connection.execute("SELECT parent FROM entry WHERE id = ?", (entry,)).fetchone()
            if row is None:
                return
            entry = row[0]

    def below(
        self, entry: int, path: bytes, *, skip: Callable[[int], bool] = lambda entry: False
    ) -> Iterator[tuple[bytes, Entry]]:
        """The row and everything below it, folders before what they hold, with paths that start at ``path``.

        ``skip`` names rows to be left out, with what is below them.
        """
        top = self.by_id(entry)
        if top is None or skip(entry):
            return
        yield path, top
        stack = [(path, self.children(entry))] if top.stat.kind is Kind.FOLDER else []
        while stack:
            folder, rest = stack[-1]
            found = next(rest, None)
            if found is None:
                stack.pop()
                continue
            if skip(found.id):
                continue
            below = join(folder, found.name)
            yield below, found
            if found.stat.kind is Kind.FOLDER:
                stack.append((below, self.children(found.id)))

    def digests(self) -> Iterator[tuple[bytes, list[tuple[bytes, int, bytes]]]]:
        """Of each folder its path, and name, algorithm and digest of its files, in pieces. Folders may come twice."""
        stack: list[tuple[bytes, Iterator[tuple[int, bytes]]]] = [(b"", iter([(ROOT_ID, b"")]))]
        while stack:
            above, rest = stack[-1]
            found = next(rest, None)
            if found is None:
                stack.pop()
                continue
            folder, name = found
            path = join(above, name) if folder != ROOT_ID else b""
            files = self._connection.execute(_DIGESTS, (folder,))
            while piece := files.fetchmany(_PIECE_ROWS):
                yield path, piece
            stack.append((path, self._connection.execute(_FOLDER_NAMES, (folder,))))

    def totals(self) -> tuple[int, int]:
        """How many files and symlinks the copy holds, and their bytes."""
        row = self._connection.execute("SELECT count(*), sum(size_bytes) FROM entry WHERE kind <> 1").fetchone()
        return row[0], row[1] or 0

    def has_files(self) -> bool:
        """Whether the copy holds any file or symlink."""
        return self._connection.execute("SELECT 1 FROM entry WHERE kind <> 1 LIMIT 1").fetchone() is not None

    def born_since(self, run: int) -> int:
        """How many files and symlinks first stood after this run or a later one."""
        row = self._connection.execute("SELECT count(*) FROM entry WHERE born >= ? AND kind <> 1", (run,)).fetchone()
        return int(row[0])

    def dirty_folders(self) -> list[int]:
        return [row[0] for row in self._connection.execute("SELECT id FROM entry WHERE dirty = 1")]

    # --- attributes

    def xattrs_row(self, xattrs: Xattrs) -> int | None:
        """The row that holds this set, made where it is new. In a transaction of its own."""
        if not xattrs:
            return None
        packed = pack_xattrs(xattrs)
        row = self._connection.execute("SELECT id FROM xattrs WHERE packed = ?", (packed,)).fetchone()
        if row is not None:
            return int(row[0])
        with self._database.transaction() as connection:
            return connection.execute("INSERT INTO xattrs (packed) VALUES (?)", (packed,)).lastrowid

    def xattrs(self, row_id: int | None) -> Xattrs:
        if row_id is None:
            return ()
        row = self._connection.execute("SELECT packed FROM xattrs WHERE id = ?", (row_id,)).fetchone()
        return () if row is None else unpack_xattrs(row[0])

    # --- changing, within a transaction

    def insert(
        self,
        parent: int,
        name: bytes,
        stat: Stat,
        content: Content,
        xattrs: int | None,
        run: int,
        read_primary_s: int | None = None,
        read_secondary_s: int | None = None,
    ) -> int:
        row = _new_row(parent, name, stat, content, xattrs, run, read_primary_s, read_secondary_s)
        cursor = self._connection.execute(_INSERT, row)
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    def insert_all(
        self,
        new: Iterable[tuple[int, bytes, Stat, Content, int | None, int, int | None, int | None]],
    ) -> None:
        """As ``insert`` for each. Raises ``sqlite3.IntegrityError`` where one of the names has a row."""
        self._connection.executemany(_INSERT, (_new_row(*each) for each in new))

    def replace(
        self,
        entry: int,
        stat: Stat,
        content: Content,
        xattrs: int | None,
        run: int,
        read_primary_s: int | None,
        read_secondary_s: int | None,
    ) -> None:
        """The row's next version. The present one has gone to the past before."""
        self._connection.execute(
            "UPDATE entry SET kind=?, size_bytes=?, mtime_ns=?, ctime_ns=?, inode=?, mode=?, uid=?, gid=?, nlink=?,"
            " algorithm=?, digest=?, target=?, xattrs=?, since=?, read_primary_s=coalesce(?, read_primary_s),"
            " read_secondary_s=? WHERE id=?",
            (*_stat_columns(stat), *content, xattrs, run, read_primary_s, read_secondary_s, entry),
        )

    def alter(self, entry: int, stat: Stat, xattrs: int | None, run: int, read_primary_s: int | None = None) -> None:
        """The row's next version, with the same content. The present one has gone to the past before."""
        self._connection.execute(
            "UPDATE entry SET mtime_ns=?, ctime_ns=?, inode=?, mode=?, uid=?, gid=?, nlink=?, xattrs=?, since=?,"
            " read_primary_s=coalesce(?, read_primary_s) WHERE id=?",
            (*_stat_columns(stat)[2:], xattrs, run, read_primary_s, entry),
        )

    def observe(self, entry: int, stat: Stat) -> None:
        """Notes what the primary says of an unchanged file now: link count, times, inode.

        Where the file has another inode by now, as one that was written anew, what other names of it are in the past
        gets that too: else no state of before would know that they were one file.
        """
        self._connection.execute(_FOLLOW_INODE, {"entry": entry, "inode": stat.inode})
        self._connection.execute(
            "UPDATE entry SET mtime_ns=?, ctime_ns=?, inode=?, nlink=? WHERE id=?",
            (integer_out(stat.mtime_ns), integer_out(stat.ctime_ns), stat.inode, stat.nlink, entry),
        )

    def redeclare(self, entry: int, stat: Stat, content: Content, run: int, read_primary_s: int) -> None:
        """On a person's word, other content than was noted is what the file is to be, from ``run`` on.

        The version of before is kept first: the nights before that run had it, whether it stands anywhere or not.
        """
        self.observe(entry, stat)
        self._connection.execute(
            "UPDATE entry SET size_bytes=?, algorithm=?, digest=?, since=?, read_primary_s=?, read_secondary_s=NULL"
            " WHERE id=?",
            (stat.size_bytes, content.algorithm, content.digest, run, read_primary_s, entry),
        )

    def move(self, entry: int, parent: int, name: bytes) -> None:
        self._connection.execute("UPDATE entry SET parent=?, name=? WHERE id=?", (parent, name, entry))

    def delete(self, entry: int) -> None:
        self._connection.execute("DELETE FROM entry WHERE id=?", (entry,))

    def set_dirty(self, entry: int, *, dirty: bool) -> None:
        self._connection.execute("UPDATE entry SET dirty=? WHERE id=?", (1 if dirty else None, entry))

    def names_changed(self, folder: int) -> None:
        """Something in the folder came, went or was replaced on the secondary.

        Its dates are to be set again, and its listing on the primary is to be compared in full: what the primary
        shows next may be what it showed before this, as after a file that came and went around a night cut short.
        """
        self._connection.execute("UPDATE entry SET dirty=1, listing=NULL WHERE id=?", (folder,))

    def set_listing(self, entry: int, fingerprint: bytes | None) -> None:
        self._connection.execute("UPDATE entry SET listing=? WHERE id=?", (fingerprint, entry))

    def forget_reading(self, entry: int) -> None:
        """Its copy is to be read before all others."""
        self._connection.execute("UPDATE entry SET read_secondary_s=NULL WHERE id=?", (entry,))

    def set_read_primary(self, entry: int, when_s: int) -> None:
        self._connection.execute("UPDATE entry SET read_primary_s=? WHERE id=?", (when_s, entry))

    def set_read_secondary(self, entry: int, when_s: int) -> None:
        self._connection.execute("UPDATE entry SET read_secondary_s=? WHERE id=?", (when_s, entry))


def _new_row(
    parent: int,
    name: bytes,
    stat: Stat,
    content: Content,
    xattrs: int | None,
    run: int,
    read_primary_s: int | None,
    read_secondary_s: int | None,
) -> tuple[object, ...]:
    return (
        parent, name, *_stat_columns(stat), *content, xattrs, run, run, read_primary_s, read_secondary_s,
        1 if stat.kind is Kind.FOLDER else None,
    )  # fmt: skip


def _stat_columns(stat: Stat) -> tuple[int | str, ...]:
    return (
        int(stat.kind), stat.size_bytes, integer_out(stat.mtime_ns), integer_out(stat.ctime_ns), stat.inode,
        stat.mode, stat.uid, stat.gid, stat.nlink,
    )  # fmt: skip
