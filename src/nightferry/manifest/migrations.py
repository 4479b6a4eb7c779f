"""From each format of a manifest to the next.

A manifest that is opened for writing gets the present format for good (``migrate``). One that is only read, such as one
sealed on a drive, keeps what it has: temporary tables of its connection stand in front of those that changed since
(``stand_in``), made by the same statements. So a query is written for the present format alone.

Each format's step is a step from its very definitions (``formats.py``), and is not changed once a later format is out.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import NamedTuple

from nightferry.manifest.formats import FORMATS, Format, mark
from nightferry.manifest.records import ROOT_ID
from nightferry.manifest.schema import VERSION


class _Step(NamedTuple):
    """``table`` changes; ``fill`` fills the temporary one of the new form from that in the file."""

    table: str
    fill: Callable[[sqlite3.Connection], None]


def migrate(connection: sqlite3.Connection, version: int) -> None:
    """Brings a manifest from format ``version`` to the present one. Belongs into a transaction."""
    for number in range(version, VERSION):
        new = FORMATS[number + 1]
        for table, fill in _STEPS[number]:
            _stand_in(connection, number + 1, table, fill)
            definition, *indexes = new.statements(table)
            connection.execute(f"DROP TABLE main.{table}")
            connection.execute(definition)
            connection.execute(f"INSERT INTO main.{table} SELECT * FROM temp.{table}")
            connection.execute(f"DROP TABLE temp.{table}")  # else the indexes would be its own
            for each in indexes:
                connection.execute(each)
        _add_indexes(connection, new)
        mark(connection, number + 1)
        connection.execute("UPDATE meta SET value = ? WHERE key = 'schema'", (str(number + 1),))


def _add_indexes(connection: sqlite3.Connection, new: Format) -> None:
    """Those that a manifest of the format before may lack."""
    found = {row[0] for row in connection.execute("SELECT name FROM main.sqlite_schema WHERE type = 'index'")}
    for each in new.statements():
        definition = each[each.index("CREATE ") :]
        if definition.startswith("CREATE INDEX") and definition.split()[2] not in found:
            connection.execute(definition)


def stand_in(connection: sqlite3.Connection, version: int) -> None:
    """Makes a manifest of format ``version``, open for reading, answer as one of the present format does."""
    for number in range(version, VERSION):
        for table, fill in _STEPS[number]:
            _stand_in(connection, number + 1, table, fill)


def _stand_in(
    connection: sqlite3.Connection, number: int, table: str, fill: Callable[[sqlite3.Connection], None]
) -> None:
    definition, *indexes = FORMATS[number].statements(table)
    connection.execute(definition.replace("CREATE TABLE", "CREATE TEMP TABLE", 1))
    for each in indexes:
        connection.execute(each)
    fill(connection)


# --- from 1 to 2: damage is about content, and not about a name

_DAMAGE_1 = "id, path, side, verdict, found_by, found_run, found_s, detail, closed_run, became"


def _fill_damage(connection: sqlite3.Connection) -> None:
    """What a row is about is sought for open damage only: whose a name was that was damaged once, nobody knows now."""
    connection.execute(f"INSERT INTO temp.damage ({_DAMAGE_1}) SELECT {_DAMAGE_1} FROM main.damage")
    for number, path, side in connection.execute(
        "SELECT id, path, side FROM main.damage WHERE closed_run IS NULL AND side <> 'retired'"
    ):
        found = _row_at(connection, path)
        if found is None:
            continue
        entry, inode, size_bytes, mtime_ns, algorithm, digest = found
        # Metadata that had changed would have closed it: the bad file is the one that the row knows.
        bad = (inode, size_bytes, mtime_ns) if side == "primary" else (None, None, None)
        connection.execute(
            "UPDATE temp.damage SET entry = ?, algorithm = ?, digest = ?, inode = ?, size_bytes = ?, mtime_ns = ?"
            " WHERE id = ?",
            (entry, algorithm, digest, *bad, number),
        )
    connection.execute(
        "UPDATE temp.damage SET past = p.id, algorithm = p.algorithm, digest = p.digest FROM main.past AS p"
        " WHERE p.held = damage.path AND damage.side = 'retired' AND damage.closed_run IS NULL"
    )


def _row_at(connection: sqlite3.Connection, path: bytes) -> tuple[object, ...] | None:
    """Of the copy as it stands: id, inode, size, mtime, algorithm, checksum."""
    number, row = ROOT_ID, None
    for name in path.split(b"/"):
        row = connection.execute(
            "SELECT id, inode, size_bytes, mtime_ns, algorithm, digest FROM main.entry WHERE parent = ? AND name = ?",
            (number, name),
        ).fetchone()
        if row is None:
            return None
        number = row[0]
    return row


_STEPS: dict[int, list[_Step]] = {1: [_Step("damage", _fill_damage)]}
