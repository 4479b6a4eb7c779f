"""Scan and compare: the primary and the manifest in step, folder by folder, in one pass.

What is found goes into the plan. Nothing is read here but names and metadata.
"""

from __future__ import annotations

import stat
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from nightferry.manifest.plan import Step
from nightferry.manifest.records import ROOT_ID, Entry
from nightferry.night.context import OTHER_MOUNT, UNREADABLE, Night
from nightferry.night.failing import read_failed
from nightferry.night.listing import FolderReader, why
from nightferry.planning.changes import Difference, compare
from nightferry.tree.metadata import Kind, Stat
from nightferry.tree.root import OtherMountError, join


class Folder(NamedTuple):
    path: bytes
    entry: Entry | None  # None: the copy does not have it
    moved: bool = False  # the copy has it under another path, by its own name or one above


def scan(night: Night) -> None:
    """Fills the plan. Raises ``Interrupted``; ``OSError`` only where the root itself cannot be read."""
    root = night.manifest.entries.by_id(ROOT_ID)
    root_stat = Stat.of(night.primary.stat(b""))
    if root is None:
        night.plan.add(Step.FOLDER, b"", root_stat)
    elif compare(root.stat, root_stat, inodes=night.inodes) is not Difference.NONE:
        night.plan.add(Step.FOLDER_TOUCHED, b"", root_stat, root.id)
    reader = FolderReader(night)
    stack = [Folder(b"", root)]
    while stack:
        night.stop.check()
        folder = stack.pop()
        try:
            below = _compare_folder(night, reader, folder)
        except OtherMountError:
            night.leave_out(OTHER_MOUNT, folder.path, "another file system is mounted there")
            continue
        except FileNotFoundError:
            # Gone between its parent's listing and now: what the copy holds of it waits for tomorrow.
            night.leave_out("unsettled", folder.path, "the folder went away while it was looked at")
            continue
        except OSError as error:
            if not folder.path:
                raise
            read_failed(night, "primary", error)
            night.leave_out(UNREADABLE, folder.path, f"the folder cannot be listed: {why(error)}")
            continue
        night.tally.scanned_folders += 1
        stack.extend(reversed(below))


def _compare_folder(night: Night, reader: FolderReader, folder: Folder) -> list[Folder]:
    """Compares what one folder holds; returns the folders below it that are to be looked at."""
    if folder.entry is not None and folder.entry.listing is not None:
        listed = reader.summed_up(folder.path)
        if listed.fingerprint == folder.entry.listing:
            reader.name_aside(listed.aside)
            night.tally.scanned_files += listed.files
            night.progress.advance(files=listed.files)
            return _compare_subfolders(night, folder, listed.folders)
    found, fingerprint = reader.in_order(folder.path)
    night.plan.remember_listing(folder.path, fingerprint)
    known: Iterator[Entry] = iter(())
    if folder.entry is not None:
        known = night.manifest.entries.children(folder.entry.id)
    return _merge(night, folder, found, known)


def _merge(
    night: Night, folder: Folder, found: Iterable[tuple[bytes, Stat | None]], known: Iterator[Entry]
) -> list[Folder]:
    """``found`` and ``known`` in the order of their names, in step."""
    below: list[Folder] = []
    then = next(known, None)
    for name, now in found:
        while then is not None and then.name < name:
            _vanish(night, then)
            then = next(known, None)
        match = None
        if then is not None and then.name == name:
            match = then
            then = next(known, None)
        if now is not None:  # None: it is there and cannot be looked at; what the copy holds stays
            _compare_name(night, folder, name, now, match, below)
    while then is not None:
        _vanish(night, then)
        then = next(known, None)
    return below


def _vanish(night: Night, entry: Entry) -> None:
    if not night.plan.is_claimed(entry.id):
        night.plan.vanish(entry.id)


def _compare_name(
    night: Night, folder: Folder, name: bytes, now: Stat, then: Entry | None, below: list[Folder]
) -> None:
    path = join(folder.path, name)
    if then is not None and night.plan.is_claimed(then.id):
        then = None  # that folder was met under another path; this is a new thing under its old name
    if now.kind is Kind.FOLDER:
        _compare_subfolder(night, folder, path, now, then, below)
        return
    night.tally.scanned_files += 1
    night.progress.advance(files=1)
    if then is None:
        night.plan.add(Step.ADDED, path, now)
        return
    difference = compare(then.stat, now, inodes=night.inodes)
    if difference is Difference.RETYPED:
        night.plan.add(Step.RETYPED, path, now, then.id)
        if then.stat.kind is Kind.FOLDER:
            night.plan.vanish(then.id)
    elif difference is not Difference.NONE or (folder.moved and not night.inodes):
        # By its number the folder may be another one of the same name, with other content in it.
        night.plan.add(Step.TOUCHED, path, now, then.id)


def _compare_subfolder(
    night: Night, folder: Folder, path: bytes, now: Stat, then: Entry | None, below: list[Folder]
) -> None:
    if then is not None and then.stat.kind is Kind.FOLDER:
        if folder.moved:
            night.plan.claim(then.id)  # its old path is gone with the folder above: it is not to be met twice
        if compare(then.stat, now, inodes=night.inodes) is not Difference.NONE:
            night.plan.add(Step.FOLDER_TOUCHED, path, now, then.id)
        below.append(Folder(path, then, folder.moved))
        return
    if then is None:
        moved = _moved_folder(night, path, now)
        if moved is not None:
            night.plan.claim(moved.id)
            night.plan.add(Step.FOLDER_MOVED, path, now, moved.id)
            night.plan.add(Step.FOLDER_TOUCHED, path, now, moved.id)
            below.append(Folder(path, moved, True))
            return
    night.plan.add(Step.FOLDER, path, now, None if then is None else then.id)
    below.append(Folder(path, None))


def _moved_folder(night: Night, path: bytes, now: Stat) -> Entry | None:
    """The folder of the copy that this is under a new name.

    A folder has one name only, so the same inode elsewhere is the folder itself. The number may have been given to a
    new folder after the old one was removed: that was made later. Where the file system does not say when, it counts
    as moved; what it holds differs then, and is compared name by name all the same.
    """
    for candidate in night.manifest.entries.by_inode(now.inode):
        if candidate.stat.kind is not Kind.FOLDER or candidate.id == ROOT_ID:
            continue
        if night.plan.is_claimed(candidate.id):
            continue
        old = night.primary.stat_or_none(night.manifest.entries.path(candidate.id))
        if (old is None or not stat.S_ISDIR(old.st_mode)) and not _is_made_since(night, path, candidate):
            return candidate
    return None


def _is_made_since(night: Night, path: bytes, then: Entry) -> bool:
    """Whether a folder is younger than the one that a run noted under its number.

    By both the file system's clock and the run's: on file systems that have no time of change of their own a folder can
    be younger than its ctime says, and a clock that was wrong for a time is wrong for one of the two.
    """
    born_ns = night.primary.born_ns(path)
    noted = night.manifest.runs.by_number(then.since)
    if born_ns is None or noted is None:
        return False
    return born_ns > then.stat.ctime_ns and born_ns > noted.started_s * 1e9


def _compare_subfolders(night: Night, folder: Folder, found: list[tuple[bytes, Stat]]) -> list[Folder]:
    """For a folder whose files are all as they were: only its subfolders need a look."""
    assert folder.entry is not None
    known = night.manifest.entries.folders(folder.entry.id)
    below: list[Folder] = []
    for name, now in found:
        _compare_name(night, folder, name, now, known.pop(name, None), below)
    for gone in known.values():
        if join(folder.path, gone.name) not in night.mounted_below:
            _vanish(night, gone)
    return below
