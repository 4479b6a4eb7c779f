"""One name of the primary replaced, and nothing displaced but what a person was shown.

The new file waits beside the card and changes places with the old one in one step; then what came out is looked at.
Where that is not what was shown, since somebody saved the file at that instant, it goes back. Where a file system
cannot exchange names, the old one is taken away first and looked at, and the name is given only while nobody has it.

What waits there is noted in the manifest: a call after a crash tells a half-written file from what was displaced.
"""

from __future__ import annotations

import errno
import json
import os
from contextlib import suppress
from typing import NamedTuple

from nightferry.errors import Failed
from nightferry.manifest.manifest import Manifest
from nightferry.recovery.mending.keeping import Seen
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Stat
from nightferry.tree.root import Root, split
from nightferry.volumes.card import DISPLACED_NAME, MENDING_NAME

_KEY = "mending"
_NO_EXCHANGE = frozenset({errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP})
_TURNS_LIMIT = 100


class MovedError(Exception):
    """Somebody changed the file since it was shown. It is left as it is."""


class _Noted(NamedTuple):
    """``entry``: the row of the name. ``ours``: the inode of what was made. ``shown``: what it is to displace."""

    entry: int
    ours: int
    shown: Seen | None


class Folders:
    """Folders of the primary in which names change: their times are put back, since nobody changed what they hold."""

    def __init__(self, primary: Root, effects: Effects) -> None:
        self._primary, self._effects = primary, effects
        self._before: dict[bytes, os.stat_result] = {}

    def remember(self, path: bytes) -> None:
        """Before a name in the folder changes."""
        if path not in self._before:
            self._before[path] = self._effects.fstat(self._primary.folder(path))

    def put_back(self) -> None:
        """Also makes the changed names durable. Raises ``OSError``."""
        for path, before in self._before.items():
            fd = self._primary.folder(path)
            with suppress(PermissionError):  # for the owner only
                self._effects.utime(fd, ns=(before.st_atime_ns, before.st_mtime_ns))
            self._effects.fsync(fd)

    def before(self, path: bytes) -> Stat:
        """How a folder was before."""
        return Stat.of(self._before[path])

    @property
    def paths(self) -> list[bytes]:
        return list(self._before)


class Replacer:
    """All methods raise ``OSError`` where the primary refuses."""

    def __init__(self, primary: Root, manifest: Manifest, effects: Effects) -> None:
        self._primary, self._manifest, self._effects = primary, manifest, effects

    # --- what waits

    def create(self, entry: int | None, shown: Seen | None, folders: Folders) -> int:
        """A new file beside the card, open to write. ``shown``: what it is to displace, and is kept elsewhere."""
        self.clear(folders)
        folders.remember(b"")  # a name there is about to come and to go
        out = self._primary.create(MENDING_NAME)
        try:
            self._note(_Noted(entry or 0, self._effects.fstat(out).st_ino, shown))
        except BaseException:
            self._effects.close(out)
            raise
        return out

    def link(self, existing: bytes, entry: int, shown: Seen, folders: Folders) -> None:
        """Another name of a file of the primary, beside the card."""
        self.clear(folders)
        folders.remember(b"")
        self._note(_Noted(entry, self._primary.stat(existing).st_ino, shown))
        self._primary.link(existing, MENDING_NAME)

    def _note(self, noted: _Noted) -> None:
        with self._manifest.database.transaction():
            self._manifest.database.set_meta(_KEY, json.dumps(noted))

    # --- the name

    def put(self, path: bytes, shown: Seen, folders: Folders) -> Seen:
        """Gives what waits the name of what was shown, which goes; returns the state of the new file.

        Raises ``MovedError`` where something else stood there, which then stands there still.
        """
        folders.remember(split(path)[0])
        new = self._seen(MENDING_NAME)
        assert new is not None
        if self._seen(path) != shown:
            self._primary.unlink(MENDING_NAME)
            raise MovedError
        try:
            self._primary.exchange(MENDING_NAME, path)
        except OSError as error:
            if error.errno not in _NO_EXCHANGE:
                raise
            self._take_and_name(path, shown)
            return new
        found = self._seen(MENDING_NAME)
        if found is None or not shown.is_untouched(found):
            self._give_back(path, new.inode)
            raise MovedError
        self._primary.unlink(MENDING_NAME)
        return new

    def _give_back(self, path: bytes, ours: int) -> None:
        """What others put there last has the name when this returns, however often they do so meanwhile."""
        replaced = {ours}
        for _ in range(_TURNS_LIMIT):
            self._primary.exchange(MENDING_NAME, path)
            left = self._primary.stat(MENDING_NAME).st_ino
            if left in replaced:
                self._primary.unlink(MENDING_NAME)
                return
            replaced.add(self._primary.stat(path).st_ino)

    def _take_and_name(self, path: bytes, shown: Seen) -> None:
        self._primary.rename_unless_taken(path, DISPLACED_NAME)
        found = self._seen(DISPLACED_NAME)
        is_shown = found is not None and shown.is_untouched(found)
        try:
            self._primary.rename_unless_taken(MENDING_NAME if is_shown else DISPLACED_NAME, path)
        except FileExistsError:
            is_shown = False  # somebody saved it at that instant, over what was taken away
        for name in (DISPLACED_NAME, MENDING_NAME):
            if self._primary.stat_or_none(name) is not None:
                self._primary.unlink(name)
        if not is_shown:
            raise MovedError

    def _seen(self, path: bytes) -> Seen | None:
        found = self._primary.stat_or_none(path)
        return None if found is None else Seen.of(found)

    # --- after a crash

    def clear(self, folders: Folders) -> None:
        """The names beside the card are free: what a call that was cut off left there goes, or goes back.

        Raises ``Failed`` where something stands there of which nothing is known.
        """
        noted = self._noted()
        if self._primary.stat_or_none(DISPLACED_NAME) is not None:
            self._clear_displaced(noted, folders)
        found = self._seen(MENDING_NAME)
        if found is None:
            return
        folders.remember(b"")
        is_known = noted is not None and (
            found.inode == noted.ours or (noted.shown is not None and noted.shown.is_untouched(found))
        )
        if is_known or not found.size_bytes:  # an empty one may have been made before it was noted
            self._primary.unlink(MENDING_NAME)
            return
        path = None if noted is None else self._path(noted.entry)
        now = None if path is None else self._seen(path)
        if noted is None or path is None or now is None or now.inode != noted.ours:
            raise _unknown(MENDING_NAME)
        folders.remember(split(path)[0])
        self._give_back(path, noted.ours)

    def _clear_displaced(self, noted: _Noted | None, folders: Folders) -> None:
        folders.remember(b"")
        path = None if noted is None else self._path(noted.entry)
        if noted is None or path is None:
            raise _unknown(DISPLACED_NAME)
        if self._primary.stat_or_none(path) is None:
            folders.remember(split(path)[0])
            self._primary.rename_unless_taken(DISPLACED_NAME, path)
            return
        found = self._seen(DISPLACED_NAME)
        if found is None or noted.shown is None or not noted.shown.is_untouched(found):
            raise _unknown(DISPLACED_NAME)
        self._primary.unlink(DISPLACED_NAME)

    def _path(self, entry: int) -> bytes | None:
        try:
            return self._manifest.entries.path(entry)
        except KeyError:
            return None

    def _noted(self) -> _Noted | None:
        try:
            entry, ours, shown = json.loads(self._manifest.database.meta(_KEY) or "")
            return _Noted(entry, ours, None if shown is None else Seen(*shown))
        except (ValueError, TypeError):
            return None


def _unknown(name: bytes) -> Failed:
    return Failed(
        f"At the top of the primary stands {name.decode()}, which a call that was cut off may have left, and nothing is"
        " known of it any more: look at what it holds, and move it to where it belongs, or delete it. Nothing was"
        " changed."
    )
