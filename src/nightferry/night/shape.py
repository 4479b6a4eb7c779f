"""Folders first: new ones are made, moved ones renamed, so that everything below has its place."""

from __future__ import annotations

import os

from nightferry.manifest.plan import Item, Step
from nightferry.manifest.records import Content, Intent
from nightferry.night.carry import in_copy, same_but_for_case
from nightferry.night.commit import Batch, Pending, clear_the_way, drive_failed, free_held, leave_out_refused
from nightferry.night.context import UNREADABLE, UNSETTLED, Night
from nightferry.night.missing import ensure_folder
from nightferry.tree.metadata import Kind, Stat, Xattrs, read_xattrs
from nightferry.tree.root import split


def shape(night: Night, *, held: bool) -> None:
    """In the order found, a folder before what it holds. ``held``: nothing is moved or replaced."""
    batch = Batch(night)
    coming: set[bytes] = set()  # folders of this batch, not yet in the manifest
    sources: list[bytes] = []  # folders that move in this batch
    targets: list[bytes] = []  # where they move to

    def flush() -> None:
        done = batch.commit_or_fail()
        for each in done:
            night.tally.folders_added += each.intent.action == "folder"
            night.tally.folders_moved += each.intent.action == "move"
        coming.clear()
        sources.clear()
        targets.clear()

    for item in night.plan.items(Step.FOLDER, Step.FOLDER_MOVED):
        night.stop.check()
        if not item.path:
            _enter_root(night, item)
            continue
        if any(item.path.startswith(target + b"/") for target in targets):
            flush()  # what stands below can be looked at only once the folder is there
        if not _has_parent(night, item.path, coming):
            night.tally.withheld += held
            night.plan.mark_incomplete(split(item.path)[0])
            continue
        if item.step is Step.FOLDER_MOVED and held:
            # Its old name stays; what is new in it is copied below the new one. What moved with it waits.
            night.tally.withheld += 1
            _add_folder(night, batch, item._replace(entry=None))
        elif held and item.entry is not None:
            night.tally.withheld += 1
            continue
        elif item.step is Step.FOLDER_MOVED:
            assert item.entry is not None
            source = night.manifest.entries.path(item.entry)
            if any(source.startswith(other + b"/") for other in sources):
                flush()
                source = night.manifest.entries.path(item.entry)
            sources.append(source)
            targets.append(item.path)
            _add_move(night, batch, item, source)
        else:
            _add_folder(night, batch, item)
        coming.add(item.path)
        if batch.full:
            flush()
    flush()


def _has_parent(night: Night, path: bytes, coming: set[bytes]) -> bool:
    folder = split(path)[0]
    if folder in coming:
        return True
    parent = night.manifest.entries.find(folder)
    if parent is None or parent.stat.kind is not Kind.FOLDER:
        return False
    try:
        ensure_folder(night, folder)
    except OSError as error:
        raise drive_failed(error) from error
    return True


def _enter_root(night: Night, item: Item) -> None:
    """The copy's own root: made by ``pair``, known to the manifest from the first night on."""
    stat, xattrs = _look(night, b"")
    row = night.manifest.entries.xattrs_row(xattrs)

    with night.manifest.database.transaction():
        night.manifest.entries.insert(0, b"", stat, Content(), row, night.number)


def _look(night: Night, path: bytes) -> tuple[Stat, Xattrs]:
    fd = night.primary.folder(path)
    return Stat.of(night.effects.fstat(fd)), read_xattrs(fd, night.effects)


def _look_or_leave_out(night: Night, path: bytes) -> tuple[Stat, Xattrs] | None:
    try:
        return _look(night, path)
    except (FileNotFoundError, NotADirectoryError):
        night.leave_out(UNSETTLED, path, "the folder went away after it was listed")
    except OSError as error:
        night.leave_out(UNREADABLE, path, error.strerror or os.strerror(error.errno or 0))
    return None


def _add_folder(night: Night, batch: Batch, item: Item) -> None:
    found = _look_or_leave_out(night, item.path)
    if found is None:
        return
    stat, xattrs = found
    held = None
    try:
        there = night.secondary.stat_or_none(in_copy(item.path))
        if there is not None and Stat.of(there).kind is not Kind.FOLDER:
            if item.entry is not None:
                held = free_held(night, item.path)
            elif not clear_the_way(night, batch, item.path):
                return
        elif there is not None and not night.capabilities.case_sensitive:
            folder, name = split(item.path)
            if name not in night.secondary.names(in_copy(folder)) and not clear_the_way(night, batch, item.path):
                return
    except (OSError, KeyError) as error:
        leave_out_refused(night, item.path, error if isinstance(error, OSError) else OSError(str(error)))
        return
    batch.add(
        Pending(
            Intent(
                "folder", item.path, item.entry, held=held, stat=stat, xattrs=night.manifest.entries.xattrs_row(xattrs)
            )
        )
    )


def _add_move(night: Night, batch: Batch, item: Item, source: bytes) -> None:
    if source != item.path and not same_but_for_case(night.secondary, in_copy(source), in_copy(item.path)):
        try:
            if not clear_the_way(night, batch, item.path):
                night.plan.mark_incomplete(split(source)[0])  # the old name stands there still
                return
        except OSError as error:
            leave_out_refused(night, item.path, error)
            night.plan.mark_incomplete(split(source)[0])
            return
    batch.add(Pending(Intent("move", item.path, item.entry, source=source, stat=item.stat)))


def move_files(night: Night) -> None:
    """Files and symlinks that stand under another name: one rename each, nothing is copied."""
    batch = Batch(night)

    def flush() -> None:
        done = batch.commit_or_fail()
        for each in done:
            if each.item is None or each.intent.stat is None:
                continue
            night.tally.moved += 1
            night.tally.moved_bytes += each.intent.stat.size_bytes
            _after_move(night, each.item)

    for item in night.plan.items(Step.MOVED):
        night.stop.check()
        assert item.entry is not None
        source = night.manifest.entries.path(item.entry)
        if not _has_parent(night, item.path, set()):
            night.plan.mark_incomplete(split(item.path)[0])
            night.plan.mark_incomplete(split(source)[0])
            continue
        in_tree = item.stat.kind is not Kind.SYMLINK or night.capabilities.symlinks
        if in_tree and night.secondary.stat_or_none(in_copy(source)) is None:
            # Missing on the secondary: the new name is copied, the old row goes.
            night.plan.revise(item, Step.ADDED, entry=None)
            batch.add(Pending(Intent("forget", source, item.entry, reason="removed")))
            continue
        _add_move_of_file(night, batch, item, source, in_tree=in_tree)
        if batch.full:
            flush()
    flush()


def _add_move_of_file(night: Night, batch: Batch, item: Item, source: bytes, *, in_tree: bool) -> None:
    before = len(batch)
    _add_move(night, batch, item, source)
    if len(batch) == before:
        return
    pending = batch.pending[-1]
    action = "move" if in_tree else "move_row"
    batch.pending[-1] = Pending(pending.intent._replace(action=action), item)


def _after_move(night: Night, item: Item) -> None:
    """A rename moves ctime: what else it says (owner, mode, attributes) is put right with the altered."""
    assert item.entry is not None
    entry = night.manifest.entries.by_id(item.entry)
    if entry is not None and entry.stat.ctime_ns != item.stat.ctime_ns:
        night.plan.revise(item, Step.ALTERED, entry=item.entry)
