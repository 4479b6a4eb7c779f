"""Seal: the manifest and the checksum lists go to the secondary, each replaced in one step.

Both say every name on the drive, so that nobody may read them but the user that runs the nights.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Collection

from nightferry.errors import Failed
from nightferry.manifest.checksums import LEFT_OUT_NAME, Format, format_of, left_out_line
from nightferry.manifest.pages import PageHasher
from nightferry.manifest.untrusted import find_fault, generation_of
from nightferry.night import sealed_pages
from nightferry.night.commit import drive_failed
from nightferry.night.context import RECORDS, STAGING, Interrupted, Night
from nightferry.night.failing import gone, where
from nightferry.night.sealed_pages import MANIFEST, PREVIOUS
from nightferry.tree.digests import XXH3_128, by_id
from nightferry.tree.durability import SyncFailed
from nightferry.tree.root import join
from nightferry.units import show_name

_BUFFER_BYTES = 1 << 20
# Which thorough check of the working manifest (`meta.checked_s`) the rows of a seal were checked after.
_CHECKED = "seal_checked_s"
_LIST_NAMES = (*(form.list_name for form in Format), LEFT_OUT_NAME)


# A night that is asked to stop still seals, within this time: else the records would not have what it did.
GRACE_S = 30.0


class _Grace:
    """Raises ``Interrupted`` once the night has been asked to stop and the time for sealing is over too."""

    def __init__(self, night: Night) -> None:
        self._night = night
        self._until_s = night.clock.monotonic_s() + GRACE_S

    def is_over(self) -> bool:
        return self._night.stop() and self._night.clock.monotonic_s() >= self._until_s

    def check(self) -> None:
        if self.is_over():
            raise Interrupted(self._night.stop.reason)


def lists_are_stale(night: Night) -> bool:
    """Whether anything in the copy changed since the checksum lists were written."""
    return night.manifest.database.meta("lists") != "written" or night.secondary.stat_or_none(MANIFEST) is None


def seal(night: Night) -> None:
    """Raises ``Failed`` where the secondary will not have it; the records sealed before then still stand."""
    night.manifest.set_generation(night.manifest.generation + 1)
    database = night.manifest.database
    grace = _Grace(night)
    lists = None
    try:
        if lists_are_stale(night) or _lists_are_damaged(night, grace):
            lists = _write_lists(night, grace)
        checked = _write_manifest(night, grace)
        night.barrier.wait()
        _remove_other_checksums(night)
    except (SyncFailed, OSError) as error:
        raise drive_failed(error) from error
    with database.transaction():
        # From here on the secondary has it: one that comes back with less was put back in time (`check_state`).
        database.set_meta("sealed", str(night.manifest.generation))
        database.set_meta(_CHECKED, checked)
        if lists is not None:
            database.set_meta("lists", "written")
            for name in _LIST_NAMES:
                database.set_meta(_list_key(name), lists.get(name, ""))
    database.forget_older()


def _write_manifest(night: Night, grace: _Grace) -> str:
    """Returns as of when its rows are known to be such as a night can write: ``meta.checked_s``."""
    root, database = night.secondary, night.manifest.database
    night.platter.forget()
    keep = _is_worth_keeping(night, grace)
    guard = database.pages if database.pages is not None and database.pages.flush() else None
    name, beside = night.staging_name(), night.staging_name()
    made = root.create(name)
    try:
        path = _path_of(night, made)
    finally:
        night.effects.close(made)
    night.manifest.copy_to(path)
    fd = root.open_to_read(name)
    try:
        night.effects.fsync(fd)
        sealed_pages.write(root, beside, night.manifest.generation, fd, guard)
    finally:
        night.effects.close(fd)
    night.platter.forget()
    if not sealed_pages.is_as_written(root, beside, _reader(night, grace, name)):
        raise Failed(
            "The manifest could not be sealed: it read back otherwise than it was written, so the one sealed before"
            " still stands on the secondary. Run the night again, which checks both. Where that happens again, check"
            " the secondary's cable and case, and the memory of this machine."
        )
    checked = _check_rows(night, path)
    root.rename(beside, sealed_pages.name_of(night.manifest.generation))
    if keep:
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
    return checked


def _reader(night: Night, grace: _Grace, name: bytes) -> sealed_pages.Read:
    """Reads a file of the secondary past every cache."""

    def read(hasher: PageHasher) -> bool:
        return night.platter.feed(night.secondary, name, hasher, grace.is_over)

    return read


def _is_worth_keeping(night: Night, grace: _Grace) -> bool:
    """Whether the manifest sealed last becomes the one before: not where it is damaged, since that one is sound."""
    root = night.secondary
    if root.stat_or_none(MANIFEST) is None:
        return False
    found = sealed_pages.check(root, MANIFEST, read=_reader(night, grace, MANIFEST))
    if found is not None:
        fault = found.fault
    else:  # sealed by a nightferry that left no checksums, or something else wrote to it
        fault = find_fault(f"/proc/self/fd/{root.fd}/{os.fsdecode(MANIFEST)}", night.effects)
    if fault is not None:
        night.note(
            f"The manifest that was sealed on the secondary before this night was damaged ({fault}), and was sealed"
            " anew from the one here; nothing is lost by it. See whether the secondary is sound."
        )
    return fault is None


def _check_rows(night: Night, path: str) -> str:
    """What a take-over would check, as often as the working manifest is checked whole (manifest_care.py)."""
    database = night.manifest.database
    checked = database.meta("checked_s") or ""
    if database.meta(_CHECKED) != checked:
        fault = find_fault(path, night.effects)
        if fault is not None:
            raise Failed(
                f"The manifest could not be sealed ({fault}): the one sealed before still stands on the secondary, and"
                f" `nightferry pair {night.settings.name}` on a new box takes that one over. See whether the memory of"
                " this machine is sound."
            )
    return checked


def _remove_other_checksums(night: Night) -> None:
    """Once the new names are durable: those of seals that no longer stand there."""
    root = night.secondary
    standing = [generation_of(f"/proc/self/fd/{root.fd}/{os.fsdecode(name)}") for name in (MANIFEST, PREVIOUS)]
    if standing[1] is None and root.stat_or_none(PREVIOUS) is not None:
        return  # it does not say which are its own
    wanted = {sealed_pages.name_of(number) for number in standing if number is not None}
    for name in sealed_pages.names(root):
        if name not in wanted:
            root.unlink(name)
            night.barrier.names_changed(RECORDS)


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


def _list_key(name: bytes) -> str:
    return f"list {name.decode()}"


def _lists_are_damaged(night: Night, grace: _Grace) -> bool:
    """Whether a list that ought to be as it was written is not: it is written anew then."""
    database = night.manifest.database
    for name in _LIST_NAMES:
        wanted = database.meta(_list_key(name))
        if wanted is None:
            return True  # written by a nightferry that did not note what it wrote
        path = join(RECORDS, name)
        found = None
        if night.secondary.stat_or_none(path) is not None:
            found = night.platter.read(night.secondary, path, XXH3_128.id, grace.is_over)
        if ("" if found is None else found.digest.hex()) != wanted:
            night.note(
                f"The checksum list {show_name(path)} on the secondary was not as it was written, and was written anew;"
                " nothing is lost by it. See whether the secondary is sound, and whether somebody changed that file."
            )
            return True
    return False


def _write_lists(night: Night, grace: _Grace) -> dict[bytes, str]:
    """One list for each algorithm in use, and the names that a list's format cannot carry. Returns what was written:
    by name, the checksum in hex."""
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
        written = {}
        for each in [*lists.values(), left_out]:
            each.finish()
            if each.lines:
                written[each.name] = each.hasher.digest().hex()
        _remove_others(night, written.keys())
    finally:
        for each in [*lists.values(), left_out]:
            each.discard()
    return written


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


def _remove_others(night: Night, wanted: Collection[bytes]) -> None:
    for name in _LIST_NAMES:
        path = join(RECORDS, name)
        if name not in wanted and night.secondary.stat_or_none(path) is not None:
            night.secondary.unlink(path)
            night.barrier.names_changed(RECORDS)


class _List:
    """A text file written in ``staging/`` and then put in the place of the old one."""

    def __init__(self, night: Night, name: bytes) -> None:
        self.name = name
        self.lines = 0
        self.hasher = XXH3_128.new()
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
        self.hasher.update(self._buffer)
        view = memoryview(self._buffer)
        while view:
            view = view[self._night.effects.write(self._fd, view) :]
        self._buffer = bytearray()
