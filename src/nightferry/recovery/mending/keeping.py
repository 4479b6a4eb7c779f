"""Before a command displaces content on the primary, it is kept in ``retired/`` on the secondary, durably."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from contextlib import suppress
from typing import NamedTuple

from nightferry.errors import Failed
from nightferry.manifest.records import Content, Entry, Intent
from nightferry.night.abilities import NO_ROOM_ERRORS
from nightferry.night.carry import free_in_retired, in_retired
from nightferry.night.context import STAGING
from nightferry.night.stage import stage_from_place
from nightferry.night.whereabouts import Place
from nightferry.recovery.mending.reading_around import read_around
from nightferry.recovery.opening import Opened
from nightferry.recovery.writing import Writable, open_to_write
from nightferry.tree.content import ReadFailed, copy_content, hash_content
from nightferry.tree.digests import by_id
from nightferry.tree.metadata import Stat, apply_to_open, read_xattrs
from nightferry.tree.root import join

_STAGED = join(STAGING, b"displaced")


class Seen(NamedTuple):
    """A file as it was when a person was shown it."""

    inode: int
    size_bytes: int
    mtime_ns: int
    ctime_ns: int

    @classmethod
    def of(cls, found: os.stat_result) -> Seen:
        return cls(found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns)

    def is_untouched(self, other: Seen) -> bool:
        """Whether it is the same file, to which nobody wrote; a name that it lost or got since moves its ctime only."""
        return self[:3] == other[:3]


class Keeper:
    """Content of the primary, kept as a retired version of the row under whose name it stands."""

    def __init__(self, opened: Opened, should_stop: Callable[[], bool]) -> None:
        self._opened, self._should_stop = opened, should_stop
        self._effects, self._buffers = opened.effects, opened.buffers
        self._writable: Writable | None = None
        self._last: tuple[Seen, Content] | None = None

    def secondary(self) -> Writable:
        """The secondary open to write, once. Raises ``Failed``, ``WrongDrive`` and ``Stopped``."""
        if self._writable is None:
            opened = self._opened
            self._writable = open_to_write(
                opened.settings, opened.manifest, opened.drives.secondary, opened.drives.secondary_mount,
                opened.effects, opened.buffers, self._should_stop, ask=False,
            )  # fmt: skip
        return self._writable

    def bring_back(self, held: bytes, stat: Stat, content: Content, xattrs: int | None, *, place: Place) -> None:
        """A retired version anew, as a file of its own, from a place that has its content. Raises ``Failed``."""
        writable, run = self.secondary(), self._opened.manifest.runs.last()
        assert run is not None
        stamp, _, path = held.partition(b"/")
        try:
            new = free_in_retired(writable.root, stamp.partition(b"~")[0], path)
            is_there = writable.root.stat_or_none(in_retired(held)) is not None
            done = stage_from_place(
                place, _STAGED, stat, content, self._opened.manifest.entries.xattrs(xattrs), writable.root,
                writable.barrier, self._buffers, self._should_stop,
            )  # fmt: skip
        except OSError as error:
            raise _no_place(error) from error
        if not done:
            raise Failed(f"It was right a moment ago, and cannot be read whole any more: {place.told}. Try again.")
        intent = Intent(
            "bring_back", held, staged=_STAGED, held=new, reason="decayed" if is_there else "missing", stat=stat,
            content=content, xattrs=xattrs,
        )  # fmt: skip
        self._commit(writable, intent, run.number)

    def _commit(self, writable: Writable, intent: Intent, run: int) -> None:
        self._writable = None  # should it be cut short, the next one finishes it first
        writable.commit([intent], run)
        self._writable = writable

    def keep(self, path: bytes, entry: Entry, algorithm: int, *, around: bool) -> tuple[Seen, Content]:
        """Keeps what stands at a path of the primary; returns the state in which it was read, and its content.

        ``around``: bad spots are read around. What was kept by a call before this one is not kept twice.

        Raises ``ReadFailed`` for the primary, ``Failed``, ``WrongDrive`` and ``Stopped``.
        """
        try:
            fd, found = self._opened.drives.primary.open_and_stat(path)
        except OSError as error:
            raise ReadFailed(error.errno, error.strerror) from error
        try:
            with suppress(OSError):
                # What a program has in memory of it is written: from then on, each store moves its times.
                self._effects.fsync(fd)
            seen = Seen.of(found)
            if self._last is None or not self._last[0].is_untouched(seen):
                self._last = seen, self._copy(fd, entry, Stat.of(found), algorithm, path, around=around)
            return seen, self._last[1]
        finally:
            self._effects.close(fd)

    def _copy(self, fd: int, entry: Entry, stat: Stat, algorithm: int, path: bytes, *, around: bool) -> Content:
        writable = self.secondary()
        root = writable.root
        try:
            out = root.create(_STAGED)
            try:
                content = self._fill(fd, out, stat, algorithm, around=around)
                if self._is_kept(entry, content, stat):
                    root.unlink(_STAGED)
                    writable.barrier.names_changed(STAGING)
                    return content
                xattrs = read_xattrs(fd, self._effects)
                apply_to_open(out, stat, xattrs, self._effects, fresh=True)
                writable.barrier.file_written(out)
            except BaseException:
                with suppress(OSError):
                    root.unlink(_STAGED)
                raise
            finally:
                self._effects.close(out)
            run = self._opened.manifest.runs.last()
            assert run is not None  # a pair without a night is not opened
            held = free_in_retired(root, run.stamp.encode(), path)
        except ReadFailed:
            raise
        except OSError as error:
            raise _no_place(error) from error
        row = self._opened.manifest.entries.xattrs_row(xattrs)
        intent = Intent(
            "displaced", held, entry.id, staged=_STAGED, held=held, reason="displaced", stat=stat, content=content,
            xattrs=row,
        )  # fmt: skip
        self._commit(writable, intent, run.number)
        return content

    def _fill(self, fd: int, out: int, stat: Stat, algorithm: int, *, around: bool) -> Content:
        hasher = by_id(algorithm).new()
        if around:
            read_around(fd, None, out, self._effects, self._should_stop, other_name="")
            _, digest = hash_content(
                out, hasher=hasher, effects=self._effects, buffers=self._buffers, should_stop=self._should_stop,
                progress=lambda size_bytes: None,
            )  # fmt: skip
            return Content(algorithm, digest)
        copied = copy_content(
            fd, out, size_bytes=stat.size_bytes, hasher=hasher, effects=self._effects, buffers=self._buffers,
            should_stop=self._should_stop, progress=lambda size_bytes: None,
        )  # fmt: skip
        return Content(algorithm, copied.digest)

    def _is_kept(self, entry: Entry, content: Content, stat: Stat) -> bool:
        for held in self._opened.manifest.past.displaced(entry.id, stat.inode, content):
            found = self._opened.drives.secondary.stat_or_none(in_retired(held))
            if found is not None and found.st_size == stat.size_bytes:
                return True
        return False


def _no_place(error: OSError) -> Failed:
    if error.errno in NO_ROOM_ERRORS or error.errno == errno.EFBIG:
        return Failed(
            "What is displaced is kept on the secondary first, and the secondary has no room for it: nothing was put"
            " back. Make room there, then give the same command again."
        )
    return Failed(
        "What is displaced is kept on the secondary first, and the secondary would not take it"
        f" ({error.strerror or error}): nothing was put back. See the system log for that drive."
    )
