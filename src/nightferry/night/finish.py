"""Folders last: their times move with every name in them, so they are set when all else is done."""

from __future__ import annotations

from nightferry.manifest.plan import Step
from nightferry.night.carry import in_copy
from nightferry.night.commit import count_on_drive, drive_failed, leave_out_refused
from nightferry.night.context import UNREADABLE, Night
from nightferry.night.missing import ensure_folder
from nightferry.planning.changes import same_metadata
from nightferry.tree.durability import SyncFailed
from nightferry.tree.metadata import Stat, Xattrs, apply_to_open, read_xattrs
from nightferry.tree.root import OtherMountError, split

_BATCH_LIMIT = 1_000


def enter_folder_metadata(night: Night) -> None:
    """What changed of known folders goes into the manifest, and marks them to be set on the secondary."""
    batch: list[tuple[int, Stat, Xattrs]] = []

    def flush() -> None:
        rows = [(entry, stat, night.manifest.entries.xattrs_row(xattrs)) for entry, stat, xattrs in batch]
        with night.manifest.database.transaction():
            for entry_id, stat, xattrs in rows:
                entry = night.manifest.entries.by_id(entry_id)
                if entry is None:
                    continue
                said = same_metadata(entry.stat, stat._replace(mtime_ns=entry.stat.mtime_ns)) and entry.xattrs == xattrs
                if said and entry.stat.mtime_ns == stat.mtime_ns:
                    night.manifest.entries.observe(entry.id, stat)  # the version stays the one that it was
                else:
                    night.manifest.past.keep(entry.id, night.number, "times" if said else "metadata", None)
                    night.manifest.entries.alter(entry.id, stat, xattrs, night.number)
                night.tally.folders_metadata += not said
                night.manifest.entries.set_dirty(entry.id, dirty=True)
        batch.clear()

    for item in night.plan.items(Step.FOLDER_TOUCHED):
        assert item.entry is not None
        present = night.manifest.entries.find(item.path)
        if present is None or present.id != item.entry:
            continue  # its move was held back
        try:
            fd = night.primary.folder(item.path)
            batch.append((item.entry, Stat.of(night.effects.fstat(fd)), read_xattrs(fd, night.effects)))
        except (FileNotFoundError, NotADirectoryError):
            night.plan.mark_incomplete(split(item.path)[0])  # it went away: the next night sees what became of it
            continue
        except OSError as error:
            night.leave_out(UNREADABLE, item.path, f"the folder's own metadata: {error.strerror or error}")
            continue
        if len(batch) >= _BATCH_LIMIT:
            flush()
    flush()


def finish_folders(night: Night) -> None:
    """Sets the metadata of every folder whose names changed, then notes that it stands."""
    dirty = night.manifest.entries.dirty_folders()
    for entry_id in dirty:
        entry = night.manifest.entries.by_id(entry_id)
        if entry is not None:
            _ensure(night, night.manifest.entries.path(entry_id))
    dirty = night.manifest.entries.dirty_folders()  # with those that had to be made again
    for start in range(0, len(dirty), _BATCH_LIMIT):
        chosen = dirty[start : start + _BATCH_LIMIT]
        done = [entry_id for entry_id in chosen if _set(night, entry_id)]
        try:
            count_on_drive(night, done=1)
            night.barrier.wait()
        except SyncFailed as error:
            raise drive_failed(error) from error
        with night.manifest.database.transaction():
            night.manifest.journal.count_done()
            for entry_id in done:
                night.manifest.entries.set_dirty(entry_id, dirty=False)


def _ensure(night: Night, folder: bytes) -> None:
    try:
        ensure_folder(night, folder)
    except OSError as error:
        raise drive_failed(error) from error


def _set(night: Night, entry_id: int) -> bool:
    """False where the secondary refused this one folder: it is named, and the next night tries again."""
    entry = night.manifest.entries.by_id(entry_id)
    if entry is None:
        return True
    name = night.manifest.entries.path(entry_id)
    path = in_copy(name)
    try:
        fd = night.secondary.folder(path)
        xattrs = night.manifest.entries.xattrs(entry.xattrs)
        night.metadata_lost.update(apply_to_open(fd, entry.stat, xattrs, night.effects, fresh=False))
        night.barrier.names_changed(path)
    except (PermissionError, OtherMountError) as error:
        if name not in night.folders_refused:
            night.folders_refused.add(name)
            leave_out_refused(night, name, error)
        return False
    except OSError as error:
        raise drive_failed(error) from error
    return True


def remember_listings(night: Night) -> None:
    """Fingerprints of folders in which nothing was left undone: the next night need not open them up."""
    with night.manifest.database.transaction():
        for path, fingerprint in night.plan.complete_listings():
            entry = night.manifest.entries.find(path)
            if entry is not None and entry.listing != fingerprint:
                night.manifest.entries.set_listing(entry.id, fingerprint)
