"""A new primary: the rows get the inode numbers and times that its files have, so that the next night knows them."""

from __future__ import annotations

from collections.abc import Callable

from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import ROOT_ID, Entry
from nightferry.tree.metadata import Stat

BECAME = "the primary was replaced, and filled from the copy"


def rebase(manifest: Manifest, look: Callable[[bytes, Entry], Stat | None]) -> int:
    """All of it or nothing.

    Args:
        look: the state of a name on the new primary; None where it is not what the row says, which the next night then
            looks into.

    Returns how many names are known on it. Raises ``Failed``, and what ``look`` raises; nothing has changed then.
    """
    known = 0
    last = manifest.runs.last()
    with manifest.database.transaction() as connection:
        # No file of it has been read by a night yet, and no folder's listing is that of before.
        connection.execute("UPDATE entry SET listing = NULL, read_primary_s = NULL")
        for path, entry in manifest.entries.below(ROOT_ID, b""):
            found = look(path, entry)
            if found is not None:
                manifest.entries.observe(entry.id, found)
                known += 1
        connection.execute(
            "UPDATE damage SET closed_run = ?, became = ? WHERE side = 'primary' AND closed_run IS NULL",
            (0 if last is None else last.number, BECAME),
        )
    return known
