"""Opening a manifest: its file, its schema, its transactions."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from nightferry.errors import Busy, Failed
from nightferry.manifest import formats, migrations, schema
from nightferry.manifest.page_guard import PageGuard, Verdict, look
from nightferry.manifest.soundness import fault_in
from nightferry.tree.effects import Effects

_CACHE_KIB = 8 * 1024
_BUSY_MS = 10_000
_LOG_SUFFIX = "-wal"
# What SQLite leaves beside a database where its process died; it would be taken for that of another one there.
LOG_SUFFIXES = (_LOG_SUFFIX, "-shm", "-journal")


class Database:
    """One connection, and the only way to a transaction."""

    def __init__(
        self, connection: sqlite3.Connection, effects: Effects, path: Path, pages: PageGuard | None = None
    ) -> None:
        """``pages``: of the working manifest, open for writing."""
        self.connection = connection
        self.effects = effects
        self.path = path
        self.pages = pages

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
        if self.pages is not None:
            self.pages.committed()

    def meta(self, key: str) -> str | None:
        row = self.connection.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return None if row is None else str(row[0])

    def set_meta(self, key: str, value: str) -> None:
        self.connection.execute("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)", (key, value))

    def copy_to(self, target: Path | str) -> None:
        """A consistent copy of all of it in a new file, which the caller syncs. Raises ``sqlite3.Error``."""
        copy = sqlite3.connect(target, isolation_level=None)
        try:
            copy.execute("PRAGMA synchronous = OFF")
            self.connection.backup(copy, pages=4096)
            copy.execute("PRAGMA journal_mode = DELETE")
        finally:
            copy.close()

    def forget_older(self) -> None:
        """Removes what a change of format kept beside it (``_migrate``)."""
        for each in self.path.parent.glob(_older(self.path, "*").name + "*"):
            with suppress(OSError):
                each.unlink()

    @property
    def pages_are_guarded(self) -> bool:
        """Whether a bit that flips in it will be found (page_guard.py)."""
        return self.pages is not None and self.pages.is_on

    def guard_pages(self) -> None:
        """Once all of it was checked: makes the checksums of its pages, where there are none."""
        if self.pages is not None:
            self.pages.begin()

    def close(self) -> None:
        if self.pages is not None:
            self.pages.rest()
        self.connection.close()
        if self.pages is not None:
            self.pages.close()


def _older(path: Path, version: int | str) -> Path:
    """Where a manifest stands as it was before its format was changed."""
    return path.with_name(f"{path.stem}.format-{version}{path.suffix}")


def _unwritable(path: Path, error: Exception) -> Failed:
    return Failed(
        f"The manifest {path} could not be written ({error}): make room on that disk or see why it is read-only,"
        " then give the same command again; what was finished before is safe."
    )


def create(path: Path, effects: Effects, meta: dict[str, str]) -> Database:
    """A new manifest, under its name when it is whole.

    Raises ``Failed`` where it cannot be made, ``FileExistsError`` where one is.
    """
    if path.exists():
        raise FileExistsError(path)
    new = path.with_name(path.name + ".new")
    _remove(new)
    connection = sqlite3.connect(new, isolation_level=None)
    database = Database(connection, effects, new)
    try:
        _tune(connection, effects, writable=True)
        connection.execute("BEGIN IMMEDIATE")
        for statement in formats.PRESENT.statements():
            connection.execute(statement)
        formats.mark(connection, schema.VERSION)
        for key, value in {"schema": str(schema.VERSION), **meta}.items():
            database.set_meta(key, value)
        effects.commit(connection)
        connection.close()  # which enters the write-ahead log into the file
        os.replace(new, path)
        _sync_folder(path.parent)
    except (sqlite3.Error, OSError) as error:
        connection.close()
        _remove(new)
        raise _unwritable(path, error) from error
    return open_existing(path, effects, writable=True)


def _remove(path: Path) -> None:
    for suffix in ("", *LOG_SUFFIXES):
        Path(f"{path}{suffix}").unlink(missing_ok=True)


def _sync_folder(folder: Path) -> None:
    _sync(folder, os.O_RDONLY | os.O_DIRECTORY)


def _sync(path: Path, flags: int) -> None:
    fd = os.open(path, flags | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def open_existing(
    path: Path, effects: Effects, *, writable: bool, unchanging: bool = False, keep_older: bool = True
) -> Database:
    """One of an older format gets the present one where it is opened for writing, and answers as such a one else.

    ``unchanging``: nobody writes to it, so that no lock and no shared memory is needed. ``keep_older``: what had an
    older format is kept beside it until a night has sealed.

    Raises ``Failed`` where it is absent, not a manifest, or of a newer nightferry.
    """
    pages = _guarded(path, effects) if writable else None
    try:
        return _open_existing(path, effects, pages, unchanging=unchanging, keep_older=keep_older)
    except BaseException:  # of whatever kind: nobody got the database who could close it
        if pages is not None:
            pages.close()
        raise


def _guarded(path: Path, effects: Effects) -> PageGuard:
    """Raises ``Failed`` where a page is not as it was written: nothing is written on such ground."""
    guard = PageGuard(path, effects)
    guard.take_up(_look_at_pages(path, effects))
    return guard


def _look_at_pages(path: Path, effects: Effects) -> Verdict:
    try:
        found = look(path, effects)
    except OSError as error:
        raise _unopened(path, error.strerror or error, of_disk=True) from error
    if found.fault is not None:
        raise _damaged(path, found.fault)
    return found


def _unopened(path: Path, why: object, *, of_disk: bool) -> Failed:
    return Failed(
        f"the manifest {path} cannot be opened ({why}): "
        + (
            "make room on that disk, or see why it cannot be read and written, then run this again."
            if of_disk
            else "if its disk is sound, move the file away and take the pair over again from its secondary."
        )
    )


def _damaged(path: Path, fault: str) -> Failed:
    return Failed(
        f"the manifest {path} is damaged ({fault}): see whether its disk is sound, then run a night, which puts it"
        " right from the secondary's."
    )


def _open_existing(
    path: Path, effects: Effects, pages: PageGuard | None, *, unchanging: bool, keep_older: bool
) -> Database:
    writable = pages is not None
    try:
        mode = "rw" if writable else "ro&immutable=1" if unchanging else "ro"
        connection = sqlite3.connect(f"file:{_quoted(path)}?mode={mode}", uri=True, isolation_level=None)
        if pages is not None:
            pages.attach(connection)
        _tune(connection, effects, writable=writable)
        row = connection.execute("SELECT value FROM meta WHERE key = 'schema'").fetchone()
    except sqlite3.Error as error:
        # sqlite.org/rescode.html: all others speak of the file itself.
        of_disk = getattr(error, "sqlite_errorname", "").startswith(("SQLITE_IOERR", "SQLITE_FULL", "SQLITE_CANTOPEN"))
        raise _unopened(path, error, of_disk=of_disk) from error
    except OSError as error:
        raise _unopened(path, error.strerror or error, of_disk=True) from error
    said = None if row is None else str(row[0])
    version = formats.number(said)
    if version is None:
        connection.close()
        raise Failed(
            f"the manifest {path} has the format {said}, this nightferry reads up to {schema.VERSION}: use the version"
            " of nightferry that wrote it, or a newer one"
        )
    database = Database(connection, effects, path, pages)
    try:
        if version < schema.VERSION and writable:
            _migrate(database, version, keep_older=keep_older)
        elif version < schema.VERSION:
            migrations.stand_in(connection, version)
    except sqlite3.Error as error:
        database.close()
        raise _unreadable(path, error) from error
    except BaseException:  # of whatever kind: nobody got the database who could close it
        database.close()
        raise
    return database


def _migrate(database: Database, version: int, *, keep_older: bool) -> None:
    """Raises ``Failed``, and ``sqlite3.Error`` where it cannot be read; it has its old format then."""
    fault = fault_in(database.connection, thorough=True)
    if fault is not None:
        raise _unreadable(database.path, fault)
    if keep_older:
        _keep(database, _older(database.path, version))
    with database.transaction() as connection:
        if database.meta("schema") == str(version):  # nobody else did it meanwhile
            migrations.migrate(connection, version)


def _keep(database: Database, older: Path) -> None:
    """Raises ``Failed``."""
    new = older.with_name(older.name + ".new")
    try:
        _remove(new)
        # It says every name; the folder may be open to those who read reports.
        os.close(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
        database.copy_to(new)
        _sync(new, os.O_RDONLY)
        os.replace(new, older)
        _sync_folder(older.parent)
    except (sqlite3.Error, OSError) as error:
        raise _unwritable(older, error) from error


class _Copied(Database):
    """A database in a private folder that goes with it."""

    def close(self) -> None:
        super().close()
        shutil.rmtree(self.path.parent, ignore_errors=True)


@contextmanager
def open_to_look(path: Path, effects: Effects, *, in_use: bool, check: bool = False) -> Iterator[Database]:
    """Opens for reading and leaves no trace: no file beside the manifest is made, changed or removed.

    ``in_use``: another process has the pair's lock; then its write-ahead log is read along with it, and what
    traces there are, are that process's own.
    ``check``: whether its pages are held against their checksums first, where no other process has it (which did so).

    Raises ``Failed`` as ``open_existing`` does, also where the manifest turns out to be damaged while it is read,
    and ``Busy`` where a run began to write it meanwhile.
    """
    before = _marks(path)
    if check and not in_use:
        _look_at_pages(path, effects)
    database = _open_to_look(path, effects, in_use=in_use)
    try:
        yield database
    except sqlite3.Error as error:
        if not in_use and _marks(path) != before:
            raise _overtaken(path) from error
        raise _unreadable(path, error) from error
    finally:
        database.close()
    # Without locks, pages of two states may have been read.
    if not in_use and _marks(path) != before:
        raise _overtaken(path)


def _open_to_look(path: Path, effects: Effects, *, in_use: bool) -> Database:
    if in_use:
        return open_existing(path, effects, writable=False)
    if not _marks(path)[1]:
        return open_existing(path, effects, writable=False, unchanging=True)
    # A run was cut off, and the newest part of the manifest is still in its log. SQLite would enter it into the
    # database by merely reading; so that happens in a copy.
    place = os.environ.get("TMPDIR") or "/var/tmp"
    try:
        folder = Path(tempfile.mkdtemp(prefix="nightferry-", dir=place))
    except OSError as error:
        raise _no_copy(path, place, error) from error
    try:
        copy = folder / path.name
        before = _marks(path)
        for suffix in ("", _LOG_SUFFIX):
            shutil.copyfile(f"{path}{suffix}", f"{copy}{suffix}")
        if _marks(path) != before:
            raise _overtaken(path)
        opened = open_existing(copy, effects, writable=True, keep_older=False)
    except OSError as error:
        shutil.rmtree(folder, ignore_errors=True)
        raise _no_copy(path, place, error) from error
    except BaseException:  # of whatever kind, also Ctrl-C: a copy of the manifest is not left lying about
        shutil.rmtree(folder, ignore_errors=True)
        raise
    return _Copied(opened.connection, effects, copy)


def _unreadable(path: Path, error: sqlite3.Error | str) -> Failed:
    return Failed(
        f"the manifest {path} cannot be read ({error}): see whether its disk is sound, then run a night, which replaces"
        " a damaged one"
    )


def _no_copy(path: Path, place: str, error: OSError) -> Failed:
    return Failed(
        f"the manifest {path} cannot be copied to {place} to be read ({error.strerror}): make room there, or set TMPDIR"
        " to a folder that has room"
    )


def _marks(path: Path) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """What changes with the database or its write-ahead log; the second is empty where that log is."""
    found = []
    for name in (str(path), f"{path}{_LOG_SUFFIX}"):
        try:
            status = os.stat(name)
            found.append((status.st_ino, status.st_size, status.st_mtime_ns) if status.st_size else ())
        except OSError:
            found.append(())
    return found[0], found[1]


def _overtaken(path: Path) -> Busy:
    return Busy(f"a run began to write the manifest {path} while it was read: ask again when that run has ended")


def _tune(connection: sqlite3.Connection, effects: Effects, *, writable: bool) -> None:
    connection.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
    connection.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA cell_size_check = ON")
    if writable:
        # A write-ahead log lets `lastnight` read during a run; FULL makes each commit durable (SQLite's own page
        # on WAL says that NORMAL may lose the last commits in a power cut).
        effects.set_journal_mode(connection, "WAL")
        connection.execute("PRAGMA synchronous = FULL")


def _quoted(path: Path) -> str:
    # SQLite's URI filenames: only these three have a meaning of their own.
    return str(path).replace("%", "%25").replace("?", "%3f").replace("#", "%23")
