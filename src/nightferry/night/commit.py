"""The commit protocol: from staged files to names and a manifest that says so.

    stage → journal → keep the old → BARRIER → name → BARRIER → settle

1. The caller has written the new files into ``staging/``, not yet synced.
2. The intents are made durable in the journal.
3. Old versions get their second name below ``retired/``; the secondary gets the batch's number (counters.py).
4. The first barrier: new content, old names and that number are durable.
5. Names change in the copy.
6. The second barrier: the names are durable.
7. The manifest takes over the results and empties the journal, in one transaction.

A crash before 4 leaves staged files of unknown content: the checksum in the journal tells. A
crash after it leaves names of which each is old or new. ``reconcile`` finishes either.
"""

from __future__ import annotations

import errno
from typing import NamedTuple

from nightferry.errors import AbsentDrive, Failed, NightferryError
from nightferry.manifest.journal import changes_drive
from nightferry.manifest.plan import Item
from nightferry.manifest.records import Intent
from nightferry.night import counters
from nightferry.night.carry import Carrier, in_copy, in_retired
from nightferry.night.context import NO_ROOM, UNLISTED, UNSUPPORTED, Night
from nightferry.planning.drive_health import DRIVE_ERRORS, GONE
from nightferry.tree.durability import SyncFailed
from nightferry.tree.root import split

# What one batch may hold: enough that barriers are rare, little enough that a crash costs little, and 10 MiB of memory.
BATCH_INTENTS_LIMIT = 5_000
BATCH_BYTES_LIMIT = 1 << 30

_NO_ROOM = {errno.ENOSPC, errno.EDQUOT}
_NOT_EMPTY = {errno.ENOTEMPTY, errno.EEXIST}
SAME_NAME = "on the secondary it has the same name as another file (upper and lower case)"
_NAME_REFUSED = {errno.EINVAL, errno.EILSEQ, errno.ENAMETOOLONG}
# A file system says so that met something of its own that cannot be: a wrong checksum, a name of a deleted file.
_DAMAGED = {errno.EUCLEAN, errno.EBADMSG}
_DAMAGED_NOTE = (
    "The secondary's file system is damaged: names in it lead to deleted files, or a checksum of its own is wrong."
    " Unmount that drive and have it checked by the file system's own tool (e2fsck, xfs_repair, btrfs check), then run"
    " a night, which copies again what is missing by then. A drive that had lost what it had called durable when the"
    " power went leaves that behind: look at the drive, its case and its cable."
)


class Pending(NamedTuple):
    intent: Intent
    item: Item | None = None
    copied: bool = False  # new bytes, to be read back
    size_bytes: int = 0  # expire: what goes with it


class Batch:
    """Intents that go through the protocol together."""

    def __init__(self, night: Night) -> None:
        self._night = night
        self._carrier = Carrier(night.secondary, night.barrier, night.capabilities)
        self.pending: list[Pending] = []
        self._size_bytes = 0

    def __len__(self) -> int:
        return len(self.pending)

    def add(self, pending: Pending, size_bytes: int = 0) -> None:
        self.pending.append(pending)
        self._size_bytes += size_bytes

    @property
    def full(self) -> bool:
        return self.would_be_full(0, 0)

    def would_be_full(self, intents: int, size_bytes: int) -> bool:
        """With so many more, and so much more content."""
        return len(self.pending) + intents >= BATCH_INTENTS_LIMIT or self._size_bytes + size_bytes >= BATCH_BYTES_LIMIT

    def commit(self) -> list[Pending]:
        """Carries all out; returns those that were. What the secondary refused is named in the report.

        Raises ``SyncFailed`` with everything withdrawn, where the new content could not be made
        durable: it has to be written again. Raises ``Failed`` where the drive gives up.
        """
        night, pending = self._night, self.pending
        self.pending, self._size_bytes = [], 0
        if not pending:
            return []
        night.manifest.journal.write([each.intent for each in pending], night.number)
        kept = []
        for each in pending:
            try:
                self._carrier.keep(each.intent)
                kept.append(each)
            except OSError as error:
                self._refused(each, error)
        try:
            if changes_drive(each.intent for each in pending):
                count_on_drive(night, done=0)
            night.barrier.wait()
        except SyncFailed:
            for each in kept:
                self._withdraw(each)
            night.manifest.journal.settle([], night.number)
            raise
        done = []
        for each in kept:
            try:
                self._carrier.carry_out(each.intent)
                done.append(each)
            except OSError as error:
                self._refused(each, error)
        try:
            if changes_drive(each.intent for each in done):
                count_on_drive(night, done=1)
            night.barrier.wait()
        except SyncFailed as error:
            raise drive_failed(error) from error
        night.manifest.journal.settle([each.intent for each in done], night.number)
        return done

    def commit_or_fail(self) -> list[Pending]:
        """As ``commit``, for what cannot be written again: a failed sync is the drive's end. Raises ``Failed``."""
        try:
            return self.commit()
        except SyncFailed as error:
            raise drive_failed(error) from error

    def _refused(self, each: Pending, error: OSError) -> None:
        if error.errno in DRIVE_ERRORS:
            raise drive_failed(error) from error
        if each.intent.action == "remove_folder" and error.errno in _NOT_EMPTY:
            return  # `retire` looks at what is left in it
        self._withdraw(each)
        leave_out_refused(self._night, each.intent.path, error)
        if each.intent.source is not None:
            self._night.plan.mark_incomplete(split(each.intent.source)[0])  # the old name stands there still

    def _withdraw(self, each: Pending) -> None:
        try:
            self._carrier.withdraw(each.intent)
        except OSError as error:
            raise drive_failed(error) from error


def count_on_drive(night: Night, done: int) -> None:
    """Writes how far the secondary has come; ``done``: changes that the next barrier makes durable.

    Raises ``SyncFailed``, and ``Failed`` or ``AbsentDrive`` where the drive fails.
    """
    here = night.manifest.journal.counters()
    try:
        counters.write(night.secondary, night.barrier, here._replace(done=here.done + done))
    except SyncFailed:
        raise
    except OSError as error:
        raise drive_failed(error) from error


def leave_out_refused(night: Night, path: bytes, error: OSError) -> None:
    """Names a file that the secondary would not take."""
    if error.errno in _NO_ROOM:
        night.leave_out(NO_ROOM, path, "the secondary is full")
    elif error.errno in _NAME_REFUSED:
        refuse(night, path, "the secondary's file system cannot hold this name")
    elif error.errno == errno.EEXIST and not night.capabilities.case_sensitive:
        refuse(night, path, SAME_NAME)
    elif error.errno in _DAMAGED or (error.errno == errno.ENOENT and _is_deleted(night, in_copy(path))):
        refuse(night, path, "the secondary's file system is damaged there")
        night.note(_DAMAGED_NOTE)
    else:
        refuse(night, path, f"the secondary refused it: {error.strerror}")


def _is_deleted(night: Night, path: bytes) -> bool:
    """Whether a name leads to a file without any: it gets no other name then (link(2) fails with ENOENT), and its
    content goes as soon as it is unmounted."""
    try:
        found = night.secondary.stat_or_none(path)
    except OSError as error:
        return error.errno in _DAMAGED
    return found is not None and found.st_nlink == 0


def refuse(night: Night, path: bytes, why: str) -> None:
    """A file that this secondary cannot take, while the primary can: the night is not complete."""
    if night.leave_out(UNSUPPORTED, path, why):
        night.tally.refused += 1
    night.plan.mark_incomplete(split(path)[0])


def drive_failed(error: OSError) -> NightferryError:
    if error.errno in GONE:
        return AbsentDrive(
            f"the secondary left while it was worked on ({error.strerror}): see the system log for that drive, check"
            " cable and power, mount it again; what was finished is safe, and the next run carries on from there",
            "secondary",
        )
    if error.errno in _NO_ROOM:
        return Failed(
            f"the secondary has no room for the records of this night ({error.strerror}): make room there, or raise"
            " keep_free; what was finished is safe, and the next run carries on from there"
        )
    return Failed(
        f"the secondary reports an error that is not about one file ({error.strerror or error}): see the system log"
        " for that drive, check cable and power; what was finished is safe, and the next run carries on from there"
    )


def free_held(night: Night, path: bytes) -> bytes:
    """A name below ``retired/`` for what stands at ``path``: under this run's stamp, or beside it.

    Raises ``OSError`` where the folder for it cannot be made.
    """
    for attempt in range(1, 1000):
        stamp = night.stamp.encode() + (b"" if attempt == 1 else b"~%d" % attempt)
        held = stamp + b"/" + path
        try:
            for made in night.secondary.make_folders(split(in_retired(held))[0]):
                night.barrier.names_changed(split(made)[0])
            if night.secondary.stat_or_none(in_retired(held)) is None:
                return held
        except (NotADirectoryError, FileExistsError):
            pass  # a file of that name was retired where a folder is needed now
    raise OSError(errno.EEXIST, "no free name below retired/")


def clear_the_way(night: Night, batch: Batch, path: bytes) -> bool:
    """Makes sure that a name new to the copy is free there; False where it cannot be used.

    Something that no run put there is moved to ``retired/``, and named in the report.
    """
    found = night.secondary.stat_or_none(in_copy(path))
    if found is None:
        return True
    folder, name = split(path)
    if not night.capabilities.case_sensitive and name not in night.secondary.names(in_copy(folder)):
        refuse(night, path, SAME_NAME)
        return False
    night.leave_out(UNLISTED, path, "something on the secondary that no run put there was moved to retired/")
    batch.add(Pending(Intent("unlisted", path, held=free_held(night, path), reason="unlisted")))
    return True
