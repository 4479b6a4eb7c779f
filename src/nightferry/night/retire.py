"""Retire: what the primary no longer has leaves the copy for ``retired/``."""

from __future__ import annotations

from collections.abc import Callable

from nightferry.manifest.plan import Item, Step
from nightferry.manifest.records import Entry, Intent
from nightferry.night.carry import in_copy
from nightferry.night.commit import Batch, Pending, free_held, leave_out_refused
from nightferry.night.context import UNLISTED, Night
from nightferry.tree.metadata import Kind
from nightferry.tree.root import join, split


def retire(night: Night) -> None:
    """Files before the folders that held them. Raises ``Interrupted`` and ``Failed``."""
    batch = Batch(night)
    for item in night.plan.items(Step.REMOVED, reverse=True):
        _try(night, batch, item, _add)
    _flush(night, batch)
    # Folders that would not go: something in them is not the manifest's.
    for item in night.plan.items(Step.REMOVED, reverse=True):
        if item.stat.kind is Kind.FOLDER:
            _try(night, batch, item, _add_again)
    _flush(night, batch)


def _try(night: Night, batch: Batch, item: Item, add: Callable[[Night, Batch, Item, Entry], None]) -> None:
    night.stop.check()
    assert item.entry is not None
    entry = night.manifest.entries.by_id(item.entry)
    if entry is None:
        return
    try:
        add(night, batch, item, entry)
    except OSError as error:
        leave_out_refused(night, item.path, error)
    if batch.full:
        _flush(night, batch)


def _add(night: Night, batch: Batch, item: Item, entry: Entry) -> None:
    # Asked again, since a folder above it may have moved tonight.
    path = night.manifest.entries.path(entry.id)
    stat = entry.stat
    if stat.kind is Kind.FOLDER:
        if not _became_something_else(night, item):
            batch.add(Pending(Intent("remove_folder", path, entry.id, reason="removed", stat=stat), item))
        return
    if stat.kind is Kind.SYMLINK and not night.capabilities.symlinks:
        batch.add(Pending(Intent("forget", path, entry.id, reason="removed", stat=stat), item))
        return
    if night.secondary.stat_or_none(in_copy(path)) is None:
        night.manifest.runs.find_damage(
            path, "secondary", "missing", "retire", night.number, night.clock.now_s(),
            "the copy of this file was gone when it was to be retired",
        )  # fmt: skip
        night.manifest.runs.close_damage(path, "secondary", night.number, "lost: the primary no longer has it")
        night.tally.damage += 1
        batch.add(Pending(Intent("forget", path, entry.id, reason="removed", stat=stat), item))
        return
    held = free_held(night, path)
    batch.add(Pending(Intent("retire", path, entry.id, held=held, reason="removed", stat=stat), item))


def _add_again(night: Night, batch: Batch, item: Item, entry: Entry) -> None:
    path = night.manifest.entries.path(entry.id)
    for name in _names(night, path):
        if night.manifest.entries.child(entry.id, name) is not None:
            night.plan.mark_incomplete(split(path)[0])
            return  # could not be retired, and is named for that
        below = join(path, name)
        night.leave_out(UNLISTED, below, "something on the secondary that no run put there was moved to retired/")
        batch.add(Pending(Intent("unlisted", below, held=free_held(night, below), reason="unlisted")))
    _flush(night, batch)
    if not _became_something_else(night, item):
        batch.add(Pending(Intent("remove_folder", path, entry.id, reason="removed", stat=entry.stat), item))


def _became_something_else(night: Night, item: Item) -> bool:
    """A folder whose name is a file now is replaced in one step when that file is placed."""
    found = night.primary.stat_or_none(item.path)
    return found is not None and night.capabilities.exchange


def _names(night: Night, path: bytes) -> list[bytes]:
    try:
        return night.secondary.names(in_copy(path))
    except (FileNotFoundError, NotADirectoryError):
        return []


def _flush(night: Night, batch: Batch) -> None:
    done = batch.commit_or_fail()
    for each in done:
        if each.intent.stat is None:
            continue
        if each.intent.action == "remove_folder":
            night.tally.folders_removed += 1
        elif each.intent.action in ("retire", "forget"):
            night.tally.removed += 1
            night.tally.removed_bytes += each.intent.stat.size_bytes
            night.progress.advance(files=1)
