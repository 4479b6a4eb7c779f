"""Hard links: names that are one file on the primary are to be one file in the copy.

A night links them where it copies them. Where it copied them apart, since it was held or the link was made while it
ran, nothing about either name changes again: so the names that a night touched are compared with what else has their
inode, and so is what verification finds with fewer names than it should have. A quiet night does nothing for it.

Groups that the primary split need nothing here: a name with another inode is put anew (``needs_relink``).
"""

from __future__ import annotations

import stat as stat_module
from collections import defaultdict
from collections.abc import Iterable
from typing import NamedTuple

from nightferry.manifest.plan import Item, Step
from nightferry.manifest.records import Entry, Intent
from nightferry.night.carry import in_copy
from nightferry.night.commit import Batch, Pending, drive_failed, leave_out_refused
from nightferry.night.context import Night
from nightferry.night.stage import stage_link
from nightferry.planning.changes import content_untouched
from nightferry.planning.drive_health import DRIVE_ERRORS
from nightferry.tree.durability import SyncFailed
from nightferry.tree.metadata import Kind, Stat, unsupported


class _Name(NamedTuple):
    path: bytes
    row: Entry


def join_touched(night: Night) -> None:
    """For what this night planned for. Raises ``Interrupted`` and ``Failed``."""
    join_links(night, night.plan.linked_inodes())


def join_links(night: Night, inodes: Iterable[int]) -> None:
    """Makes names that share one of these inodes on the primary share one in the copy, through the commit protocol.

    Only names whose content was read and is right are put together, so nothing is lost that would have to be kept.
    """
    if not night.capabilities.hard_links:
        return
    batch = Batch(night)
    for inode in inodes:
        night.stop.check()
        try:
            for apart in _apart(night, inode):
                _join(night, batch, apart)
        except OSError as error:
            if error.errno in DRIVE_ERRORS:
                raise drive_failed(error) from error
            continue  # a name that went away, or cannot be looked at: the next night comes to it again
        if batch.full:
            _commit(night, batch)
    _commit(night, batch)


def _apart(night: Night, inode: int) -> list[list[list[_Name]]]:
    """Sets of names of one state each, by the file of the copy that they are; only those that are several files."""
    states: defaultdict[object, list[_Name]] = defaultdict(list)
    for row in night.manifest.entries.by_inode(inode):
        if row.stat.kind is Kind.FILE and row.stat.nlink > 1 and row.content.digest is not None:
            key = (row.stat.size_bytes, row.stat.mtime_ns, row.stat.ctime_ns, row.content)
            states[key].append(_Name(night.manifest.entries.path(row.id), row))
    found = []
    for names in states.values():
        if len(names) < 2:
            continue
        files: defaultdict[int, list[_Name]] = defaultdict(list)
        for name in names:
            there = night.secondary.stat_or_none(in_copy(name.path))
            if there is not None and stat_module.S_ISREG(there.st_mode):
                files[there.st_ino].append(name)
        if len(files) > 1:
            found.append(sorted(files.values(), key=len, reverse=True))
    return found


def _join(night: Night, batch: Batch, files: list[list[_Name]]) -> None:
    """The file that has most names gets the others'. All are looked at on the primary first, and one name of each is
    read back: bad bytes are verification's to find and to keep."""
    files = [kept for names in files if (kept := [name for name in names if _is_still_it(night, name)])]
    right = [names for names in files if _reads_right(night, names[0])]
    if len(right) < 2:
        return
    leader = in_copy(right[0][0].path)
    now_s = int(night.clock.now_s())
    for name in (name for names in right[1:] for name in names):
        row = name.row
        item = Item(0, Step.TOUCHED, name.path, row.id, None, row.stat, None, None)
        try:
            staged = stage_link(night, item, leader, row.stat, row.content, night.manifest.entries.xattrs(row.xattrs))
        except OSError as error:
            if error.errno in DRIVE_ERRORS:
                raise
            leave_out_refused(night, name.path, error)  # so many names as this file system allows a file
            return
        intent = Intent(
            "place", name.path, row.id, staged=staged.name, reason="metadata", stat=row.stat, content=row.content,
            xattrs=row.xattrs, read_secondary_s=now_s,
        )  # fmt: skip
        batch.add(Pending(intent, item))


def _is_still_it(night: Night, name: _Name) -> bool:
    found = night.primary.stat_or_none(name.path)
    if found is None or unsupported(found) is not None or not stat_module.S_ISREG(found.st_mode):
        return False
    return content_untouched(name.row.stat, Stat.of(found))


def _reads_right(night: Night, name: _Name) -> bool:
    content = name.row.content
    assert content.algorithm is not None
    read = night.platter.read(night.secondary, in_copy(name.path), content.algorithm, night.stop)
    return read is not None and read.digest == content.digest


def _commit(night: Night, batch: Batch) -> None:
    try:
        done = batch.commit()
    except SyncFailed as error:
        raise drive_failed(error) from error
    night.tally.metadata += len(done)
    night.tally.linked += len(done)
