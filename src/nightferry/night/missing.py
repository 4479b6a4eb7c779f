"""Folders of the copy that somebody removed, renamed or replaced: made again, and what they held entered as missing."""

from __future__ import annotations

import stat

from nightferry.manifest.records import Intent
from nightferry.night.carry import in_copy
from nightferry.night.commit import Batch, Pending, free_held
from nightferry.night.context import UNLISTED, Night
from nightferry.tree.metadata import Kind
from nightferry.tree.root import join, split

# Files entered one by one as missing, which the same night mends; all of them come first when files are read back.
ENTER_LIMIT = 1_000


def ensure_folder(night: Night, folder: bytes) -> None:
    """Makes sure that a folder which the manifest has stands in the copy, and those above it.

    Raises ``OSError`` where it cannot be made, ``Failed`` and ``SyncFailed`` as a commit does.
    """
    if _is_folder(night, folder):
        return
    path = b""
    for name in folder.split(b"/") if folder else ():
        path = join(path, name)
        if not _is_folder(night, path):
            _make_again(night, path)


def _is_folder(night: Night, path: bytes) -> bool:
    found = night.secondary.stat_or_none(in_copy(path))
    return found is not None and stat.S_ISDIR(found.st_mode)


def _make_again(night: Night, path: bytes) -> None:
    entry = night.manifest.entries.find(path)
    if entry is None or entry.stat.kind is not Kind.FOLDER:
        return  # new tonight: its own step makes it
    if night.secondary.stat_or_none(in_copy(path)) is not None:
        night.leave_out(UNLISTED, path, "something on the secondary that no run put there was moved to retired/")
        batch = Batch(night)
        batch.add(Pending(Intent("unlisted", path, held=free_held(night, path), reason="unlisted")))
        batch.commit()
    night.secondary.mkdir(in_copy(path))
    night.barrier.names_changed(split(in_copy(path))[0])
    night.note(
        "A folder of the copy was gone, though no run removed it; it was made again, and its files are mended from the"
        " primary. Nobody but nightferry should write to the secondary."
    )
    with night.manifest.database.transaction():
        night.manifest.entries.set_dirty(entry.id, dirty=True)
        night.manifest.entries.set_dirty(entry.parent, dirty=True)  # its date moved
        for _, below in night.manifest.entries.below(entry.id, path):
            if below.stat.kind is Kind.FOLDER:
                night.manifest.entries.set_dirty(below.id, dirty=True)
            night.manifest.entries.forget_reading(below.id)
    for count, (name, below) in enumerate(night.manifest.entries.below(entry.id, path)):
        if count >= ENTER_LIMIT:
            break
        if below.stat.kind is Kind.FILE and night.secondary.stat_or_none(in_copy(name)) is None:
            night.tally.damage += not night.manifest.runs.is_damaged(name, "secondary", found_run=night.number)
            night.manifest.runs.find_damage(
                name, "secondary", "missing", "copy", night.number, night.clock.now_s(),
                "it is gone with its folder, and no run removed it",
            )  # fmt: skip
