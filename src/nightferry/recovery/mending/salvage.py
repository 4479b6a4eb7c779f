"""Salvage: an unreadable file of the primary, read around its bad spots into a new file beside it.

Only on a person's word, never in a night: a failing drive should not be worked harder without need.
The file itself is not touched.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import NamedTuple

from nightferry.errors import Failed
from nightferry.night.carry import in_copy
from nightferry.recovery.mending.reading_around import Filled, read_around
from nightferry.recovery.mending.replacing import Folders, Replacer
from nightferry.recovery.opening import Opened
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Stat, apply_to_open
from nightferry.tree.root import join, split
from nightferry.volumes.card import MENDING_NAME

SUFFIX = b".salvaged"
_NAME_LIMIT_BYTES = 255


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
        self._replacer = Replacer(opened.drives.primary, opened.manifest, opened.effects)

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
            entry = self._manifest.entries.find(path)
            out = self._replacer.create(None if entry is None else entry.id, None, folders)
            try:
                found = self._read_around(path, out)
                self._dress(path, out)
                self._effects.fsync(out)
                self._primary.rename_unless_taken(MENDING_NAME, new)  # in one step: cut off, it has one name
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
            copy = self._open_copy(path)
            try:
                found = read_around(source, copy, out, effects, self._should_stop, other_name="copy")
                return Salvaged(b"", *found)
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
