"""Read-back: what was just written, read from the platter past the page cache and compared."""

from __future__ import annotations

from collections.abc import Callable

import xxhash

from nightferry.night.carry import in_copy
from nightferry.night.commit import Pending
from nightferry.night.context import Interrupted, Night
from nightferry.night.failing import check
from nightferry.tree.content import Stopped
from nightferry.tree.root import split
from nightferry.units import format_count


def read_back(night: Night, placed: list[Pending], copy_again: Callable[[Pending], list[Pending]]) -> int:
    """Compares a share of them; a copy that reads back wrong is written once more, then is damage.

    Returns how many were to be read back and were not, since the night is to stop. They count as never read, so that
    the next night's verification begins with them.
    """
    good: list[bytes] = []
    chosen = [each for each in placed if _is_chosen(night, each.intent.path)]
    if chosen:
        night.platter.forget()
    done = 0
    try:
        for each in chosen:
            night.stop.check()
            _read_one(night, each, copy_again, good)
            done += 1
    except (Interrupted, Stopped):
        _say_not_read(night, len(chosen) - done)
    finally:
        _enter(night, good)
    return len(chosen) - done


def _say_not_read(night: Night, count: int) -> None:
    night.tally.not_read_back += count
    copies = "1 new copy was" if count == 1 else f"{format_count(count)} new copies were"
    night.note(
        f"{copies} not read back, since the night was stopped before; the next night begins its reading with it."
    )


def _read_one(
    night: Night, each: Pending, copy_again: Callable[[Pending], list[Pending]], good: list[bytes]
) -> None:  # fmt: skip
    if _reads_well(night, each):
        good.append(each.intent.path)
        return
    night.health["secondary"].failed()
    check(night, "secondary")
    night.note("A new copy did not read back as it was written; it was written again. Watch that drive and its cable.")
    again = copy_again(each)
    if any(other.intent.path == each.intent.path and _reads_well(night, other) for other in again):
        good.append(each.intent.path)
        return
    night.manifest.runs.find_damage(
        each.intent.path, "secondary", "decayed", "read-back", night.number, night.clock.now_s(),
        "written twice tonight and read back wrong both times: replace this drive",
    )  # fmt: skip
    night.tally.damage += 1
    night.plan.mark_incomplete(split(each.intent.path)[0])


def _enter(night: Night, good: list[bytes]) -> None:
    if not good:
        return
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
