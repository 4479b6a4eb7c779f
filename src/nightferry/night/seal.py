"""Seal: the manifest and the checksum lists go to the secondary, each replaced in one step.

Both say every name on the drive, so that nobody may read them but the user that runs the nights.
"""

from __future__ import annotations

import errno
import os

from nightferry.manifest.checksums import LEFT_OUT_NAME, Format, format_of, left_out_line
from nightferry.manifest.manifest import FILE_NAME
from nightferry.night.commit import drive_failed
from nightferry.night.context import RECORDS, STAGING, Interrupted, Night
from nightferry.night.failing import gone, where
from nightferry.tree.digests import by_id
from nightferry.tree.durability import SyncFailed
from nightferry.tree.root import join

MANIFEST = RECORDS + b"/" + FILE_NAME.encode()
PREVIOUS = RECORDS + b"/manifest.previous.sqlite3"

_BUFFER_BYTES = 1 << 20


# A night that is asked to stop still seals, within this time: else the records would not have what it did.
GRACE_S = 30.0


class _Grace:
    """Raises ``Interrupted`` once the night has been asked to stop and the time for sealing is over too."""

    def __init__(self, night: Night) -> None:
        self._night = night
        self._until_s = night.clock.monotonic_s() + GRACE_S

    def check(self) -> None:
        if self._night.stop() and self._night.clock.monotonic_s() >= self._until_s:
            raise Interrupted(self._night.stop.reason)


def lists_are_stale(night: Night) -> bool:
    """Whether anything in the copy changed since the checksum lists were written."""
    return night.manifest.database.meta("lists") != "written" or night.secondary.stat_or_none(MANIFEST) is None


def seal(night: Night) -> None:
    """Raises ``Failed`` where the secondary will not have it; the records sealed before then still stand."""
    night.manifest.set_generation(night.manifest.generation + 1)
    database = night.manifest.database
    stale = lists_are_stale(night)
    try:
        if stale:
            _write_lists(night, _Grace(night))
        _write_manifest(night)
        night.barrier.wait()
    except (SyncFailed, OSError) as error:
        raise drive_failed(error) from error
    with database.transaction():
        # From here on the secondary has it: one that comes back with less was put back in time (`check_state`).
        database.set_meta("sealed", str(night.manifest.generation))
        if stale:
            database.set_meta("lists", "written")
    database.forget_older()


def _write_manifest(night: Night) -> None:
    root = night.secondary
    name = night.staging_name()
    made = root.create(name)
    try:
        path = _path_of(night, made)
    finally:
        night.effects.close(made)
    night.manifest.copy_to(path)
    fd = root.open_to_read(name)
    try:
        night.effects.fsync(fd)
    finally:
        night.effects.close(fd)
    if root.stat_or_none(MANIFEST) is not None:
        if night.capabilities.hard_links:
            other = night.staging_name()
            root.link(MANIFEST, other)
            root.rename(other, PREVIOUS)
            if root.stat_or_none(other) is not None:
                root.unlink(other)  # both were one file already, after a crash: then rename(2) does nothing
        else:
            root.rename(MANIFEST, PREVIOUS)
    root.rename(name, MANIFEST)
    night.barrier.names_changed(RECORDS)
    night.barrier.names_changed(STAGING)


def _path_of(night: Night, fd: int) -> str:
    """The path of a file of the secondary, for SQLite, which takes nothing else.

    Not through /proc/self/fd: SQLite resolves that to a path itself, and where the drive was unmounted meanwhile, or
    something else mounted over it, that path leads elsewhere. Raises ``AbsentDrive`` then.
    """
    path = os.readlink(f"/proc/self/fd/{fd}")
    wanted = night.effects.fstat(fd)
    try:
        found = night.effects.stat(path, follow_symlinks=False)
    except OSError:
        found = None
    if found is None or (found.st_dev, found.st_ino) != (wanted.st_dev, wanted.st_ino):
        raise gone("secondary", where(night, "secondary"), OSError(errno.ENOENT, "it is mounted there no more"))
    return path


# --- checksum lists


def _write_lists(night: Night, grace: _Grace) -> None:
    """One list for each algorithm in use, and the names that a list's format cannot carry."""
    lists: dict[int, _List] = {}
    left_out = _List(night, LEFT_OUT_NAME)
    try:
        for folder, files in night.manifest.entries.digests():
            grace.check()
            for algorithm in {each[1] for each in files}:
                form = format_of(by_id(algorithm).name)
                if algorithm not in lists:
                    lists[algorithm] = _List(night, form.list_name)
                _write_folder(
                    form, folder, [(name, digest) for name, its, digest in files if its == algorithm],
                    lists[algorithm], left_out,
                )  # fmt: skip
        wanted = set()
        for each in [*lists.values(), left_out]:
            each.finish()
            if each.lines:
                wanted.add(each.name)
        _remove_others(night, wanted)
    finally:
        for each in [*lists.values(), left_out]:
            each.discard()


def _write_folder(
    form: Format, folder: bytes, files: list[tuple[bytes, bytes]], to: _List, left_out: _List
) -> None:  # fmt: skip
    """Files of one folder and one algorithm."""
    together = form.lines(folder, files)
    if together is not None:
        to.write(together, len(files))
        return
    for name, digest in files:
        path = join(folder, name)
        line = form.line(path, digest)
        if line is None:
            left_out.write(left_out_line(path, form.algorithm, digest))
        else:
            to.write(line)


def _remove_others(night: Night, wanted: set[bytes]) -> None:
    for name in (*(form.list_name for form in Format), LEFT_OUT_NAME):
        path = join(RECORDS, name)
        if name not in wanted and night.secondary.stat_or_none(path) is not None:
            night.secondary.unlink(path)
            night.barrier.names_changed(RECORDS)


class _List:
    """A text file written in ``staging/`` and then put in the place of the old one."""

    def __init__(self, night: Night, name: bytes) -> None:
        self.name = name
        self.lines = 0
        self._night = night
        self._staged = night.staging_name()
        self._fd = night.secondary.create(self._staged)
        self._buffer = bytearray()

    def write(self, text: bytes, lines: int = 1) -> None:
        self.lines += lines
        self._buffer += text
        if len(self._buffer) >= _BUFFER_BYTES:
            self._flush()

    def finish(self) -> None:
        self._flush()
        effects = self._night.effects
        if self.lines:
            effects.fsync(self._fd)
        effects.close(self._fd)
        self._fd = -1
        if self.lines:
            self._night.secondary.rename(self._staged, join(RECORDS, self.name))
        else:
            self._night.secondary.unlink(self._staged)
        self._night.barrier.names_changed(RECORDS)
        self._night.barrier.names_changed(STAGING)

    def discard(self) -> None:
        """Where the list was not finished: what is left in ``staging/`` the next start removes."""
        if self._fd >= 0:
            self._night.effects.close(self._fd)
            self._fd = -1

    def _flush(self) -> None:
        view = memoryview(self._buffer)
        while view:
            view = view[self._night.effects.write(self._fd, view) :]
        self._buffer = bytearray()
