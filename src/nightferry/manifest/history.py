"""The life of names over all nights: at which path each version stood, from which run to which.

A row follows its name through moves, but knows its parent only: where a folder above it was renamed, its path changed
and its row did not. So a life is put together from the rows of a name and from those of the folders above it.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from contextlib import closing
from functools import lru_cache
from itertools import groupby
from typing import NamedTuple

from nightferry.errors import Failed
from nightferry.manifest.asof import NODE_COLUMNS, Node, node_of
from nightferry.manifest.entries import DEPTH_LIMIT
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.private import open_private
from nightferry.manifest.records import ROOT_ID
from nightferry.tree.metadata import Kind
from nightferry.tree.root import join

# What stands has no end yet.
_NEVER = 1 << 62
_FOLDERS_REMEMBERED = 4_096
_CACHE_KIB = 4 * 1024
# Steps up through folders for one row. Trees are not so deep, nor folders renamed so often: a damaged manifest may be.
_STEPS_LIMIT = 5_000_000
_UNKNOWN = b"?"

# What ended a version, as the kind of change that a person knows. A folder's times move with each name in it.
_COUNTED = {"changed": "changed", "moved": "moved", "removed": "removed", "metadata": "metadata", "decayed": "mended"}

_ROWS = (
    f"SELECT entry, {NODE_COLUMNS}, until, reason FROM past WHERE entry = :entry AND since < until"
    f" UNION ALL SELECT id, {NODE_COLUMNS}, NULL, NULL FROM entry WHERE id = :entry"
)
_DISPLACED = f"SELECT entry, {NODE_COLUMNS}, until FROM past WHERE entry = :entry AND reason = 'displaced' ORDER BY id"
_BRIEF = "name, kind, born, since"


def _in_folder(named: str) -> str:
    """What lay in a folder at any time between two runs, in the order of the names."""
    return (
        f"SELECT entry, {_BRIEF}, until, reason FROM past WHERE parent = :folder AND entry > 1 AND since < until"
        f" AND until > :since AND since < :until {named}"
        f" UNION ALL SELECT id, {_BRIEF}, NULL, NULL FROM entry"
        f" WHERE parent = :folder AND id <> 1 AND since < :until {named} ORDER BY 2"
    )


_ALL_IN_FOLDER = _in_folder("")
_NAMED_IN_FOLDER = _in_folder("AND name = :name")
_PLACES = (
    "SELECT since, until, parent, name FROM past WHERE entry = :entry AND since < until"
    f" UNION ALL SELECT since, {_NEVER}, parent, name FROM entry WHERE id = :entry ORDER BY 1, 2"
)


class Stretch(NamedTuple):
    """One version at one path, as the runs ``since`` .. ``until`` - 1 left it."""

    since: int
    until: int | None  # None: it stands
    path: bytes
    node: Node  # the version, which may have stood longer than this, at other paths too
    reason: str | None  # why the version ended: changed, moved, removed, metadata, times, decayed; None: it stands


class _Row(NamedTuple):
    entry: int
    name: bytes
    kind: int
    born: int
    since: int
    until: int | None
    reason: str | None


class _Spell(NamedTuple):
    """A row at a path for a time."""

    entry: int
    since: int
    until: int


class History:
    """All nights. The manifest is only read."""

    def __init__(self, manifest: Manifest) -> None:
        self._connection = manifest.database.connection
        self._places = lru_cache(_FOLDERS_REMEMBERED)(self._places_of)

    # --- which names

    def find(self, path: bytes) -> list[int]:
        """The rows that ever stood at a path, the first one first; the empty path is the root."""
        spells = [_Spell(ROOT_ID, 0, _NEVER)]
        for name in path.split(b"/") if path else ():
            spells = _merged([_within(row, spell) for spell in spells for row in self._in_folder(spell, name)])
        return list(dict.fromkeys(spell.entry for spell in sorted(spells, key=lambda each: each.since)))

    def matching(self, fits: Callable[[bytes, bool], bool]) -> Iterator[tuple[bytes, int]]:
        """(path, row) of every name that ever stood at a path that fits, by path; each row once, at the first of them.

        A folder that fits stands for what is below it. ``fits`` is asked with a path and whether it is a folder.
        """
        with closing(_Found()) as found:
            for path, row, _ in self._rows_below(ROOT_ID, b"", lambda path: not fits(path, True)):
                if fits(path, row.kind == Kind.FOLDER):
                    found.add(path, row.entry)
            yield from found

    def below(self, folder: int, path: bytes) -> Iterator[tuple[bytes, int]]:
        """As ``matching``: every name that was ever below a folder; paths start at ``path``."""
        with closing(_Found()) as found:
            for below, row, _ in self._rows_below(folder, path, lambda path: True):
                found.add(below, row.entry)
            yield from found

    def _rows_below(
        self, folder: int, path: bytes, enter: Callable[[bytes], bool]
    ) -> Iterator[tuple[bytes, _Row, _Spell]]:
        """Every version below a folder, once for each spell of the folder that held it."""
        stack = [(path, _Spell(folder, 0, _NEVER), 0)]
        above: list[int] = []
        while stack:
            here, spell, depth = stack.pop()
            del above[depth:]
            if spell.entry in above:
                continue  # a damaged manifest may have a folder in itself
            above.append(spell.entry)
            for name, group in groupby(self._in_folder(spell), key=lambda row: row.name):
                below, folders = join(here, name), []
                for row in group:
                    yield below, row, spell
                    if row.kind == Kind.FOLDER:
                        folders.append(_within(row, spell))
                if folders and enter(below):
                    stack.extend((below, each, depth + 1) for each in _merged(folders))

    def _in_folder(self, spell: _Spell, name: bytes | None = None) -> Iterator[_Row]:
        values = {"folder": spell.entry, "since": spell.since, "until": spell.until, "name": name}
        for row in self._connection.execute(_ALL_IN_FOLDER if name is None else _NAMED_IN_FOLDER, values):
            yield _Row(*row)

    # --- one name

    def life(self, entry: int) -> list[Stretch]:
        """All versions of a row at all their paths, in their order. Empty where the past has nothing of it."""
        rows = [(node_of(row), row[-1]) for row in self._connection.execute(_ROWS, {"entry": entry})]
        rows.sort(key=lambda each: (each[0].since, _NEVER if each[0].until is None else each[0].until))
        found = []
        for node, reason in rows:
            until = _NEVER if node.until is None else node.until
            for since, end, path in self._paths(node.parent, node.name, node.since, until):
                found.append(Stretch(since, None if end == _NEVER else end, path, node, reason))
        return found

    def displaced(self, entry: int) -> list[tuple[Node, bytes]]:
        """What persons' commands displaced on the primary under a row's name, oldest first, each with its path then."""
        return [
            (node, max(self._paths(node.parent, node.name, node.since, node.since + 1))[2])
            for node in map(node_of, self._connection.execute(_DISPLACED, {"entry": entry}))
        ]

    def _paths(self, parent: int, name: bytes, since: int, until: int) -> list[tuple[int, int, bytes]]:
        """(since, until, path) of what had a name in a folder from one run to another, in their order."""
        if parent == 0:
            return [(since, until, name)]
        found: list[tuple[int, int, bytes]] = []
        waiting = [(parent, since, until, name)]
        steps = 0
        while waiting:
            folder, start, end, below = waiting.pop()
            if folder == ROOT_ID:
                found.append((start, end, below))
                continue
            at = start
            for place in self._places(folder):
                steps += 1
                first, last = max(place[0], at), min(place[1], end)
                if first >= last:
                    continue
                if first > at:
                    found.append((at, first, join(_UNKNOWN, below)))
                waiting.append((place[2], first, last, join(place[3], below)))
                at = last
            if at < end:
                found.append((at, end, join(_UNKNOWN, below)))
            if steps > _STEPS_LIMIT:
                raise Failed(
                    "The manifest has folders that lie within one another: see whether its disk is sound, then run a"
                    " night, which replaces a damaged one."
                )
        return _joined(sorted(found))

    def _places_of(self, folder: int) -> tuple[tuple[int, int, int, bytes], ...]:
        """(since, until, parent, name) of a folder, in their order, without what did not change its place."""
        found: list[tuple[int, int, int, bytes]] = []
        for row in self._connection.execute(_PLACES, {"entry": folder}):
            if found and found[-1][1] == row[0] and found[-1][2:] == row[2:]:
                found[-1] = (found[-1][0], *row[1:])
            else:
                found.append(row)
        return tuple(found)

    # --- one folder

    def nights_below(self, folder: int) -> dict[int, Counter[str]]:
        """By run, how many names below a folder were added, changed, moved, removed, altered (metadata) or mended.

        What moved into it or out of it counts as moved, a folder with all that it holds as one name.
        """
        nights: dict[int, Counter[str]] = defaultdict(Counter)
        for _, row, spell in self._rows_below(folder, b"", lambda path: True):
            if spell.since <= row.since < spell.until:
                if row.since == row.born:
                    nights[row.since]["added"] += 1
                elif self._came_from_outside(row, folder):
                    nights[row.since]["moved"] += 1
            if row.until is not None and row.reason in _COUNTED and spell.since < row.until <= spell.until:
                nights[row.until][_COUNTED[row.reason]] += 1
        return dict(nights)

    def _came_from_outside(self, row: _Row, folder: int) -> bool:
        found = self._connection.execute(
            "SELECT parent FROM past WHERE entry = ? AND until = ? AND reason = 'moved' AND since < until",
            (row.entry, row.since),
        ).fetchone()
        at = ROOT_ID if found is None else found[0]
        for _ in range(DEPTH_LIMIT):
            if at == folder:
                return False
            if at in (0, ROOT_ID):
                break
            at = next((place[2] for place in self._places(at) if place[0] < row.since <= place[1]), 0)
        return found is not None


class _Found:
    """Rows, each with the first of its paths; in memory while they are few, else in an unlinked file."""

    def __init__(self) -> None:
        self._connection = open_private(_CACHE_KIB)
        self._connection.execute("CREATE TABLE found (entry INTEGER PRIMARY KEY, path BLOB NOT NULL)")

    def add(self, path: bytes, entry: int) -> None:
        self._connection.execute(
            "INSERT INTO found VALUES (?, ?) ON CONFLICT DO UPDATE SET path = min(path, excluded.path)", (entry, path)
        )

    def __iter__(self) -> Iterator[tuple[bytes, int]]:
        yield from self._connection.execute("SELECT path, entry FROM found ORDER BY path, entry")

    def close(self) -> None:
        self._connection.close()


def _end(row: _Row) -> int:
    return _NEVER if row.until is None else row.until


def _within(row: _Row, spell: _Spell) -> _Spell:
    """The time that a version spent in a folder while that was where it was."""
    return _Spell(row.entry, max(row.since, spell.since), min(_end(row), spell.until))


def _merged(spells: list[_Spell]) -> list[_Spell]:
    """Versions of one row that follow each other, as one."""
    found: list[_Spell] = []
    for each in sorted(spells):
        if found and found[-1].entry == each.entry and each.since <= found[-1].until:
            found[-1] = found[-1]._replace(until=max(found[-1].until, each.until))
        else:
            found.append(each)
    return found


def _joined(found: list[tuple[int, int, bytes]]) -> list[tuple[int, int, bytes]]:
    """Spells at one path that follow each other, as one."""
    joined: list[tuple[int, int, bytes]] = []
    for since, until, path in found:
        if joined and joined[-1][1] == since and joined[-1][2] == path:
            joined[-1] = (joined[-1][0], until, path)
        else:
            joined.append((since, until, path))
    return joined
