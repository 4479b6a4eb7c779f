"""Salvage: an unreadable file of the primary, read around its bad spots into a new file beside it.

Only on a person's word, never in a night: a failing drive should not be worked harder without need.
The file itself is not touched.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from contextlib import suppress
from typing import NamedTuple

from nightferry.errors import Failed
from nightferry.night.carry import in_copy
from nightferry.recovery.mend import Folders
from nightferry.recovery.opening import Opened
from nightferry.tree.content import Stopped
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Stat, apply_to_open
from nightferry.tree.root import join, split
from nightferry.volumes.card import MENDING_NAME

SUFFIX = b".salvaged"
_NAME_LIMIT_BYTES = 255
# What a drive gives or refuses as one: the sector of today's drives, and the page of the kernel.
BLOCK_BYTES = 4096
_RUN_BYTES = 1 << 20
# A file whose bad spots are more than that is not worth the list.
RANGES_LIMIT = 10_000


class Filled(NamedTuple):
    """A range of bytes that the primary did not give, and what stands there now."""

    start: int
    end: int
    filled_from: str  # copy, zeros


class Salvaged(NamedTuple):
    path: bytes  # of the new file, below the primary
    size_bytes: int
    filled: list[Filled]


class Salvager:
    """The primary of ``opened`` must be open for writing."""

    def __init__(self, opened: Opened, should_stop: Callable[[], bool]) -> None:
        self._primary, self._secondary = opened.drives.primary, opened.drives.secondary
        self._effects: Effects = opened.effects
        self._manifest, self._should_stop = opened.manifest, should_stop

    def salvage(self, path: bytes) -> Salvaged:
        """Reads what can be read of a file, and writes it beside it under its name with ".salvaged".

        Raises ``Failed`` where such a file is there already or nothing can be written, and ``Stopped``.
        """
        folder, name = split(path)
        new = join(folder, name[: _NAME_LIMIT_BYTES - len(SUFFIX)] + SUFFIX)
        folders = Folders(self._primary, self._effects)
        try:
            if self._primary.stat_or_none(new) is not None:
                raise Failed("There is a salvaged file beside it already: move it away, then salvage again.")
            folders.remember(b"")
            if self._primary.stat_or_none(MENDING_NAME) is not None:
                self._primary.unlink(MENDING_NAME)
            out = self._primary.create(MENDING_NAME)
            try:
                found = self._read_around(path, out)
                self._dress(path, out)
                self._effects.fsync(out)
                self._name(new)
            except BaseException:
                with suppress(OSError):
                    self._primary.unlink(MENDING_NAME)
                raise
            finally:
                self._effects.close(out)
                if folder:
                    folders.put_back()
            self._effects.fsync(self._primary.folder(folder))
        except OSError as error:
            raise Failed(
                f"It could not be salvaged ({error.strerror or error}): see that the primary has room and that you may"
                " write there. The file itself is as it was."
            ) from error
        return found._replace(path=new)

    def _name(self, new: bytes) -> None:
        """Never over something else: a link fails where the name is taken."""
        try:
            self._primary.link(MENDING_NAME, new)
        except OSError as error:
            if error.errno not in (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK):
                raise
            self._primary.rename(MENDING_NAME, new)  # no links here; the name was free a moment ago
        else:
            self._primary.unlink(MENDING_NAME)

    def _dress(self, path: bytes, out: int) -> None:
        """The metadata of the file, as far as the manifest knows it."""
        entry = self._manifest.entries.find(path)
        stat = Stat.of(self._primary.stat(path)) if entry is None else entry.stat
        xattrs = () if entry is None else self._manifest.entries.xattrs(entry.xattrs)
        apply_to_open(out, stat, xattrs, self._effects, fresh=True)

    def _read_around(self, path: bytes, out: int) -> Salvaged:
        effects = self._effects
        source = self._primary.open_to_read(path)
        try:
            with suppress(OSError):
                effects.posix_fadvise(source, 0, 0, os.POSIX_FADV_RANDOM)  # no reading ahead into a bad spot
            copy = self._open_copy(path)
            try:
                size_bytes = effects.fstat(source).st_size
                filled: list[Filled] = []
                for at in range(0, size_bytes, _RUN_BYTES):
                    if self._should_stop():
                        raise Stopped
                    self._one_run(source, copy, out, at, min(_RUN_BYTES, size_bytes - at), filled)
                effects.ftruncate(out, size_bytes)
                return Salvaged(b"", size_bytes, filled)
            finally:
                if copy is not None:
                    effects.close(copy)
        finally:
            effects.close(source)

    def _open_copy(self, path: bytes) -> int | None:
        try:
            return self._secondary.open_to_read(in_copy(path))
        except OSError:
            return None

    def _one_run(self, source: int, copy: int | None, out: int, at: int, size: int, filled: list[Filled]) -> None:
        whole = self._read(source, at, size)
        if whole is not None:
            self._write(out, whole, at)
            return
        for start in range(at, at + size, BLOCK_BYTES):
            length = min(BLOCK_BYTES, at + size - start)
            block = self._read(source, start, length)
            if block is None:
                block = None if copy is None else self._read(copy, start, length)
                self._note(filled, Filled(start, start + length, "zeros" if block is None else "copy"))
            if block is not None:
                self._write(out, block, start)

    def _note(self, filled: list[Filled], new: Filled) -> None:
        last = filled[-1] if filled else None
        if last is not None and (last.end, last.filled_from) == (new.start, new.filled_from):
            filled[-1] = last._replace(end=new.end)
        elif len(filled) >= RANGES_LIMIT:
            raise Failed("It has more bad spots than a file worth salvaging: nothing was written.")
        else:
            filled.append(new)

    def _read(self, fd: int, at: int, size: int) -> bytes | None:
        """All bytes asked for; None where one of them cannot be read, or the file ends before."""
        buffer = memoryview(bytearray(size))
        got = 0
        try:
            while got < size:
                count = self._effects.preadv(fd, [buffer[got:]], at + got)
                if count == 0:
                    return None
                got += count
        except OSError:
            return None
        return bytes(buffer)

    def _write(self, out: int, data: bytes, at: int) -> None:
        if not any(data):
            return  # a hole: the file gets its size at the end
        view = memoryview(data)
        while view:
            count = self._effects.pwrite(out, view, at)
            view, at = view[count:], at + count
