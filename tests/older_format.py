"""A manifest made by the present code, turned into one of an older format: for what the frozen pairs do not have."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from pathlib import Path

from nightferry.manifest.formats import FORMATS


def to_format_1(path: Path, *, without: Iterable[str] = ()) -> None:
    """``without``: indexes that it shall lack. What only later formats know is lost."""
    columns = "id, path, side, verdict, found_by, found_run, found_s, detail, closed_run, became"
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("BEGIN")
    connection.execute(f"CREATE TEMP TABLE kept AS SELECT {columns} FROM damage")
    connection.execute("DROP TABLE damage")
    for statement in FORMATS[1].statements("damage"):
        connection.execute(statement)
    connection.execute("INSERT INTO damage SELECT * FROM kept")
    for name in without:
        connection.execute(f"DROP INDEX {name}")
    connection.execute("UPDATE meta SET value = '1' WHERE key = 'schema'")
    connection.execute("PRAGMA application_id = 0")
    connection.execute("PRAGMA user_version = 0")
    connection.execute("COMMIT")
    connection.close()
