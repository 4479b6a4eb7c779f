"""How far the secondary has come, written on it: so that it and the state show which of the two lost something.

Two numbers, in the state's manifest and in the name of an empty file in ``records/``: batches begun, and changes done.
They are written so that, whatever a crash leaves, a sound secondary has never begun more than the state knows of, and
has done all that the state has entered:

- The state commits *begun* with the journal; the name has it before a batch's first barrier, and others change after.
- The name has *done* before the barrier that makes a change durable; the state commits it with the change, after it.

So a secondary that has begun more shows a state that lost commits, and one that has done less shows a secondary that
lost writes. A disk does that which says "durable" before it is so, and one that was put back from an old image.

It is a name, and not content, because file systems with a journal keep names in their order, whatever a drive loses:
where this one stands, those that changed before it do too. Where there is no journal (exFAT), a drive that keeps this
name and loses others of the same barrier is not found out. To rename needs no room on a drive that is full.
"""

from __future__ import annotations

import re

from nightferry.manifest.journal import Counters, Journal
from nightferry.night.context import RECORDS
from nightferry.planning.drive_health import DRIVE_ERRORS
from nightferry.tree.durability import Barrier
from nightferry.tree.root import Root, join

_FORM = re.compile(rb"changes-(\d{12})-(\d{12})")

STATE_LOST = "state"
SECONDARY_LOST = "secondary"


def read(root: Root) -> Counters | None:
    """What the name says; None where there is none. Raises ``OSError`` where a drive fails."""
    return max(_found(root), default=None)


def write(root: Root, barrier: Barrier, counters: Counters) -> None:
    """Durable with the next barrier. Raises ``OSError`` where the drive fails."""
    name = _name(counters)
    try:
        found = _found(root)
        if found == [counters]:
            return
        for other in found[:-1]:
            root.unlink(_name(other))
        if not found:
            root.effects.close(root.create(name))
        elif found[-1] != counters:
            root.rename(_name(found[-1]), name)
        barrier.names_changed(RECORDS)
    except OSError as error:
        # Any other leaves older numbers there, which cost a look at the whole drive and lose nothing.
        if error.errno in DRIVE_ERRORS:
            raise


def _found(root: Root) -> list[Counters]:
    try:
        names = root.names(RECORDS)
    except (FileNotFoundError, NotADirectoryError):
        return []
    matches = [match for name in names if (match := _FORM.fullmatch(name)) is not None]
    return sorted(Counters(int(match[1]), int(match[2])) for match in matches)


def _name(counters: Counters) -> bytes:
    return join(RECORDS, b"changes-%012d-%012d" % counters)


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
