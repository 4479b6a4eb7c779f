"""Files of the same content and other metadata: put right in place, nothing is copied."""

from __future__ import annotations

import os
from typing import NamedTuple

from nightferry.manifest.plan import Item, Step
from nightferry.manifest.records import Entry
from nightferry.night.carry import in_copy
from nightferry.night.commit import count_on_drive, drive_failed, leave_out_refused
from nightferry.night.context import UNREADABLE, UNSETTLED, Night
from nightferry.night.failing import read_failed
from nightferry.planning.changes import content_untouched, same_metadata
from nightferry.tree.durability import SyncFailed
from nightferry.tree.metadata import (
    Kind,
    Stat,
    Xattrs,
    apply_to_open,
    apply_to_symlink,
    path_of_name,
    read_xattrs,
)
from nightferry.tree.root import OtherMountError, split

_BATCH_LIMIT = 1_000


class _Altered(NamedTuple):
    entry: Entry
    stat: Stat
    xattrs: int | None
    was_read: bool


class _SharedError(Exception):
    pass


def shares_inode(night: Night, found: os.stat_result, stat: Stat) -> bool:
    """Whether a file of the copy has names that its file on the primary has not.

    A renamed file whose old name was taken over is linked from the copy of that name, and may
    share it with a version in ``retired/``: what is set for one would be set for both.
    """
    return night.capabilities.hard_links and found.st_nlink > max(1, stat.nlink)


def other_names(night: Night, path: bytes, entry: Entry) -> list[bytes]:
    """Names that share the bad file on the secondary, so that all of them are put right together."""
    bad = night.secondary.stat_or_none(in_copy(path))
    if entry.stat.nlink < 2 or entry.stat.kind is not Kind.FILE or bad is None:
        return []
    names = [
        night.manifest.entries.path(other.id)
        for other in night.manifest.entries.by_inode(entry.stat.inode)
        if other.id != entry.id and other.content == entry.content
    ]
    found = [(name, night.secondary.stat_or_none(in_copy(name))) for name in names]
    return [name for name, there in found if there is not None and there.st_ino == bad.st_ino]


def alter(night: Night) -> None:
    """All items of the step that are not done yet; those whose copy is gone become copies.

    Raises ``Interrupted`` and ``Failed``.

    Not in the journal: to repeat it is harmless, and until the manifest has it the next run does.
    """
    batch: list[_Altered] = []
    for item in night.plan.items(Step.ALTERED):
        night.stop.check()
        altered = _one(night, item)
        if altered is not None:
            night.plan.revise(item, Step.DONE, entry=item.entry)
            batch.append(altered)
        if len(batch) >= _BATCH_LIMIT:
            _enter(night, batch)
    _enter(night, batch)


def _one(night: Night, item: Item) -> _Altered | None:
    assert item.entry is not None
    entry = night.manifest.entries.by_id(item.entry)
    if entry is None:
        return None
    try:
        found = _look(night, item)
    except FileNotFoundError:
        night.leave_out(UNSETTLED, item.path, "it went away after the folder was listed")
        return None
    except OSError as error:
        read_failed(night, "primary", error)
        night.leave_out(UNREADABLE, item.path, error.strerror or str(error))
        return None
    if found is None:
        night.leave_out(UNSETTLED, item.path, "it changed while it was looked at; the next run tries again")
        return None
    return _write(night, item, entry, *found)


def _write(night: Night, item: Item, entry: Entry, stat: Stat, xattrs: Xattrs) -> _Altered | None:
    row = night.manifest.entries.xattrs_row(xattrs)
    try:
        _put(night, item, stat, xattrs, changed=not (same_metadata(entry.stat, stat) and entry.xattrs == row))
    except (FileNotFoundError, _SharedError):
        # Missing on the secondary, or its inode belongs to another name as well: copied again.
        night.plan.revise(item, Step.TOUCHED, entry=entry.id)
        night.plan.mark_incomplete(split(item.path)[0])
        return None
    except SyncFailed as error:
        raise drive_failed(error) from error
    except (PermissionError, OtherMountError) as error:
        night.plan.revise(item, Step.DONE, entry=item.entry)
        leave_out_refused(night, item.path, error)
        return None
    except OSError as error:
        raise drive_failed(error) from error
    return _Altered(entry, stat, row, item.digest is not None)


def _look(night: Night, item: Item) -> tuple[Stat, Xattrs] | None:
    """What the primary says now; None where it is no longer the state that was compared."""
    if item.stat.kind is Kind.SYMLINK:
        folder_fd, name = night.primary.at(item.path)
        stat = Stat.of(night.effects.stat(name, dir_fd=folder_fd, follow_symlinks=False))
        if stat[:5] != item.stat[:5]:
            return None
        return stat, read_xattrs(path_of_name(folder_fd, name), night.effects)
    fd = night.primary.open_to_read(item.path)
    try:
        xattrs = read_xattrs(fd, night.effects)
        stat = Stat.of(night.effects.fstat(fd))
    finally:
        night.effects.close(fd)
    return (stat, xattrs) if content_untouched(item.stat, stat, inodes=night.inodes) else None


def _put(night: Night, item: Item, stat: Stat, xattrs: Xattrs, *, changed: bool) -> None:
    path = in_copy(item.path)
    if item.stat.kind is Kind.SYMLINK:
        if not night.capabilities.symlinks:
            return
        folder_fd, name = night.secondary.at(path)
        night.metadata_lost.update(apply_to_symlink(folder_fd, name, stat, xattrs, night.effects))
        night.barrier.names_changed(path.rpartition(b"/")[0])
        return
    fd = night.secondary.open_to_read(path)
    try:
        if shares_inode(night, night.effects.fstat(fd), stat):
            if changed:
                raise _SharedError
            return
        night.metadata_lost.update(apply_to_open(fd, stat, xattrs, night.effects, fresh=False))
        night.barrier.file_written(fd)
    finally:
        night.effects.close(fd)


def _enter(night: Night, batch: list[_Altered]) -> None:
    if not batch:
        return
    try:
        count_on_drive(night, done=1)
        night.barrier.wait()
    except SyncFailed as error:
        raise drive_failed(error) from error
    now_s = int(night.clock.now_s())
    with night.manifest.database.transaction():
        night.manifest.journal.count_done()
        for each in batch:
            entry = each.entry
            night.manifest.entries.set_listing(entry.parent, None)  # for the same reason as where names change
            if same_metadata(entry.stat, each.stat) and entry.xattrs == each.xattrs:
                night.manifest.entries.observe(entry.id, each.stat)
                continue
            night.manifest.past.keep(entry.id, night.number, "metadata", None)
            night.manifest.entries.alter(
                entry.id, each.stat, each.xattrs, night.number, now_s if each.was_read else None
            )
            night.tally.metadata += 1
    batch.clear()
