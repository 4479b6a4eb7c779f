"""How far the secondary has come, written on it: so that it and the state show which of the two lost something.

Two numbers, in the state's manifest and in a small file in ``records/``: batches begun, and changes done. They are
written so that, whatever a crash leaves, a sound secondary has never begun more than the state knows of, and has done
all that the state has entered:

- The state commits *begun* with the journal; the file has it before a batch's first barrier, and names change after it.
- The file has *done* before the barrier that makes a change durable; the state commits it with the change, after it.

So a secondary that has begun more shows a state that lost commits, and one that has done less shows a secondary that
lost writes. A disk does that which says "durable" before it is so, and one that was put back from an old image.
"""

from __future__ import annotations

import errno
import os
import re
import stat
import zlib

from nightferry.manifest.journal import Counters, Journal
from nightferry.night.context import RECORDS
from nightferry.planning.drive_health import GONE
from nightferry.tree.durability import Barrier, SyncFailed
from nightferry.tree.root import Root

COUNTERS = RECORDS + b"/counters"
# One sector of the smallest size, so that it is written whole or not at all; SQLite trusts the same of its pages.
_SIZE_BYTES = 48
_FORM = re.compile(rb"(\d{15}) (\d{15}) ([0-9a-f]{8})\s*")
# Errors of the drive. Any other leaves older numbers there, which cost a look at the whole drive and lose nothing.
_FATAL = {errno.EIO, errno.EROFS, *GONE}

STATE_LOST = "state"
SECONDARY_LOST = "secondary"


def read(root: Root) -> Counters | None:
    """What the file says; None where it is absent, torn, or something else. Raises ``OSError`` where a drive fails."""
    try:
        fd = root.open_to_read(COUNTERS)
    except OSError as error:
        if error.errno in _FATAL:
            raise
        return None
    try:
        buffer = bytearray(_SIZE_BYTES + 1)
        size_bytes = root.effects.preadv(fd, [buffer], 0)
    finally:
        root.effects.close(fd)
    found = _FORM.fullmatch(bytes(buffer[:size_bytes]))
    if found is None or zlib.crc32(found[1] + found[2]) != int(found[3], 16):
        return None
    return Counters(int(found[1]), int(found[2]))


def write(root: Root, barrier: Barrier, counters: Counters) -> None:
    """Durable with the next barrier. Raises ``OSError`` where the drive fails, ``SyncFailed`` as ``file_written``."""
    numbers = b"%015d", b"%015d"
    begun, done = (form % number for form, number in zip(numbers, counters, strict=True))
    content = b"%s %s %08x" % (begun, done, zlib.crc32(begun + done))
    content = content.ljust(_SIZE_BYTES - 1) + b"\n"
    effects = root.effects
    try:
        fd = _open(root, barrier)
        try:
            written = 0
            while written < len(content):
                written += effects.pwrite(fd, content[written:], written)
            barrier.file_written(fd)
        finally:
            effects.close(fd)
    except SyncFailed:
        raise
    except OSError as error:
        if error.errno in _FATAL:
            raise


def _open(root: Root, barrier: Barrier) -> int:
    """The file, open for writing in place, which needs no room on a drive that is full.

    Anything that shares its bytes with another name of the drive is put out of the way first.
    """
    found = root.stat_or_none(COUNTERS)
    if found is not None:
        if stat.S_ISREG(found.st_mode) and found.st_nlink == 1:
            folder_fd, name = root.at(COUNTERS)
            return root.effects.open_inside(name, os.O_WRONLY | os.O_NOFOLLOW | os.O_NONBLOCK, dir_fd=folder_fd)
        root.unlink(COUNTERS)
    fd = root.create(COUNTERS)
    root.effects.chmod(fd, 0o644)
    barrier.names_changed(RECORDS)
    return fd


def who_lost(journal: Journal, on_drive: Counters | None) -> str | None:
    """``STATE_LOST``, ``SECONDARY_LOST``, or None where the two agree."""
    here = journal.counters()
    if here == Counters(0, 0) and on_drive is None:
        return None  # nothing was ever begun, or not by a nightferry that counted
    begun, done = on_drive or Counters(0, 0)
    if begun > here.begun or done > here.done + 1:
        return STATE_LOST
    # The last batch may have been journalled and not yet begun on the drive.
    if done < here.done or begun < here.begun - journal.is_open():
        return SECONDARY_LOST
    return None
