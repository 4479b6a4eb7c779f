"""The room on the secondary that copies may use: without what is kept free, and what sealing needs."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from nightferry.manifest.plan import Item, Step
from nightferry.night.context import Night
from nightferry.night.expire import expire
from nightferry.planning.room import Fit, Need, fit, records_bytes
from nightferry.units import format_size
from nightferry.volumes.filesystem import Room, room

# Files that a night writes beside the copy: those by which it tries out the drive, the manifest, the lists,
# the reports, and the folders for what it retires.
RECORDS_FILES = 64
# Room is asked of the file system again after so many bytes were written.
ROOM_EVERY_BYTES = 256 << 20


class RoomLeft:
    """Counts down what copies take up, so that the file system is asked now and then and not for each."""

    def __init__(self, night: Night, waiting: Callable[[], Iterable[Item]] = tuple) -> None:
        """``waiting``: those whose room was set aside and that may not be written yet: they count as to come."""
        self._night, self._waiting = night, waiting
        self._bytes = 0
        self._files: int | None = None
        self._since_asked_bytes = ROOM_EVERY_BYTES

    def ask_again(self) -> None:
        """Before the next file, since the secondary refused one."""
        self._since_asked_bytes = ROOM_EVERY_BYTES

    def takes(self, item: Item) -> bool:
        """Whether there is room for it, which is set aside then. Raises ``OSError``."""
        needed = self._needed_bytes(item)
        if self._since_asked_bytes + needed >= ROOM_EVERY_BYTES:
            found = usable_room(self._night)
            to_come = [self._needed_bytes(each) for each in self._waiting()]
            self._bytes = found.free_bytes - sum(to_come)
            self._files = None if found.free_inodes is None else max(0, found.free_inodes - len(to_come))
            self._since_asked_bytes = 0
        if (needed and needed > self._bytes) or self._files == 0:
            return False
        if self._files is not None:
            self._files -= 1
        self._bytes -= needed
        self._since_asked_bytes += needed
        return True

    def _needed_bytes(self, item: Item) -> int:
        if not self._night.capabilities.sparse:
            return item.stat.size_bytes
        return min(item.stat.size_bytes, item.stat.allocated_bytes + 4096)


def usable_room(night: Night) -> Room:
    """May be negative in bytes, where less is free than has to stay so. Raises ``OSError``.

    A drive filled to the last block could not take the manifest that says what is on it.
    """
    found = room(night.secondary.fd, night.effects)
    reserved_bytes = max(night.settings.keep_free, _records_bytes(night))
    inodes = None if found.free_inodes is None else max(0, found.free_inodes - RECORDS_FILES)
    return replace(found, free_bytes=found.free_bytes - reserved_bytes, free_inodes=inodes)


def make_room(night: Night, *, held: bool, may_expire: bool) -> bool:
    """Whether tonight's copies fit, after the oldest retired versions went for them as far as they may."""
    need = _need(night, held=held)
    found = _fit(night, need)
    bytes_wanted, files_wanted = _wanted(night, need, found)
    if (bytes_wanted or files_wanted) and may_expire:
        night.progress.phase("expire")
        expire(night, is_open=True, bytes_wanted=bytes_wanted, files_wanted=files_wanted)
        found = _fit(night, need)
    if not found.fits:
        missing = (
            f"{format_size(found.missing_bytes)} more than the secondary has free above keep_free"
            if found.missing_bytes
            else "more files than the secondary has free inodes"
        )
        night.note(
            f"Not everything fits: tonight's copies need {missing}. The smallest files are copied first, so that as"
            " many as possible are safe. Give the secondary more room, or lower keep_free or keep_retired."
        )
    return found.fits


def _wanted(night: Night, need: Need, found: Fit) -> tuple[int, int]:
    """Bytes and inodes that have to come free: for tonight's copies, and for the records, without which no night ends.

    Somebody else may have filled the drive, also on a night with nothing to copy.
    """
    free = room(night.secondary.fd, night.effects)
    records = max(0, _records_bytes(night) - free.free_bytes)
    inodes = 0 if free.free_inodes is None else max(0, need.files + RECORDS_FILES - free.free_inodes)
    return max(found.missing_bytes, records), inodes


def _records_bytes(night: Night) -> int:
    manifest_bytes, entries = night.manifest.size()
    return records_bytes(manifest_bytes, max(entries, night.plan.names()))


def _need(night: Night, *, held: bool) -> Need:
    block_bytes = night.effects.fstatvfs(night.secondary.fd).f_bsize or 4096
    totals = night.plan.totals(block_bytes, sparse=night.capabilities.sparse)
    steps = (Step.ADDED,) if held else (Step.ADDED, Step.TOUCHED, Step.RETYPED)
    found = [totals.get(step, (0, 0, 0)) for step in steps]
    return Need(sum(each[0] for each in found), sum(each[2] for each in found))


def _fit(night: Night, need: Need) -> Fit:
    found = usable_room(night)
    return fit(need, free_bytes=found.free_bytes, free_inodes=found.free_inodes, keep_free_bytes=0)
