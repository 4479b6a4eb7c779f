"""Whether the file of a manifest is whole.

Its pages are held against their checksums first (page_guard.py), which finds any bit that is not as it was written.
SQLite keeps none: what it finds itself is a structure that does not hold together. So its ``quick_check`` is left out
where the checksums are known, and ``integrity_check``, which compares the indexes too, is made once in each
verify_cycle and where there is doubt.

Measured with 200,000 names (34 MiB), from a cold cache on one core of a server: ``quick_check`` 0.6 s, of which 0.3 s
of computing; ``integrity_check`` 0.8 s and 0.4 s. A night reads the whole manifest to seal it in any case.
"""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

from nightferry.errors import Failed
from nightferry.manifest import formats, page_guard
from nightferry.tree.effects import Effects

_NAMES = "SELECT type, name FROM sqlite_schema WHERE name NOT LIKE 'sqlite_%'"
# sqlite.org/rescode.html; SQLITE_ERROR is a table or column that is not there.
_OF_THE_FILE = ("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_ERROR", "SQLITE_FORMAT")


def is_fault(error: sqlite3.Error) -> bool:
    """Whether an error speaks of what is in the file, and not of the disk, a lock or a right."""
    return getattr(error, "sqlite_errorname", "SQLITE_ERROR").startswith(_OF_THE_FILE)


def find_fault(path: Path | str, *, thorough: bool, unchanging: bool = False, pair_id: str | None = None) -> str | None:
    """What is wrong with a manifest, in words; None where it is whole.

    ``thorough`` compares indexes with their tables too. ``unchanging``: nobody writes to it, no lock is needed.
    ``pair_id``: the pair it has to be of. Raises ``Failed`` where it cannot be read at all.
    """
    try:
        pages = page_guard.look(Path(path), Effects())
    except OSError as error:
        raise _unread(path, error.strerror or error) from error
    if pages.fault is not None:
        return pages.fault
    quoted = str(path).replace("%", "%25").replace("?", "%3f").replace("#", "%23")
    try:
        mode = "ro&immutable=1" if unchanging else "rw" if _has_journal(path) else "ro"
        connection = sqlite3.connect(f"file:{quoted}?mode={mode}", uri=True)
        try:
            connection.execute("PRAGMA trusted_schema = OFF")
            connection.execute("PRAGMA busy_timeout = 10000")
            return fault_in(connection, thorough=thorough, quick=not pages.known, pair_id=pair_id)
        finally:
            connection.close()
    except sqlite3.Error as error:
        if is_fault(error):
            return str(error)
        raise _unread(path, error) from error


def _has_journal(path: Path | str) -> bool:
    """Whether a change of the database's mode was cut off, which SQLite takes back, and not through a connection that
    only reads."""
    try:
        return os.stat(f"{path}-journal").st_size > 0
    except OSError:
        return False


def _unread(path: Path | str, why: object) -> Failed:
    return Failed(
        f"the manifest {path} cannot be read ({why}): make room on that disk, or see why it cannot be read and"
        " written, then run this again"
    )


def fault_in(
    connection: sqlite3.Connection, *, thorough: bool, quick: bool = True, pair_id: str | None = None
) -> str | None:
    """As ``find_fault``, over an open connection; raises ``sqlite3.Error``. ``quick``: whether to have SQLite look at
    the pages where it is not to be thorough."""
    meta = dict(connection.execute("SELECT key, value FROM meta WHERE key IN ('schema', 'pair_id', 'generation')"))
    version = str(meta.get("schema", ""))
    number = formats.number(version)
    if number is None and version.isdecimal():
        return None  # of another nightferry: opening it says so
    if number is None or not str(meta.get("generation", "")).isdecimal():
        return "it does not say what it is"
    form = formats.FORMATS[number]
    if formats.marks(connection) != form.marks:
        return "it says two things of its format"
    if pair_id is not None and meta.get("pair_id") != pair_id:
        return "it is that of another pair"
    missing = _expected(form) - set(connection.execute(_NAMES)) - {("index", name) for name in form.optional}
    if missing:
        return f"it lacks the {' '.join(sorted(missing)[0])}"
    return _said_by_check(connection, thorough=thorough) if thorough or quick else None


def _said_by_check(connection: sqlite3.Connection, *, thorough: bool) -> str | None:
    said = connection.execute(f"PRAGMA {'integrity_check' if thorough else 'quick_check'}(1)").fetchone()
    return None if said == ("ok",) else str(said[0]).strip().replace("\n", "; ")


def _expected(form: formats.Format) -> set[tuple[str, str]]:
    connection = sqlite3.connect(":memory:")
    try:
        connection.executescript(form.tables)
        return set(connection.execute(_NAMES))
    finally:
        connection.close()
