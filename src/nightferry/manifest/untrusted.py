"""A manifest found on a drive: input like any other, checked whole before a word of it is believed.

Whoever had the drive in hands can have written anything into it, and a drive that fails can have left anything. So it
is opened for reading only, in a connection that can do little else; its tables must be those that we make, to the last
word; its pages must hold together; every row must be one that a night could have written (``rows.py``), and hang in a
tree (``relations.py``). What was accepted can be read by all the rest of the code. Names are kept inside a root by
``tree/root.py`` in any case.

What stands in the journal (table ``intent``) is not looked at: a night that seals has emptied it, and whoever takes a
sealed manifest over empties it again.

Measured with 200,000 names and 25,000 past versions (37 MB) on one core of a server: 1.7 s of computing;
memory stays with the caches of SQLite.
"""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

from nightferry.errors import Failed
from nightferry.manifest import formats, migrations, relations, rows, schema
from nightferry.manifest.database import Database
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.rehearsals import _TABLE as REHEARSAL_TABLE
from nightferry.manifest.rows import FaultError
from nightferry.tree.effects import Effects
from nightferry.units import show_text

# A summary of a run or a set of attributes is far below it.
_VALUE_LIMIT_BYTES = 64 << 20
_LIMITS = {
    sqlite3.SQLITE_LIMIT_LENGTH: _VALUE_LIMIT_BYTES,
    sqlite3.SQLITE_LIMIT_SQL_LENGTH: 100_000,
    sqlite3.SQLITE_LIMIT_COLUMN: 64,
    sqlite3.SQLITE_LIMIT_EXPR_DEPTH: 200,
    sqlite3.SQLITE_LIMIT_ATTACHED: 0,
    sqlite3.SQLITE_LIMIT_LIKE_PATTERN_LENGTH: 100,
    sqlite3.SQLITE_LIMIT_TRIGGER_DEPTH: 1,
    sqlite3.SQLITE_LIMIT_WORKER_THREADS: 0,
}
_CACHE_KIB = 8 * 1024
# sqlite.org/rescode.html
_OF_THE_FILE = ("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_FORMAT", "SQLITE_IOERR", "SQLITE_CANTOPEN")

_SCHEMA = "SELECT type, name, tbl_name, sql FROM sqlite_schema"
# More than we make would be listed one by one otherwise.
_OBJECTS_LIMIT = 100
_META = ("table", "meta", "meta")
# sqlite.org/lang.html: strings and quoted names, comments, spaces, words, anything else.
_TOKEN = re.compile(r"""'(?:[^']|'')*'|"(?:[^"]|"")*"|`[^`]*`|\[[^\]]*\]|--[^\n]*|/\*.*?\*/|\s+|\w+|.""", re.DOTALL)


class UntrustedError(Failed):
    """A manifest found on a drive that is not used. ``fault`` is what is wrong with it, as a part of a sentence."""

    def __init__(self, message: str, fault: str) -> None:
        super().__init__(message)
        self.fault = fault


class NewerFormatError(UntrustedError):
    """It is sound for all one can tell, and a newer nightferry wrote it."""


@contextmanager
def open_untrusted(
    path: str, effects: Effects, *, shown: str, pair_id: str | None = None, expected: os.stat_result | None = None
) -> Iterator[Manifest]:
    """Opens a sealed manifest for reading, without a lock or a trace, once all of it was checked.

    Args:
        path: as this process reaches it, such as ``/proc/self/fd/7/manifest.sqlite3``.
        shown: as a person knows it, for messages.
        pair_id: the pair it has to be of, where that is known.
        expected: the file that the path has to lead to. SQLite follows symlinks, so the caller opens it first.

    Raises:
        UntrustedError: it is not a sound manifest of this nightferry; also where it stops being readable later.
    """
    try:
        connection = _open(path, pair_id, expected)
    except FaultError as fault:
        raise _refused(shown, str(fault)) from fault
    except OSError as error:
        raise _refused(shown, f"the drive does not give it ({error.strerror})") from error
    except sqlite3.Error as error:
        raise _unreadable(shown, error) from error
    try:
        yield Manifest(Database(connection, effects, Path(path)))
    except sqlite3.Error as error:
        if getattr(error, "sqlite_errorname", "").startswith(_OF_THE_FILE):
            raise _unreadable(shown, error) from error
        raise
    finally:
        connection.close()


def _open(path: str, pair_id: str | None, expected: os.stat_result | None) -> sqlite3.Connection:
    """Raises ``FaultError``, ``OSError``, ``sqlite3.Error``."""
    size_bytes = os.stat(path).st_size
    before = 0 if expected is None else _opened(expected)
    connection = sqlite3.connect(f"file:{_quoted(path)}?mode=ro&immutable=1", uri=True, isolation_level=None)
    try:
        if expected is not None and _opened(expected) == before:
            raise FaultError("another file took its place while it was opened")
        _harden(connection)
        version = _check(connection, pair_id)
        _check_length(connection, size_bytes)
        connection.execute("PRAGMA query_only = OFF")
        migrations.stand_in(connection, version)
        connection.execute("PRAGMA query_only = ON")
    except BaseException:  # of whatever kind: nobody got the connection who could close it
        connection.close()
        raise
    return connection


def find_fault(path: str, effects: Effects, *, pair_id: str | None = None) -> str | None:
    """What is wrong with a manifest found on a drive, as a part of a sentence; None where it can be trusted."""
    try:
        with open_untrusted(path, effects, shown=path, pair_id=pair_id):
            return None
    except UntrustedError as error:
        return error.fault


def generation_of(path: Path | str, pair_id: str | None = None) -> int | None:
    """What a sealed manifest says of its generation, whatever else is wrong with it; None where it does not say, cannot
    be read, or is of another pair."""
    try:
        connection = sqlite3.connect(f"file:{_quoted(str(path))}?mode=ro&immutable=1", uri=True)
        try:
            _harden(connection)
            if _objects(connection).get(_META) != _expected()[_META]:
                return None
            meta = rows.check_meta(connection)
        finally:
            connection.close()
    except (FaultError, sqlite3.Error):
        return None
    if pair_id is not None and meta["pair_id"] != pair_id:
        return None
    return int(meta["generation"])


def _refused(shown: str, fault: str) -> UntrustedError:
    if fault.startswith(_NEWER):
        return NewerFormatError(
            f"The manifest {show_text(shown)} cannot be used: {fault}; install that version, or a newer one.", fault
        )
    return UntrustedError(
        f"The manifest {show_text(shown)} cannot be used: {fault}; it was damaged, or altered by something other than"
        " nightferry, so go by the other one in records/, or by the checksum list.",
        fault,
    )


def _unreadable(shown: str, error: sqlite3.Error) -> UntrustedError:
    name = getattr(error, "sqlite_errorname", "")
    if name.startswith(("SQLITE_IOERR", "SQLITE_CANTOPEN")):
        fault = f"the drive does not give it ({error})"
    else:
        fault = f"it does not hold together ({error})"
    return _refused(shown, fault.replace("\n", " "))


def _opened(expected: os.stat_result) -> int:
    """How many descriptors of this process refer to a file."""
    found = 0
    for name in os.listdir("/proc/self/fd"):
        try:
            status = os.stat(f"/proc/self/fd/{name}")
        except OSError:
            continue  # the one that listed them
        found += (status.st_dev, status.st_ino) == (expected.st_dev, expected.st_ino)
    return found


def _quoted(path: str) -> str:
    # SQLite's URI filenames: only these three have a meaning of their own.
    return path.replace("%", "%25").replace("?", "%3f").replace("#", "%23")


def _harden(connection: sqlite3.Connection) -> None:
    """sqlite.org/security.html, "Untrusted SQLite Database Files"."""
    for limit, value in _LIMITS.items():
        connection.setlimit(limit, value)
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA cell_size_check = ON")
    connection.execute("PRAGMA mmap_size = 0")
    connection.execute("PRAGMA query_only = ON")
    connection.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")


# --- the checks, from the outside inwards

_NEWER = "a newer nightferry wrote it"


def _check(connection: sqlite3.Connection, pair_id: str | None) -> int:
    """Returns its format. Raises ``FaultError``, and ``sqlite3.Error`` where the file does not hold together."""
    found = _objects(connection)
    if found.get(_META) != _expected()[_META]:
        raise FaultError("it is not a manifest")
    meta = rows.check_meta(connection)
    version = meta.get("schema", "")
    if not re.fullmatch(r"[0-9]{1,9}", version):
        raise FaultError("it does not say which format it has")
    if int(version) > schema.VERSION:
        raise FaultError(f"{_NEWER} (format {version}, this one reads up to {schema.VERSION})")
    number = formats.number(version)
    if number is None:
        raise FaultError(f"it says that it has the format {version}, and there never was one")
    if formats.marks(connection) != formats.FORMATS[number].marks:
        raise FaultError("it says two things of its format")
    _check_schema(found, formats.FORMATS[number])
    if pair_id is not None and meta.get("pair_id") != pair_id:
        raise FaultError("it is that of another pair")
    encoding = connection.execute("PRAGMA encoding").fetchone()[0]
    if encoding != "UTF-8":
        raise FaultError(f"its text is in {encoding}")
    said = str(connection.execute("PRAGMA integrity_check(1)").fetchone()[0])
    if said != "ok":
        raise FaultError(f"it does not hold together ({show_text(said.strip().splitlines()[-1])[:200]})")
    rows.check(connection, number)
    relations.check(connection)
    return number


def _check_length(connection: sqlite3.Connection, size_bytes: int) -> None:
    """SQLite takes what is missing of the last page for zeros."""
    pages, page_bytes = (connection.execute(f"PRAGMA {of}").fetchone()[0] for of in ("page_count", "page_size"))
    if size_bytes != pages * page_bytes:
        raise FaultError(f"it has {size_bytes:,} bytes, and {pages * page_bytes:,} belong to it")


def _objects(connection: sqlite3.Connection) -> dict[tuple[str, str, str], list[str]]:
    """What the database consists of, each with the words of its definition."""
    found: dict[tuple[str, str, str], list[str]] = {}
    for kind, name, table, sql in connection.execute(_SCHEMA):
        if len(found) >= _OBJECTS_LIMIT:
            raise FaultError(f"it consists of more than {_OBJECTS_LIMIT} tables and indexes")
        key = (str(kind), str(name), str(table))
        if key in found:
            raise FaultError(f"it has the {show_text(' '.join(key[:2]))[:80]} twice")
        found[key] = [] if sql is None else _words(str(sql))
    return found


def _words(sql: str) -> list[str]:
    """Without comments and spaces, which say nothing to SQLite."""
    return [word for word in _TOKEN.findall(sql) if not (word.isspace() or word.startswith(("--", "/*")))]


@cache
def _expected(script: str = schema.TABLES) -> dict[tuple[str, str, str], list[str]]:
    connection = sqlite3.connect(":memory:")
    try:
        connection.executescript(script)
        return _objects(connection)
    finally:
        connection.close()


def _check_schema(found: dict[tuple[str, str, str], list[str]], form: formats.Format) -> None:
    expected = _expected(form.tables)
    if any(key[1] == "rehearsal" for key in found):  # made with the first one
        expected = {**expected, **_expected(REHEARSAL_TABLE)}
    for key in found.keys() - expected.keys():
        raise FaultError(f"it has the {show_text(' '.join(key[:2]))[:80]}, which no manifest has")
    for key, words in expected.items():
        if key not in found and key[1] in form.optional:
            continue  # an older nightferry of the same format wrote it
        if key not in found:
            raise FaultError(f"it lacks the {' '.join(key[:2])}")
        if found[key] != words:
            raise FaultError(f"its {' '.join(key[:2])} is not made as ours is")
