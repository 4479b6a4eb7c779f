"""How the rows of a manifest found on a drive hang together: in folders that lie within one another as in a tree.

To be asked once each row by itself was found right (``rows.py``). By queries and walks whose memory does not grow with
the number of rows.
"""

from __future__ import annotations

import sqlite3

from nightferry.manifest.records import ROOT_ID
from nightferry.manifest.rows import ID_LIMIT, FaultError, of_row

# Folders within folders, and the path of the deepest: far beyond what anybody has.
DEPTH_LIMIT = 100_000
PATH_LIMIT_BYTES = 1 << 20
# Steps upwards through folders of the past, for each of them, on the average.
_STEPS_EACH, _STEPS_ALWAYS = 2_000, 1_000_000
_KNOWN_LIMIT = 100_000


def check(connection: sqlite3.Connection) -> None:
    """Raises ``FaultError``."""
    _check_sequence(connection)
    _check_tree(connection)
    _check_past_parents(connection)
    _check_past_tree(connection)


def _check_sequence(connection: sqlite3.Connection) -> None:
    """The table that SQLite keeps of the last id used: ids are never used twice."""
    for name, last in connection.execute("SELECT name, seq FROM sqlite_sequence LIMIT 10"):
        if name != "entry" or not isinstance(last, int) or not 0 <= last <= ID_LIMIT:
            raise FaultError("what it says of the last number used is none that a table can have")


def _check_tree(connection: sqlite3.Connection) -> None:
    """Every row of the copy hangs on the root through folders."""
    count = connection.execute("SELECT count(*) FROM entry").fetchone()[0]
    if count == 0:
        return
    found = connection.execute(
        "SELECT e.id, e.name FROM entry AS e LEFT JOIN entry AS f ON f.id = e.parent"
        f" WHERE e.id <> {ROOT_ID} AND (f.id IS NULL OR f.kind <> 1) LIMIT 1"
    ).fetchone()
    if found is not None:
        raise FaultError(of_row("entry", found[0], found[1], "what holds it is no folder, or is not there"))
    # Each folder has one parent, so none is met twice, and one that is not met hangs on itself. Deepest first, so that
    # the rows that wait are few.
    met, depth, path_bytes = connection.execute(
        "WITH RECURSIVE met (id, depth, path_bytes) AS ("
        f" SELECT id, 0, 0 FROM entry WHERE id = {ROOT_ID}"
        " UNION ALL"
        " SELECT e.id, met.depth + 1, met.path_bytes + length(e.name) + 1"
        " FROM met JOIN entry AS e ON e.parent = met.id WHERE e.kind = 1"
        " ORDER BY 2 DESC)"
        " SELECT count(*), max(depth), max(path_bytes) FROM met"
    ).fetchone()
    folders = connection.execute("SELECT count(*) FROM entry WHERE kind = 1").fetchone()[0]
    if met != folders:
        raise FaultError("some folders of its table entry lie within one another in a circle")
    if depth > DEPTH_LIMIT or path_bytes > PATH_LIMIT_BYTES:
        raise FaultError(f"its folders are nested {depth:,} deep")


def _check_past_parents(connection: sqlite3.Connection) -> None:
    found = connection.execute(
        "SELECT p.id, p.name FROM past AS p LEFT JOIN entry AS f ON f.id = p.parent"
        " WHERE p.entry <> 1 AND coalesce(f.kind, 0) <> 1"
        " AND (f.id IS NOT NULL OR NOT EXISTS (SELECT 1 FROM past AS q WHERE q.entry = p.parent AND q.kind = 1))"
        " LIMIT 1"
    ).fetchone()
    if found is not None:
        raise FaultError(of_row("past", found[0], found[1], "what held it was no folder, or never was"))


def _check_past_tree(connection: sqlite3.Connection) -> None:
    """No folder of the past lay within itself, as of the last run for which it was as the row says.

    Where folders lay in a circle in any run, they still did so in the last run of the row among them that ended first.
    """
    count = connection.execute("SELECT count(*) FROM past WHERE kind = 1").fetchone()[0]
    steps_left = _STEPS_ALWAYS + count * _STEPS_EACH
    known_run, known = -1, set[int]()
    for number, entry, name, parent, until in connection.execute(
        "SELECT id, entry, name, parent, until FROM past WHERE kind = 1 ORDER BY until"
    ):
        if until != known_run or len(known) > _KNOWN_LIMIT:
            known_run, known = until, set()
        above, walked = parent, 0
        path = [entry]
        while above not in (0, ROOT_ID) and above not in known:
            if above == entry or walked > DEPTH_LIMIT or steps_left < 0:
                raise FaultError(of_row("past", number, name, "it lay within itself"))
            walked, steps_left = walked + 1, steps_left - 1
            path.append(above)
            row = connection.execute(
                "SELECT parent FROM past WHERE entry = ? AND until > ? ORDER BY until LIMIT 1", (above, until - 1)
            ).fetchone()
            if row is None:
                row = connection.execute("SELECT parent FROM entry WHERE id = ?", (above,)).fetchone()
            above = 0 if row is None else row[0]
        known.update(path)
