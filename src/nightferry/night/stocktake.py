"""Taking stock: a manifest is made to say what stands on the secondary, by looking there.

For a manifest that is older than the drive (taken from an earlier seal), or newer than a drive that lost writes, and
for an empty one: then every file is read.
Only the manifest is written to. What a row says and the copy bears out (size and date, or the target of a symlink) is
left as it is; what differs is read. What stands below ``retired/`` and no row knows of is entered as a version that
the run in its folder's name displaced, so that nothing there is lost or orphaned. What the records say of a night stays
as it is (manifest/stock.py): all that is found to be otherwise became so after the last night that they speak of.
"""

from __future__ import annotations

import errno
import os
import re
import stat as stat_module
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import NamedTuple

from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import ROOT_ID, Content, Entry
from nightferry.manifest.stock import Folder, Stock, taking
from nightferry.night.carry import in_copy, in_retired
from nightferry.night.context import COPY, RECORDS, RETIRED, Clock
from nightferry.tree.content import Buffers, ReadFailed, Stopped, hash_from_platter
from nightferry.tree.digests import Algorithm, by_id
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat, Xattrs, path_of_name, read_xattrs
from nightferry.tree.root import Root, join

_STAMP = re.compile(rb"(\d{6,9})-\d{4}-\d\d-\d\dT\d{6}Z")
# Names looked at between two transactions.
_CHUNK = 500


@dataclass
class Taken:
    """What taking stock came to."""

    read_files: int = 0
    read_bytes: int = 0
    entered: int = 0  # rows made or changed
    forgotten: int = 0  # rows of names that stand there no more
    held: int = 0  # versions below retired/ that no row knew of
    let_go: int = 0  # versions that a row held and that stand there no more
    unreadable: int = 0


class _Found(NamedTuple):
    name: bytes
    now: Stat
    then: Entry | None
    content: Content  # of a file: with a checksum only where it was read
    stat: Stat  # as the row is to have it
    xattrs: int | None
    is_same: bool  # the row stays as it is
    is_altered: bool = False  # the row's content, with other metadata


@dataclass
class Stocktaker:
    manifest: Manifest
    primary: Root | None  # None: it is not there
    secondary: Root
    effects: Effects
    clock: Clock
    algorithm: Algorithm
    direct: bool  # whether the secondary can be read past the page cache
    should_stop: Callable[[], bool]
    # It and the drive are of different moments (counters.py): then metadata is compared too, where the secondary keeps
    # all of it, and a retired version that is not there was never put there, or has expired.
    is_behind: bool = False
    keeps_metadata: bool = False

    def __post_init__(self) -> None:
        self.taken = Taken()
        self._buffers = Buffers()
        self._run = 0
        self._since = 0  # what this run or a later one wrote may be lost, or be more than is known
        self._recent: list[bytes] = []  # folders below retired/ of such runs

    def take(self, sealed_s: float | None = None, *, later: int = 0) -> Taken:
        """``sealed_s``: Unix time of the seal that the manifest comes from; None for an empty one. ``later``: how many
        runs at least came after it.

        Raises ``Stopped``, ``Failed``, and ``OSError`` where the secondary's own folders cannot be listed.
        """
        try:
            with taking(self.manifest) as stock:
                runs = self._runs()
                self._since = self.manifest.runs.last_sealing()
                self._recent = [name for number, name in self._stamps() if number >= self._since]
                with self.manifest.database.transaction():
                    dated = {number: stamp for number, stamp in runs.items() if _is_date(stamp)}
                    stock.enter_runs(dated, max([stock.recorded + later, *runs]), self.clock.now_s())
                    stock.distrust(sealed_s)
                self._run = stock.next_run
                if self.secondary.stat_or_none(COPY) is not None:
                    self._copy(stock)
                    stock.pair_moved()
                if self.secondary.stat_or_none(RETIRED) is not None:
                    self._retired(stock)
                    if self.is_behind:
                        self._let_go(stock)
        finally:
            self._buffers.close()
        return self.taken

    def _runs(self) -> dict[int, str]:
        found: dict[int, str] = {}
        for folder in (RETIRED, RECORDS + b"/reports"):
            if self.secondary.stat_or_none(folder) is None:
                continue
            for name in self.secondary.names(folder):
                stamp = _STAMP.match(name)
                if stamp is not None:
                    found[int(stamp[1])] = stamp[0].decode()
        return found

    # --- the copy

    def _copy(self, stock: Stock) -> None:
        root = self.manifest.entries.by_id(ROOT_ID)
        if root is None:
            stat, xattrs = self._folder_stat(b"", Stat.of(self.secondary.stat(COPY)))
            with self.manifest.database.transaction():
                self.manifest.entries.insert(0, b"", stat, Content(), xattrs, stock.first)
        else:
            now = Stat.of(self.secondary.stat(COPY))
            if self._known(b"", b"", now, root).is_altered or _dates_and_rights(now) != _dates_and_rights(root.stat):
                with self.manifest.database.transaction():
                    self.manifest.entries.set_dirty(ROOT_ID, dirty=True)
        stack: list[tuple[bytes, int]] = [(b"", ROOT_ID)]
        while stack:
            path, row_id = stack.pop()
            try:
                with self.effects.scandir(self.secondary.folder(in_copy(path))) as entries:
                    names = (os.fsencode(each.name) for each in entries)
                    while chunk := list(islice(names, _CHUNK)):
                        found = [each for name in chunk if (each := self._look(path, row_id, name)) is not None]
                        stack.extend(self._enter(stock, path, row_id, found))
            except OSError:
                if not path:
                    raise
                self.taken.unreadable += 1
                continue  # what the rows say of it stays
            with self.manifest.database.transaction():
                for row in stock.unseen(row_id):
                    stock.forget(row.id)
                    self.taken.forgotten += 1

    def _look(self, folder: bytes, row_id: int, name: bytes) -> _Found | None:
        """One name of the copy; None for what no copy holds, or what cannot be read and no row knows."""
        if self.should_stop():
            raise Stopped
        path = join(folder, name)
        then = self.manifest.entries.child(row_id, name)
        try:
            now = Stat.of(self.secondary.stat(in_copy(path)))
        except (OSError, KeyError):
            self.taken.unreadable += 1
            return None if then is None else _Found(name, then.stat, then, then.content, then.stat, None, True)
        content = Content()
        if now.kind is Kind.SYMLINK:
            content = Content(target=self.secondary.readlink(in_copy(path)))
        if then is not None and then.stat.kind is now.kind:
            if now.kind is Kind.FOLDER or (now.kind is Kind.SYMLINK and content == then.content):
                return self._known(path, name, now, then)
            if now.kind is Kind.FILE:
                same = looks_same(then.stat, now) and not self._may_differ(path, then)
                digest = None if same else self._hash(in_copy(path), then.content.algorithm)
                if same or digest is None or digest == then.content.digest:
                    return self._known(path, name, now, then)
        if now.kind is Kind.FILE:
            digest = self._hash(in_copy(path), self.algorithm.id)
            if digest is None:
                return None  # the night moves it out of the way, and copies the file again
            content = Content(self.algorithm.id, digest)
        stat, xattrs = self._as_on_primary(path, now, content)
        if self.is_behind and then is not None:
            stat = stat._replace(ctime_ns=0)  # one of the drives has another content under this date: read there, too
        return _Found(name, now, then, content, stat, xattrs, False)

    def _may_differ(self, path: bytes, then: Entry) -> bool:
        """Whether a file may have other content under the size and date of its row: what the last nights wrote.

        Of what the manifest does not know, the version that was displaced tells, which stands in ``retired/``.
        """
        if not self.is_behind:
            return False
        return then.since >= self._since or any(
            self.secondary.stat_or_none(in_retired(join(folder, path))) is not None for folder in self._recent
        )

    def _known(self, path: bytes, name: bytes, now: Stat, then: Entry) -> _Found:
        """What a row says and the drive bears out: as it is, or with the metadata that stands there."""
        if not self.is_behind or not self.keeps_metadata:
            return _Found(name, now, then, then.content, then.stat, None, True)
        present = self.manifest.entries.xattrs_row(self._xattrs(self.secondary, in_copy(path), now.kind))
        if _dates_and_rights(now) == _dates_and_rights(then.stat) and present == then.xattrs:
            return _Found(name, now, then, then.content, then.stat, None, True)
        # The next night finds that the primary has other metadata, and sets it.
        stat = now._replace(ctime_ns=0, inode=then.stat.inode, nlink=then.stat.nlink)
        return _Found(name, now, then, then.content, stat, present, True, True)

    def _enter(self, stock: Stock, path: bytes, row_id: int, found: list[_Found]) -> Iterator[tuple[bytes, int]]:
        now_s = int(self.clock.now_s())
        below = []
        entries = self.manifest.entries
        with self.manifest.database.transaction():
            for each in found:
                then, read_s = each.then, now_s if each.now.kind is Kind.FILE else None
                if then is not None and not each.is_same and then.stat.kind is not each.now.kind:
                    stock.forget(then.id)
                    then = None
                if then is None:
                    entry = entries.insert(
                        row_id, each.name, each.stat, each.content, each.xattrs, stock.first, None, read_s
                    )
                    if each.now.kind is Kind.FILE:
                        stock.appear(entry)
                else:
                    entry = then.id
                    if not each.is_same:
                        self.manifest.past.keep(entry, self._run, "changed", None)
                        entries.replace(entry, each.stat, each.content, each.xattrs, self._run, None, read_s)
                if each.is_altered and each.now.kind is not Kind.FOLDER:
                    self.manifest.past.keep(entry, self._run, "metadata", None)
                    entries.alter(entry, each.stat, each.xattrs, self._run)
                self.taken.entered += not each.is_same or each.is_altered
                stock.see(entry)
                if each.now.kind is Kind.FOLDER:
                    below.append((join(path, each.name), entry))
                    if each.is_altered or _dates_and_rights(each.now) != _dates_and_rights(each.stat):
                        # Names came and went there in a night that the manifest knows nothing of.
                        entries.set_dirty(entry, dirty=True)
        return iter(below)

    def _as_on_primary(self, path: bytes, now: Stat, content: Content) -> tuple[Stat, int | None]:
        """The metadata that the row gets: the primary's where its file is the same to all appearance.

        Where anything differs the row gets no time of change, so that the next night reads and compares that file.
        """
        if now.kind is Kind.FOLDER:
            return self._folder_stat(path, now)
        present = self._xattrs(self.secondary, in_copy(path), now.kind)
        try:
            primary = self._primary()
            there = Stat.of(primary.stat(path))
            same = there.kind is now.kind and (
                primary.readlink(path) == content.target if now.kind is Kind.SYMLINK else looks_same(there, now)
            )
        except (OSError, KeyError):
            same = False
        if not same:
            return now._replace(ctime_ns=0, inode=0), self.manifest.entries.xattrs_row(present)
        wanted = self._xattrs(primary, path, now.kind)
        if (there.mode, there.uid, there.gid, wanted) != (now.mode, now.uid, now.gid, present):
            return there._replace(ctime_ns=0), self.manifest.entries.xattrs_row(present)
        return there, self.manifest.entries.xattrs_row(wanted)

    def _folder_stat(self, path: bytes, now: Stat) -> tuple[Stat, int | None]:
        """What the next night sets it to in any case: the primary's, where it is there."""
        try:
            primary = self._primary()
            there = Stat.of(primary.stat(path))
            if there.kind is Kind.FOLDER:
                return there, self.manifest.entries.xattrs_row(self._xattrs(primary, path, Kind.FOLDER))
        except (OSError, KeyError):
            pass
        present = self._xattrs(self.secondary, in_copy(path), Kind.FOLDER)
        return now._replace(ctime_ns=0, inode=0), self.manifest.entries.xattrs_row(present)

    def _primary(self) -> Root:
        if self.primary is None:
            raise FileNotFoundError(errno.ENOENT, "the primary is not there")
        return self.primary

    def _xattrs(self, root: Root, path: bytes, kind: Kind) -> Xattrs:
        try:
            if kind is Kind.FOLDER:
                return read_xattrs(root.folder(path), self.effects)
            if kind is Kind.SYMLINK:
                return read_xattrs(path_of_name(*root.at(path)), self.effects)
            fd = root.open_to_read(path)
            try:
                return read_xattrs(fd, self.effects)
            finally:
                self.effects.close(fd)
        except OSError:
            return ()

    def _hash(self, path: bytes, algorithm: int | None) -> bytes | None:
        """None where it cannot be read. Raises ``Stopped``."""
        hasher = (self.algorithm if algorithm is None else by_id(algorithm)).new()
        try:
            folder_fd, name = self.secondary.at(path)
            read = hash_from_platter(
                folder_fd, name, hasher=hasher, effects=self.effects, buffers=self._buffers,
                should_stop=self.should_stop, progress=lambda size_bytes: None, direct=self.direct,
            )  # fmt: skip
        except (OSError, ReadFailed):
            self.taken.unreadable += 1
            return None
        self.taken.read_files += 1
        self.taken.read_bytes += read.read_bytes
        return read.digest

    # --- retired versions

    def _stamps(self) -> list[tuple[int, bytes]]:
        """Folders below ``retired/``, with the number of the run that each is of."""
        if self.secondary.stat_or_none(RETIRED) is None:
            return []
        return [(int(found[1]), name) for name in self.secondary.names(RETIRED) if (found := _STAMP.match(name))]

    def _retired(self, stock: Stock) -> None:
        """Oldest run first: each version ended those before it."""
        for number, name in sorted(self._stamps()):
            if stat_module.S_ISDIR(self.secondary.stat(in_retired(name)).st_mode):
                self._retired_by(stock, number, name)

    def _let_go(self, stock: Stock) -> None:
        """Versions said to be held and not there. Where a folder cannot be looked into, what the rows say stays."""

        def is_gone(held: bytes) -> bool:
            if self.should_stop():
                raise Stopped
            try:
                return self.secondary.stat_or_none(in_retired(held)) is None
            except OSError:
                self.taken.unreadable += 1
                return False

        self.taken.let_go = stock.let_go(is_gone, self._run)

    def _retired_by(self, stock: Stock, number: int, top: bytes) -> None:
        stack = [(top, stock.top(number))]
        while stack:
            path, folder = stack.pop()
            try:
                with self.effects.scandir(self.secondary.folder(in_retired(path))) as entries:
                    names = (os.fsencode(each.name) for each in entries)
                    while chunk := list(islice(names, _CHUNK)):
                        stack.extend(self._hold(stock, path, folder, chunk))
            except OSError:
                self.taken.unreadable += 1

    def _hold(self, stock: Stock, path: bytes, folder: Folder, names: list[bytes]) -> list[tuple[bytes, Folder]]:
        below: list[tuple[bytes, Folder]] = []
        looked: list[tuple[bytes, Stat, Content, int | None, int | None]] = []
        for name in names:
            if self.should_stop():
                raise Stopped
            held = join(path, name)
            try:
                if stock.is_held(held):
                    continue
                now = Stat.of(self.secondary.stat(in_retired(held)))
                if now.kind is Kind.FOLDER:
                    below.append((held, stock.folder(folder, name, now)))
                    continue
                content, read_s = Content(), None
                if now.kind is Kind.SYMLINK:
                    content = Content(target=self.secondary.readlink(in_retired(held)))
                else:
                    algorithm = stock.as_it_was(folder, name).algorithm or self.algorithm.id
                    digest = self._hash(in_retired(held), algorithm)
                    if digest is not None:
                        content, read_s = Content(algorithm, digest), int(self.clock.now_s())
                xattrs = self.manifest.entries.xattrs_row(self._xattrs(self.secondary, in_retired(held), now.kind))
            except (OSError, KeyError):
                self.taken.unreadable += 1
                continue
            looked.append((name, now, content, read_s, xattrs))
        with self.manifest.database.transaction():
            for name, now, content, read_s, xattrs in looked:
                stock.hold(folder, name, now, content, xattrs, join(path, name), read_s)
                self.taken.held += 1
        return below


def looks_same(one: Stat, other: Stat) -> bool:
    """Whether size and date agree, as far as the coarser of two file systems keeps dates.

    FAT keeps two seconds, exFAT ten milliseconds, NTFS 100 nanoseconds.
    """
    if one.size_bytes != other.size_bytes:
        return False
    apart_ns = abs(one.mtime_ns - other.mtime_ns)
    if one.mtime_ns % 10_000_000 == 0 or other.mtime_ns % 10_000_000 == 0:
        return apart_ns <= 2_000_000_000
    coarse = one.mtime_ns % 100 == 0 or other.mtime_ns % 100 == 0
    return apart_ns < 100 if coarse else apart_ns == 0


def _is_date(stamp: str) -> bool:
    from datetime import datetime

    try:
        return bool(datetime.strptime(stamp.partition("-")[2], "%Y-%m-%dT%H%M%SZ"))
    except ValueError:
        return False


def _dates_and_rights(stat: Stat) -> tuple[int, int, int, int]:
    return stat.mtime_ns, stat.mode, stat.uid, stat.gid
