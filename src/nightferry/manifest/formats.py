"""The tables of each format of a manifest that was released, and how a file says which it has.

What was released is never changed here: manifests of every format are found on drives for decades. The present format's
tables stand in ``schema.py``, with what each is for. Once it is succeeded its text moves here as it is.
"""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

from nightferry.manifest import schema

_TABLES_1 = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE entry (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  parent INTEGER NOT NULL,
  name BLOB NOT NULL,
  kind INTEGER NOT NULL,
  size_bytes INTEGER NOT NULL,
  mtime_ns NOT NULL, ctime_ns NOT NULL,
  inode INTEGER NOT NULL,
  mode INTEGER NOT NULL, uid INTEGER NOT NULL, gid INTEGER NOT NULL, nlink INTEGER NOT NULL,
  algorithm INTEGER, digest BLOB,
  target BLOB,
  xattrs INTEGER,
  born INTEGER NOT NULL,
  since INTEGER NOT NULL,
  read_primary_s INTEGER, read_secondary_s INTEGER,
  dirty INTEGER,
  listing BLOB
);
CREATE UNIQUE INDEX entry_path ON entry (parent, name);
CREATE INDEX entry_folders ON entry (parent) WHERE kind = 1;
CREATE INDEX entry_dirty ON entry (id) WHERE dirty = 1;
CREATE INDEX entry_inode ON entry (inode);
CREATE TABLE xattrs (id INTEGER PRIMARY KEY, packed BLOB NOT NULL UNIQUE);
CREATE TABLE past (
  id INTEGER PRIMARY KEY,
  entry INTEGER NOT NULL, parent INTEGER NOT NULL, name BLOB NOT NULL,
  kind INTEGER NOT NULL, size_bytes INTEGER NOT NULL, mtime_ns NOT NULL, ctime_ns NOT NULL,
  inode INTEGER NOT NULL, mode INTEGER NOT NULL, uid INTEGER NOT NULL, gid INTEGER NOT NULL, nlink INTEGER NOT NULL,
  algorithm INTEGER, digest BLOB, target BLOB, xattrs INTEGER,
  born INTEGER NOT NULL, since INTEGER NOT NULL, until INTEGER NOT NULL,
  reason TEXT NOT NULL,
  held BLOB,
  expired INTEGER,
  read_s INTEGER
);
CREATE INDEX past_until ON past (until);
CREATE INDEX past_entry ON past (entry, until);
CREATE INDEX past_held ON past (until, id) WHERE held IS NOT NULL;
CREATE INDEX past_name ON past (parent, name, until);
CREATE INDEX past_inode ON past (inode);
CREATE TABLE run (
  number INTEGER PRIMARY KEY,
  stamp TEXT NOT NULL,
  started_s REAL NOT NULL, ended_s REAL,
  outcome TEXT,
  summary TEXT NOT NULL DEFAULT '{}'
);
CREATE TABLE left_out (
  run INTEGER NOT NULL, kind TEXT NOT NULL, path BLOB NOT NULL, detail TEXT NOT NULL
);
CREATE INDEX left_out_run ON left_out (run);
CREATE TABLE damage (
  id INTEGER PRIMARY KEY,
  path BLOB NOT NULL, side TEXT NOT NULL, verdict TEXT NOT NULL, found_by TEXT NOT NULL,
  found_run INTEGER NOT NULL, found_s REAL NOT NULL, detail TEXT NOT NULL,
  closed_run INTEGER, became TEXT
);
CREATE INDEX damage_open ON damage (path) WHERE closed_run IS NULL;
CREATE TABLE hold (
  run INTEGER PRIMARY KEY,
  removals INTEGER NOT NULL, replacements INTEGER NOT NULL, reasons TEXT NOT NULL,
  released_s REAL, spent_run INTEGER
);
CREATE TABLE intent (
  seq INTEGER PRIMARY KEY,
  run INTEGER NOT NULL, action TEXT NOT NULL, path BLOB NOT NULL,
  entry INTEGER, source BLOB, staged BLOB, held BLOB, reason TEXT,
  kind INTEGER, size_bytes INTEGER, mtime_ns, ctime_ns, inode INTEGER, mode INTEGER, uid INTEGER, gid INTEGER,
  nlink INTEGER, algorithm INTEGER, digest BLOB, target BLOB, xattrs INTEGER,
  read_primary_s INTEGER, read_secondary_s INTEGER
);
"""


class Format(NamedTuple):
    """``optional``: indexes that it may lack. ``marks``: ``application_id`` and ``user_version`` in its header."""

    tables: str
    optional: frozenset[str]
    marks: tuple[int, int]

    def statements(self, table: str | None = None) -> list[str]:
        """The definitions one by one; of one table and its indexes, in their order, where it is given."""
        # executescript() would end the transaction.
        found = [part.strip() for part in self.tables.split(";\n") if part.strip()]
        if table is None:
            return found
        words = (f"CREATE TABLE {table} (", f" ON {table} (")
        return [part[part.index("CREATE ") :] for part in found if any(each in part for each in words)]


FORMATS = {
    1: Format(_TABLES_1, frozenset({"past_name", "past_inode"}), (0, 0)),
    2: Format(schema.TABLES, frozenset(), (schema.APPLICATION_ID, 2)),
}
PRESENT = FORMATS[schema.VERSION]


def number(said: str | None) -> int | None:
    """The format that a manifest says it has, in its table ``meta``; None where it is none that is known here."""
    return next((each for each in FORMATS if said == str(each)), None)


def marks(connection: sqlite3.Connection) -> tuple[int, int]:
    """``application_id`` and ``user_version`` of a manifest. Raises ``sqlite3.Error``."""
    application_id, user_version = (
        connection.execute(f"PRAGMA main.{name}").fetchone()[0] for name in ("application_id", "user_version")
    )
    return application_id, user_version


def mark(connection: sqlite3.Connection, version: int) -> None:
    """Enters those of a format into the header; belongs into a transaction."""
    for name, value in zip(("application_id", "user_version"), FORMATS[version].marks, strict=True):
        connection.execute(f"PRAGMA main.{name} = {value}")
