"""Opening a manifest: its file, its schema, its transactions."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from nightferry.errors import Failed
from nightferry.manifest import schema
from nightferry.tree.effects import Effects

_CACHE_KIB = 8 * 1024
_BUSY_MS = 10_000


class Database:
    """One connection, and the only way to a transaction."""

    def __init__(self, connection: sqlite3.Connection, effects: Effects, path: Path) -> None:
        self.connection = connection
        self.effects = effects
        self.path = path

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """All of it or nothing; durable when the block is left. Raises ``Failed`` where it cannot be written."""
        try:
            self.connection.execute("BEGIN IMMEDIATE")
            yield self.connection
            self.effects.commit(self.connection)
        except BaseException as error:
            if self.connection.in_transaction:
                self.connection.rollback()
            if isinstance(error, (sqlite3.Error, OSError)):
                raise _unwritable(self.path, error) from error
            raise

    def meta(self, key: str) -> str | None:
        row = self.connection.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return None if row is None else str(row[0])

    def set_meta(self, key: str, value: str) -> None:
        self.connection.execute("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)", (key, value))

    def close(self) -> None:
        self.connection.close()


def _unwritable(path: Path, error: Exception) -> Failed:
    return Failed(
        f"the manifest {path} could not be written ({error}): make room on that disk or see why it is read-only,"
        " then run the night again; what was finished before is safe"
    )


def create(path: Path, effects: Effects, meta: dict[str, str]) -> Database:
    """A new manifest; raises ``Failed`` where it cannot be made, ``FileExistsError`` where one is."""
    if path.exists():
        raise FileExistsError(path)
    connection = sqlite3.connect(path, isolation_level=None)
    database = Database(connection, effects, path)
    try:
        _tune(connection, writable=True)
        connection.execute("BEGIN IMMEDIATE")
        for statement in _statements(schema.TABLES):
            connection.execute(statement)
        for key, value in {"schema": str(schema.VERSION), **meta}.items():
            database.set_meta(key, value)
        effects.commit(connection)
    except (sqlite3.Error, OSError) as error:
        connection.close()
        path.unlink(missing_ok=True)
        raise _unwritable(path, error) from error
    return database


def open_existing(path: Path, effects: Effects, *, writable: bool) -> Database:
    """Raises ``Failed`` where it is absent, not a manifest, or of a newer nightferry."""
    try:
        mode = "rw" if writable else "ro"
        connection = sqlite3.connect(f"file:{_quoted(path)}?mode={mode}", uri=True, isolation_level=None)
        _tune(connection, writable=writable)
        row = connection.execute("SELECT value FROM meta WHERE key = 'schema'").fetchone()
    except sqlite3.Error as error:
        raise Failed(
            f"the manifest {path} cannot be opened ({error}): if its disk is sound, move the file away and take the"
            " pair over again from its secondary"
        ) from error
    version = None if row is None else str(row[0])
    if version != str(schema.VERSION):
        connection.close()
        raise Failed(
            f"the manifest {path} has the format {version}, this nightferry reads {schema.VERSION}: use the version"
            " of nightferry that wrote it, or a newer one"
        )
    return Database(connection, effects, path)


def _tune(connection: sqlite3.Connection, *, writable: bool) -> None:
    connection.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
    connection.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA cell_size_check = ON")
    if writable:
        # A write-ahead log lets `lastnight` read during a run; FULL makes each commit durable (SQLite's own page
        # on WAL says that NORMAL may lose the last commits in a power cut).
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")


def _quoted(path: Path) -> str:
    # SQLite's URI filenames: only these three have a meaning of their own.
    return str(path).replace("%", "%25").replace("?", "%3f").replace("#", "%23")


def _statements(script: str) -> list[str]:
    # executescript() would end the transaction.
    return [part for part in script.split(";\n") if part.strip()]
