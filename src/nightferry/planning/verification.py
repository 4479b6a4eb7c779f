"""Fixity: what to read back tonight, what a reading means, and how sure it makes one.

The preservation trade checks fixity monthly to yearly (NDSA, "Checking Your Digital Content: How,
What and When to Check Fixity", 2014); a month is the default here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from statistics import median

from nightferry.planning.changes import content_untouched
from nightferry.tree.metadata import Stat
from nightferry.units import format_duration, format_rate, format_size

DAY_S = 86_400.0

# What a night reads beyond an even share, so that a night or two that fall out do not break the cycle.
HEADROOM = 1.15

# Nights by which the pace of reading is told, tonight's among them; of fewer than the least it says too little.
PACE_NIGHTS = 7
PACE_NIGHTS_LEAST = 3


class Verdict(Enum):
    """What reading a file back found."""

    INTACT = "intact"
    DECAYED = "decayed"  # other content, and nothing says that somebody wrote it
    MISSING = "missing"
    UNREADABLE = "unreadable"
    UNLISTED = "unlisted"  # no run put it there


def judge_primary(
    then: Stat, now: Stat | None, digest: bytes | None, wanted: bytes, *, inodes: bool = True
) -> Verdict | None:
    """The verdict on a file of the primary; None where somebody changed it, which the next night sees to.

    ``digest`` None: its content could not be read. A file that is gone is a person's doing: no verdict. ``inodes`` as
    in ``same_inode``.
    """
    if now is None or now.kind is not then.kind or not content_untouched(then, now, inodes=inodes):
        return None
    if digest is None:
        return Verdict.UNREADABLE
    return Verdict.INTACT if digest == wanted else Verdict.DECAYED


def judge_secondary(found: bool, digest: bytes | None, wanted: bytes) -> Verdict:
    """The verdict on a file of the secondary, where nobody but a run may write: any other content is damage."""
    if not found:
        return Verdict.MISSING
    if digest is None:
        return Verdict.UNREADABLE
    return Verdict.INTACT if digest == wanted else Verdict.DECAYED


def judge_name(
    then: Stat, now: Stat | None, target: bytes | None, wanted: bytes | None, *, readable: bool = True
) -> Verdict:
    """The verdict on a symlink or a folder of the secondary: whether it is there, and points where it should.

    ``target``: where a symlink points now, ``wanted``: where it should; None for a folder. ``readable``: whether the
    target, or the names in the folder, could be read.
    """
    if now is None:
        return Verdict.MISSING
    if now.kind is not then.kind:
        return Verdict.DECAYED  # something else stands there
    if not readable:
        return Verdict.UNREADABLE
    return Verdict.INTACT if target == wanted else Verdict.DECAYED


@dataclass(frozen=True)
class Budget:
    """How much one side reads tonight. It goes on beyond ``size_bytes`` only for what is overdue."""

    size_bytes: int
    overdue_before_s: float  # Unix time: what was last read before then is due whatever the budget


def nightly_budget(total_bytes: int, cycle_s: float, now_s: float) -> Budget:
    """An even share of a side's bytes for each night of the cycle, with headroom.

    Read oldest first, every byte comes round within the cycle where one night a day runs.
    """
    nights = max(1.0, cycle_s / DAY_S)
    share = min(1.0, HEADROOM / nights)
    return Budget(math.ceil(total_bytes * share), now_s - cycle_s + DAY_S)


@dataclass(frozen=True)
class NightRead:
    """What reading back one side came to in one night. ``offered_s``: the time it had, None without a window."""

    size_bytes: int
    seconds: float
    offered_s: float | None


def pace(nights: Sequence[NightRead], window_s: float | None) -> tuple[float, float | None]:
    """The rate (bytes per second) and the seconds a night of some nights, as ``cycle_problem`` takes them.

    The rate is that of all of them together, the time their median: one night that had a season of recordings to copy
    does not tell what the others have. Of less than three nights the whole window is assumed, so that nothing is said
    too early. ``window_s`` None: no window, so no limit.
    """
    seconds = sum(night.seconds for night in nights)
    rate_bytes_per_s = sum(night.size_bytes for night in nights) / seconds if seconds > 0 else 0.0
    offered = [night.offered_s for night in nights if night.offered_s is not None]
    if window_s is None or len(offered) < PACE_NIGHTS_LEAST:
        return rate_bytes_per_s, window_s
    return rate_bytes_per_s, median(offered)


def cycle_problem(
    total_bytes: int, rate_bytes_per_s: float, cycle_s: float, seconds_a_night: float | None
) -> str | None:
    """Why the cycle cannot be kept at a measured rate, in a sentence with the numbers; None where it can."""
    if seconds_a_night is None or rate_bytes_per_s <= 0 or total_bytes == 0:
        return None
    nights = max(1.0, cycle_s / DAY_S)
    possible_bytes = rate_bytes_per_s * seconds_a_night * nights
    if possible_bytes >= total_bytes:
        return None
    needed_s = total_bytes / rate_bytes_per_s / nights
    days = total_bytes / (rate_bytes_per_s * seconds_a_night) if seconds_a_night > 0 else math.inf
    longer = (
        f"a cycle of {math.ceil(days)} days is what is possible" if math.isfinite(days) else "there is no time at all"
    )
    return (
        f"{format_size(total_bytes)} cannot be read back within {format_duration(cycle_s)} at"
        f" {format_rate(rate_bytes_per_s)}: that needs {format_duration(needed_s)} a night and there are"
        f" {format_duration(seconds_a_night)}; {longer}. Lengthen the window (finish_by), raise verify_share, or"
        " lengthen verify_cycle."
    )


def detection_probability(nights: int, budget_bytes: int, total_bytes: int) -> float:
    """The chance that decay of one file is found within so many nights of it.

    Read oldest first in a round of ``total_bytes / budget_bytes`` nights, a file's turn has nothing to do with when it
    decays: the wait is uniform over the round, so the chance is ``nights * budget / total``, at most 1.
    A round started anew finds it with certainty. The size of the file plays no part: it is read whole in its turn.
    """
    if total_bytes <= 0:
        return 1.0
    return min(1.0, nights * budget_bytes / total_bytes)


def differing_ranges(one: bytes, other: bytes, offset: int = 0) -> list[tuple[int, int]]:
    """Where two blocks differ: (start, end) in bytes from ``offset``, neighbours within 16 bytes joined.

    >>> differing_ranges(b"abcd", b"abXd")
    [(2, 3)]
    """
    ranges: list[tuple[int, int]] = []
    for at in _differing(one, other):
        if ranges and at - (ranges[-1][1] - offset) <= 16:
            ranges[-1] = (ranges[-1][0], offset + at + 1)
        else:
            ranges.append((offset + at, offset + at + 1))
    shorter, longer = sorted((len(one), len(other)))
    if longer > shorter:
        ranges.append((offset + shorter, offset + longer))
    return ranges


def _differing(one: Sequence[int], other: Sequence[int]) -> list[int]:
    if one == other:
        return []
    return [at for at, (left, right) in enumerate(zip(one, other, strict=False)) if left != right]
