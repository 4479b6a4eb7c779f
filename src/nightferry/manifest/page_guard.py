"""The checksums of the working manifest's pages, kept true while it is written, through any crash.

At any instant each page of the database either has the checksum that stands beside it, or a committed frame of the
write-ahead log stands for it, which SQLite guards by checksums of its own. So the checkpoints are ours: SQLite enters
the log into the database and syncs it; the checksums of the pages that it entered follow and are synced; only the next
commit after that may begin the log anew.

Between two commands the database is in SQLite's rollback mode, in which every writer counts up the change counter
(fileformat2.html, 1.3.7). So something else that wrote to it, such as an older nightferry, is told from a page that
went bad by itself: then the checksums are not its own, nothing is said of it, and they are made anew once all was
checked.

The descriptor of the database stays open as long as the connection: closing any descriptor of a file drops the locks
that SQLite has on it in this process (sqlite.org/howtocorrupt.html, 2.2).
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import NamedTuple

from nightferry.manifest.pages import (
    JOURNAL_MODE,
    LOG_MODE,
    SUFFIX,
    Comparison,
    Header,
    Kind,
    PageChecksums,
    PageHasher,
    feed,
    read_at,
    read_page_one,
    size_of,
)
from nightferry.manifest.write_ahead_log import committed_pages, pages_of_frames
from nightferry.tree.effects import Effects
from nightferry.units import format_count

# The log is entered into the database when it has grown by so much: SQLite's own default, 1,000 pages.
_LOG_BYTES = 4 << 20


class Verdict(NamedTuple):
    """What the checksums say of a working manifest.

    Attributes:
        known: they are its own, and there is one for each page.
        bad: the first of the pages that are not as they were written, each with the checksum that it should have.
    """

    known: bool
    header: Header | None = None
    bad: tuple[tuple[int, bytes], ...] = ()
    bad_pages: int = 0

    @property
    def fault(self) -> str | None:
        if not self.bad_pages or self.header is None:
            return None
        return words_of(self.bad_pages, self.header.pages, "written")


_UNKNOWN = Verdict(False)


def words_of(bad_pages: int, pages: int, done: str) -> str:
    """What is wrong with a manifest, as a part of a sentence; ``done``: what was done with it, such as "written"."""
    are = "is not as it was" if bad_pages == 1 else "are not as they were"
    return f"{format_count(bad_pages)} of its {format_count(pages)} pages {are} {done}"


def checksums_path(path: Path | str) -> Path:
    return Path(path).with_suffix(SUFFIX)


def look(path: Path, effects: Effects) -> Verdict:
    """Compares a working manifest, which nobody has open for writing, with the checksums beside it.

    Raises ``OSError`` where it cannot be read.
    """
    with ExitStack() as stack:
        database = _open(path, effects, stack)
        beside = _open(checksums_path(path), effects, stack)
        if database is None or beside is None:
            return _UNKNOWN
        checksums = PageChecksums(beside, effects)
        header = checksums.header()
        if header is None or header.kind is Kind.SEALED:
            return _UNKNOWN
        log = _open(Path(f"{path}-wal"), effects, stack)
        has_log = log is not None and size_of(log) > 0
        one = read_page_one(read_at(database, effects, 0, header.page_bytes).ljust(100, b"\0"))
        is_as_left = not has_log and one.mode == JOURNAL_MODE and one.counter == header.counter
        if header.kind is Kind.AT_REST and one.is_whole and not is_as_left:
            return _UNKNOWN  # something else wrote to it
        logged = committed_pages(log, effects) if log is not None else set()
        journal = _open(Path(f"{path}-journal"), effects, stack)
        if journal is not None and size_of(journal):
            logged.add(1)  # cut off between the two modes: SQLite takes that back, and it concerns no other page
        compared = Comparison(checksums, header, but=logged)
        hasher = PageHasher(header.page_bytes, compared.take)
        feed(database, effects, hasher)
        compared.end(hasher.pages)
        bad, bad_pages = compared.bad, compared.bad_pages
        if not one.is_whole and 1 not in logged and not any(page == 1 for page, _ in bad):
            first = checksums.sums(1)
            bad = [(1, b"" if first is None else first[:8]), *bad]
            bad_pages += 1
        if header.kind is Kind.IN_USE and not has_log and one.mode == LOG_MODE and one.is_whole and bad_pages:
            return _UNKNOWN  # a run was cut off, and something else has entered its log
        return Verdict(not compared.unknown, header, tuple(bad), bad_pages)


def _open(path: Path, effects: Effects, stack: ExitStack) -> int | None:
    try:
        fd = effects.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
    except FileNotFoundError:
        return None
    stack.callback(effects.close, fd)
    return fd


def forget(path: Path, effects: Effects) -> None:
    """Takes the checksums away, durably, before something is written that they would not follow. Raises ``OSError``."""
    beside = checksums_path(path)
    folder = effects.open(beside.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        try:
            effects.unlink(os.fsencode(beside.name), dir_fd=folder)
        except FileNotFoundError:
            return
        effects.fsync(folder)
    finally:
        effects.close(folder)


class PageGuard:
    """Keeps the checksums of one database that is open for writing, and its log."""

    def __init__(self, path: Path, effects: Effects) -> None:
        self._path, self._effects = path, effects
        self._files = ExitStack()
        self._connection: sqlite3.Connection | None = None
        self._checksums: PageChecksums | None = None
        self._header = Header(Kind.IN_USE, 0, 0)
        self._next_bytes = _LOG_BYTES
        self._database = -1

    @property
    def is_on(self) -> bool:
        return self._checksums is not None

    def take_up(self, known: Verdict) -> None:
        """Before the connection is opened. Where the checksums cannot be kept, there are none from here on."""
        try:
            if not known.known or known.header is None:
                forget(self._path, self._effects)
                return
            fd = self._effects.open(checksums_path(self._path), os.O_RDWR | os.O_NOFOLLOW | os.O_CLOEXEC)
            self._use(fd, known.header._replace(kind=Kind.IN_USE))
            assert self._checksums is not None
            # Not synced: where a power cut loses it, the database shows that it was opened since it came to rest.
            self._checksums.set_header(self._header)
        except OSError:
            self.give_up()

    def _use(self, fd: int, header: Header) -> None:
        self._files.callback(self._effects.close, fd)
        if self._database < 0:
            self._database = self._effects.open(self._path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
            self._files.callback(self._effects.close, self._database)
        self._checksums, self._header = PageChecksums(fd, self._effects), header

    def attach(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        if self.is_on:
            # With no limit the log would keep the size that it once had, which is what tells when it has grown.
            connection.execute("PRAGMA journal_size_limit = 0")
            connection.execute("PRAGMA wal_autocheckpoint = 0")

    def begin(self) -> None:
        """Makes the checksums of a database that was checked whole. Where that fails, there are none."""
        if self.is_on or self._connection is None:
            return
        name = os.fsencode(checksums_path(self._path).name)
        new = name + b".new"
        try:
            folder = self._effects.open(self._path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            try:
                with suppress(FileNotFoundError):
                    self._effects.unlink(new, dir_fd=folder)
                flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
                fd = self._effects.open(new, flags, 0o600, dir_fd=folder)
                page_bytes = int(self._connection.execute("PRAGMA page_size").fetchone()[0])
                self._use(fd, Header(Kind.IN_USE, page_bytes, 0))
                assert self._checksums is not None
                self.attach(self._connection)
                _, logged, entered = self._effects.checkpoint(self._connection)
                if logged != entered:
                    self.give_up()  # somebody reads an older state of it: another time
                    return
                self._header = self._checksums.make(self._database, self._header)
                self._checksums.sync()
                self._effects.rename(new, name, src_dir_fd=folder, dst_dir_fd=folder)
                self._effects.fsync(folder)
            finally:
                self._effects.close(folder)
        except (OSError, sqlite3.Error):
            self.give_up()

    def committed(self) -> None:
        """After each commit: enters the log into the database once it has grown."""
        if not self.is_on:
            return
        try:
            size_bytes = os.stat(f"{self._path}-wal").st_size
        except OSError:
            return
        if size_bytes >= self._next_bytes:
            self.flush()
            self._next_bytes = size_bytes + _LOG_BYTES  # more than that where a reader keeps it from being begun anew
        elif size_bytes < _LOG_BYTES:
            self._next_bytes = _LOG_BYTES

    def flush(self) -> bool:
        """The log is entered into the database, and the checksums follow. False where that cannot be now."""
        if self._checksums is None or self._connection is None:
            return False
        try:
            _, logged, entered = self._effects.checkpoint(self._connection)
            if entered > 0:
                pages = self._pages_of_log(entered)
                count = size_of(self._database) // self._header.page_bytes
                pages.update(range(self._header.pages + 1, count + 1))
                header = self._header._replace(pages=max(count, self._header.pages))
                if not self._checksums.update(self._database, header, pages):
                    self.give_up()
                    return False
                self._header = header
                self._checksums.sync()
            return bool(logged == entered)
        except sqlite3.Error:
            return False  # the log stands as it did, and so do the checksums
        except OSError:
            self.give_up()
            return False

    def _pages_of_log(self, frames: int) -> set[int]:
        fd = self._effects.open(f"{self._path}-wal", os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
        try:
            return pages_of_frames(fd, self._effects, self._header.page_bytes, frames)
        finally:
            self._effects.close(fd)

    def sums(self, block: int) -> bytes | None:
        """Those of a block (pages.py), as of the last ``flush``. Raises ``OSError``."""
        return None if self._checksums is None else self._checksums.sums(block)

    @property
    def header(self) -> Header:
        return self._header

    def rest(self) -> None:
        """Before the connection is closed: the log goes, and the checksums say how the database is left."""
        if not self.is_on or self._connection is None:
            return
        try:
            if self._connection.in_transaction:
                self._connection.rollback()
            if not self.flush() or self._checksums is None:
                return
            if self._effects.set_journal_mode(self._connection, "DELETE") != "delete":
                return
            one = read_page_one(read_at(self._database, self._effects, 0, 100))
            if one.mode == JOURNAL_MODE:
                # Not synced: where a power cut loses it, the checksums are its own all the same.
                self._checksums.set_header(self._header._replace(kind=Kind.AT_REST, counter=one.counter))
        except sqlite3.Error:
            return  # somebody reads it: it is left as a run leaves it that is cut off
        except OSError:
            self.give_up()

    def give_up(self) -> None:
        """From here on there are no checksums, and SQLite looks after its log; the next night makes them anew."""
        self._checksums = None
        with suppress(OSError):
            forget(self._path, self._effects)
        if self._connection is not None:
            with suppress(sqlite3.Error):
                self._connection.execute("PRAGMA wal_autocheckpoint = 1000")

    def close(self) -> None:
        """After the connection was closed."""
        self._files.close()
