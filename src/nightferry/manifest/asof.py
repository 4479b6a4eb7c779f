"""The tree as one run left it, and where each content of it stands now.

What was the newest state after run N is, of each name, the present row where it was written in N or before, and
else the row of the past that was valid then (``since`` <= N < ``until``). A row knows its parent, so a folder that
has been renamed since is one row of the past, whatever lies below it. Every question is answered through an index:
to walk the whole tree costs in proportion to the rows.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from nightferry.manifest.entries import DEPTH_LIMIT
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import ROOT_ID, Content
from nightferry.tree.metadata import KIND_OF, Kind, Stat
from nightferry.tree.root import join


class Node(NamedTuple):
    """One name as it stood when a run was the newest."""

    entry: int  # the row, which a name keeps when it moves
    parent: int
    name: bytes
    stat: Stat  # as last seen while this version was the present one; allocated_bytes is not kept
    content: Content
    xattrs: int | None  # for Entries.xattrs()
    since: int  # run that wrote this version
    until: int | None  # run that displaced it; None: it is the present one


class Source(NamedTuple):
    """A place on the secondary where a content should stand."""

    place: str  # "copy" or "retired"
    path: bytes  # below copy/, or below retired/
    run: int | None = None  # of what is in retired/: the run that displaced it


NODE_COLUMNS = (
    "parent, name, kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid, nlink,"
    " algorithm, digest, target, xattrs, since"
)
_NOW = f"SELECT id AS entry, {NODE_COLUMNS}, NULL AS until FROM entry WHERE since <= :run"
# Rows of one run alone were overwritten by it, and stood at the end of no run. Row 0 stands for what no run put there.
_THEN = f"SELECT entry, {NODE_COLUMNS}, until FROM past WHERE since <= :run AND until > :run AND entry <> 0"

_BY_ID = f"{_NOW} AND id = :entry UNION ALL {_THEN} AND entry = :entry"
_CHILD = f"{_NOW} AND parent = :parent AND name = :name UNION ALL {_THEN} AND parent = :parent AND name = :name"
_CHILDREN = f"{_NOW} AND parent = :parent AND id <> 1 UNION ALL {_THEN} AND parent = :parent AND entry <> 1 ORDER BY 3"
_FOLDERS = (
    f"{_NOW} AND parent = :parent AND id <> 1 AND kind = 1"
    f" UNION ALL {_THEN} AND parent = :parent AND entry <> 1 AND kind = 1 ORDER BY 3"
)
_BY_INODE = f"{_NOW} AND inode = :inode UNION ALL {_THEN} AND inode = :inode"

# With the plus, no partial index on the kind is thought of: for that SQLite would plan the query anew for each value
# (sqlite3_prepare_v3(), "may be recompiled"), which took ten times as long as the query.
_SAME = "algorithm IS :algorithm AND digest IS :digest AND target IS :target AND +kind = :kind"
_COPY = f"SELECT id, parent, name, NULL AS held, NULL AS reason, NULL AS until FROM entry WHERE {_SAME}"
_HELD = f"SELECT id, parent, name, held, reason, until FROM past WHERE held IS NOT NULL AND {_SAME}"
# Rows that were made again from a drive alone have the inode 0, which says nothing: it is given as NULL.
_OF_FILE = (
    f"{_COPY} AND id = :entry UNION ALL {_COPY} AND inode = :inode AND id <> :entry"
    f" UNION ALL {_HELD} AND entry = :entry UNION ALL {_HELD} AND inode = :inode AND entry <> :entry"
)
_ANY_LINKED = (
    "SELECT EXISTS (SELECT 1 FROM entry WHERE kind = 2 AND nlink > 1)"
    " OR EXISTS (SELECT 1 FROM past WHERE kind = 2 AND nlink > 1)"
)
_ANY_DAMAGE = "SELECT EXISTS (SELECT 1 FROM damage WHERE closed_run IS NULL)"
_OF_ROW = f"{_COPY} AND id = :entry UNION ALL {_HELD} AND entry = :entry"

# As of no run that was: whatever stands now, also what stock-taking found and no run told of.
NEWEST = 1 << 61

_SECONDARY, _RETIRED = "secondary", "retired"  # as the damage register has the sides
_NO_CONTENT = Content()
# Ranks of places: copies first, then what was retired later, last what could not be read.
_OLDER, _LAST = 1 << 61, 1 << 62


class AsOf:
    """The state that one run left. The manifest is only read, and is not to change meanwhile."""

    def __init__(self, manifest: Manifest, run: int) -> None:
        """``run`` is the number of a run; one that is not there stands for the newest before it."""
        self.run = run
        self._manifest = manifest
        self._connection = manifest.database.connection
        self._folder: tuple[int, bytes] = (ROOT_ID, b"")
        self._known_marks = (True, True)
        self._marks_at = -1

    # --- names

    def by_id(self, entry: int) -> Node | None:
        """The state of one row; None where no such name stood."""
        return self._one(_BY_ID, entry=entry)

    def find(self, path: bytes) -> Node | None:
        """The state of one path; the empty one is the root. None where no such name stood."""
        node = self.by_id(ROOT_ID)
        for name in path.split(b"/") if path else ():
            if node is None:
                return None
            node = self.child(node.entry, name)
        return node

    def child(self, folder: int, name: bytes) -> Node | None:
        """The state of one name in a folder; None where no such name stood."""
        return self._one(_CHILD, parent=folder, name=name)

    def children(self, folder: int, *, folders_only: bool = False) -> Iterator[Node]:
        """What stood in a folder, in the order of the bytes of the names."""
        last: Node | None = None
        query = _FOLDERS if folders_only else _CHILDREN
        for row in self._connection.execute(query, {"run": self.run, "parent": folder}):
            node = node_of(row)
            if last is not None and last.name == node.name:
                last = _preferred(last, node)  # no night writes two; a damaged manifest may
                continue
            if last is not None:
                yield last
            last = node
        if last is not None:
            yield last

    def below(self, node: Node, path: bytes, *, folders_only: bool = False) -> Iterator[tuple[bytes, Node]]:
        """The node and everything below it, folders before what they hold, with paths that start at ``path``.

        Memory grows with the depth only. A folder that a damaged manifest shows in two places is met in one of them,
        so the walk ends.
        """
        yield path, node
        stack: list[tuple[bytes, Iterator[Node]]] = []
        if node.stat.kind is Kind.FOLDER:
            stack.append((path, self.children(node.entry, folders_only=folders_only)))
        while stack:
            folder, rest = stack[-1]
            found = next(rest, None)
            if found is None:
                stack.pop()
                continue
            here = join(folder, found.name)
            if found.stat.kind is not Kind.FOLDER:
                yield here, found
            elif self.by_id(found.entry) == found:
                yield here, found
                stack.append((here, self.children(found.entry, folders_only=folders_only)))

    def path(self, node: Node) -> bytes:
        """Its path as of this run. Raises ``KeyError`` where a folder above it is not to be found."""
        names: list[bytes] = []
        at: Node | None = node
        for _ in range(DEPTH_LIMIT):
            if at is None:
                break
            if at.entry == ROOT_ID:
                return b"/".join(reversed(names))
            names.append(at.name)
            at = self.by_id(at.parent)
        raise KeyError(node.entry)

    def linked(self, node: Node) -> list[Node]:
        """All names of the same file, itself among them, by row; only itself where it had one name.

        The link count of a version may be newer than this run, since it is noted without a new version when a link
        comes or goes: ask for every file, whatever ``stat.nlink`` says.
        """
        if node.stat.kind is not Kind.FILE or node.content.digest is None or not node.stat.inode:
            return [node]  # rows that were made again from a drive alone have no inode
        if not self._has_links():
            return [node]
        found = {node.entry: node}
        for row in self._connection.execute(_BY_INODE, {"run": self.run, "inode": node.stat.inode}):
            other = node_of(row)
            # An inode number alone is not enough: rows may have been read on different nights, and a held one takes
            # no new mode of a name that the copy has.
            if other.content == node.content and _of_file(other) == _of_file(node):
                found.setdefault(other.entry, other)
        if not any(each.stat.nlink > 1 for each in found.values()):
            return [node]
        return [found[entry] for entry in sorted(found)]

    def _has_links(self) -> bool:
        """Whether any file ever had a second name: one look at all rows, so that not every file has to be asked for."""
        return self._marks()[0]

    def _has_damage(self) -> bool:
        return self._marks()[1]

    def _marks(self) -> tuple[bool, bool]:
        changes = self._connection.total_changes
        if changes != self._marks_at:
            linked, damage = (self._connection.execute(query).fetchone()[0] for query in (_ANY_LINKED, _ANY_DAMAGE))
            self._known_marks = bool(linked), bool(damage)
            self._marks_at = changes
        return self._known_marks

    # --- content

    def first_source(self, node: Node) -> Source | None:
        """The first of ``sources`` where that can be told at once: the copy of a present version; else None."""
        if node.until is not None or self._has_damage() or node.content == _NO_CONTENT:
            return None
        path = self._path_now(node.parent, node.name)
        return None if path is None else Source("copy", path)

    def sources(self, node: Node) -> list[Source]:
        """Where this very content (kind, algorithm and checksum, or target) stands now, the likeliest first.

        The copy, that of other names of the same file, then retired versions of all of these, newest first. None is
        known to be bad: neither by the damage register nor by being set aside for it. What could not be read when it
        was last tried comes last. Empty for a folder, and where the content was let go.
        """
        return _in_order(self._places(node, _OF_FILE)[0])

    def suspects(self, node: Node) -> list[Source]:
        """Where this content should stand and is known to be bad: for whoever asks for bad bytes rather than none."""
        return _in_order(self._places(node, _OF_ROW)[1])

    def _places(self, node: Node, query: str) -> tuple[list[tuple[int, Source]], list[tuple[int, Source]]]:
        """Good ones and bad ones, each with a rank: the row itself first, then what is newer."""
        good: list[tuple[int, Source]] = []
        bad: list[tuple[int, Source]] = []
        if node.stat.kind is Kind.FOLDER or (node.content.digest is None and node.content.target is None):
            return good, bad
        values = {
            "entry": node.entry, "inode": node.stat.inode or None, "kind": int(node.stat.kind),
            **node.content._asdict(),
        }  # fmt: skip
        for row, parent, name, held, reason, until in self._connection.execute(query, values).fetchall():
            if held is None:
                path = self._path_now(parent, name)
                if path is not None:
                    self._sort_in(Source("copy", path), _SECONDARY, good, bad, rank=0 if row == node.entry else 1)
            elif reason == "decayed":
                bad.append((_OLDER - until, Source("retired", held, until)))
            else:
                self._sort_in(Source("retired", held, until), _RETIRED, good, bad, rank=_OLDER - until)
        return good, bad

    def _path_now(self, parent: int, name: bytes) -> bytes | None:
        """The path of a name of the copy. A walk goes folder by folder: the last one is remembered."""
        if parent != self._folder[0]:
            try:
                self._folder = parent, self._manifest.entries.path(parent)
            except KeyError:
                return None
        return join(self._folder[1], name)

    def _sort_in(
        self, source: Source, side: str, good: list[tuple[int, Source]], bad: list[tuple[int, Source]], *, rank: int
    ) -> None:
        if not self._has_damage():
            good.append((rank, source))
            return
        row = self._connection.execute(
            "SELECT verdict FROM damage WHERE path = ? AND side = ? AND closed_run IS NULL", (source.path, side)
        ).fetchone()
        if row is None or row[0] == "unlisted":
            good.append((rank, source))
        elif row[0] == "unreadable":
            good.append((_LAST, source))
        else:
            bad.append((rank, source))

    def _one(self, query: str, **values: object) -> Node | None:
        found: Node | None = None
        for row in self._connection.execute(query, {"run": self.run, **values}):
            node = node_of(row)
            found = node if found is None else _preferred(found, node)
        return found


def node_of(row: tuple) -> Node:  # type: ignore[type-arg]
    """Of a row that begins with its number, ``NODE_COLUMNS``, and when it ended."""
    return Node(
        row[0],
        row[1],
        row[2],
        Stat(KIND_OF[row[3]], row[4], int(row[5]), int(row[6]), row[7], row[8], row[9], row[10], row[11], 0),
        Content(row[12], row[13], row[14]),
        row[15],
        row[16],
        row[17],
    )


def _of_file(node: Node) -> tuple[object, ...]:
    """What all names of one file have in common: one inode has one of each."""
    stat = node.stat
    return stat.kind, stat.size_bytes, stat.mtime_ns, stat.mode, stat.uid, stat.gid, node.xattrs


def _preferred(one: Node, other: Node) -> Node:
    """Of two rows that claim to be the same: the present one, else the one displaced later, else the higher row."""
    key = lambda node: (node.until is None, node.until or 0, node.since, node.entry)  # noqa: E731
    return max(one, other, key=key)


def _in_order(found: list[tuple[int, Source]]) -> list[Source]:
    return [source for _, source in sorted(found, key=lambda each: each[0])]
