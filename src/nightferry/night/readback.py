"""Read-back: what was just written, read from the platter past the page cache and compared."""

from __future__ import annotations

from collections.abc import Callable

import xxhash

from nightferry.night.carry import in_copy
from nightferry.night.commit import Pending
from nightferry.night.context import Night
from nightferry.tree.root import split


def read_back(night: Night, placed: list[Pending], copy_again: Callable[[Pending], list[Pending]]) -> None:
    """Compares a share of them; a copy that reads back wrong is written once more, then is damage."""
    good = []
    if placed:
        night.platter.forget()
    for each in placed:
        if not _is_chosen(night, each.intent.path):
            continue
        if _reads_well(night, each):
            good.append(each.intent.path)
            continue
        night.note(
            "A new copy did not read back as it was written; it was written again. Watch that drive and its cable."
        )
        again = copy_again(each)
        if any(other.intent.path == each.intent.path and _reads_well(night, other) for other in again):
            good.append(each.intent.path)
            continue
        night.manifest.runs.find_damage(
            each.intent.path, "secondary", "decayed", "read-back", night.number, night.clock.now_s(),
            "written twice tonight and read back wrong both times: replace this drive",
        )  # fmt: skip
        night.tally.damage += 1
        night.plan.mark_incomplete(split(each.intent.path)[0])
    if good:
        now_s = int(night.clock.now_s())
        with night.manifest.database.transaction():
            for path in good:
                entry = night.manifest.entries.find(path)
                if entry is not None:
                    night.manifest.entries.set_read_secondary(entry.id, now_s)


def _is_chosen(night: Night, path: bytes) -> bool:
    share = night.settings.read_back
    if share >= 1.0:
        return True
    return xxhash.xxh3_64_intdigest(path, seed=night.number) < share * (1 << 64)


def _reads_well(night: Night, each: Pending) -> bool:
    content = each.intent.content
    assert content.algorithm is not None
    found = night.platter.read(night.secondary, in_copy(each.intent.path), content.algorithm, night.stop)
    if found is None:
        return False
    if not found.direct:
        night.note(
            "The secondary's file system does not let its cache be passed by; new copies were read back after"
            " their pages were dropped, which proves a little less."
        )
    night.tally.read_back_files += 1
    night.tally.read_back_bytes += found.size_bytes
    return found.digest == content.digest
