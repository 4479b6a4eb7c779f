"""Read-back: what was just written, read from the platter past the page cache and compared."""

from __future__ import annotations

from collections.abc import Callable

import xxhash

from nightferry.night.carry import in_copy
from nightferry.night.commit import Pending
from nightferry.night.context import Night
from nightferry.tree.content import ReadFailed, hash_from_platter
from nightferry.tree.digests import by_id
from nightferry.tree.root import split


def read_back(night: Night, placed: list[Pending], copy_again: Callable[[Pending], list[Pending]]) -> None:
    """Compares a share of them; a copy that reads back wrong is written once more, then is damage."""
    good = []
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
    stat, content = each.intent.stat, each.intent.content
    assert stat is not None and content.algorithm is not None
    try:
        folder_fd, name = night.secondary.at(in_copy(each.intent.path))
        read_bytes, digest, direct = hash_from_platter(
            folder_fd,
            name,
            hasher=by_id(content.algorithm).new(),
            effects=night.effects,
            buffers=night.buffers,
            should_stop=night.stop,
            progress=lambda size_bytes: None,
        )
    except (OSError, ReadFailed):
        return False
    if not direct:
        night.note(
            "The secondary's file system does not let its cache be passed by; new copies were read back after"
            " their pages were dropped, which proves a little less."
        )
    night.tally.read_back_files += 1
    night.tally.read_back_bytes += read_bytes
    return digest == content.digest
