"""What a pair of drives can do: first copy, usual night, verify cycle, restoring, keeping; and what limits each.

Rates are of payload in bytes a second, of large files; times are in seconds. All of it is plain division. What
makes it worth a module is what runs at once and what waits: a copy reads one drive while it writes the other, so
the slowest part counts; reading back waits for the writing; verifying reads both drives at once, so the longer
of the two counts; and a link that both drives share carries the sum of what they move.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum

DAY_S = 86_400.0


class Part(Enum):
    """What can limit a rate."""

    PRIMARY = "the primary"
    SECONDARY = "the secondary"
    LINK = "the link that both drives share"
    HASH = "the processor, hashing"
    NETWORK = "the network"
    NEW_DRIVE = "the new drive"


@dataclass(frozen=True)
class Limited:
    rate_bytes_per_s: float
    by: Part

    def seconds(self, size_bytes: float) -> float:
        """How long so much takes."""
        return size_bytes / self.rate_bytes_per_s


@dataclass(frozen=True)
class Rates:
    """``link_in`` and ``link_out``: what a shared link carries from the drives and to them; ``half_duplex`` where one
    takes from the other, as on USB 2.0. Infinite: each drive has a link of its own."""

    primary_read: float
    secondary_write: float
    secondary_read: float
    link_in: float = math.inf
    link_out: float = math.inf
    half_duplex: bool = False
    hash: float = math.inf
    network: float = math.inf
    per_file_s: float = 0.0  # what each file costs beside its bytes


def _least(**parts: tuple[float, Part]) -> Limited:
    rate, by = min(parts.values(), key=lambda each: each[0])
    return Limited(rate, by)


def _both_ways(rates: Rates) -> float:
    """What a shared link carries from one drive to the other."""
    link = min(rates.link_in, rates.link_out)
    return link / 2 if rates.half_duplex else link


def copying(rates: Rates) -> Limited:
    """Reading the primary and writing the secondary at once."""
    return _least(
        primary=(rates.primary_read, Part.PRIMARY), secondary=(rates.secondary_write, Part.SECONDARY),
        link=(_both_ways(rates), Part.LINK), hash=(rates.hash, Part.HASH),
    )  # fmt: skip


def reading(rates: Rates) -> Limited:
    """Reading the secondary alone: back from the platter, or to restore from it."""
    return _least(
        secondary=(rates.secondary_read, Part.SECONDARY), link=(rates.link_in, Part.LINK),
        hash=(rates.hash, Part.HASH),
    )  # fmt: skip


def verify_seconds(rates: Rates, primary_bytes: float, secondary_bytes: float) -> tuple[float, Part]:
    """Reading so much of both drives at once; what limits it."""
    found = {
        Part.PRIMARY: primary_bytes / rates.primary_read,
        Part.SECONDARY: secondary_bytes / rates.secondary_read,
        Part.HASH: max(primary_bytes, secondary_bytes) / rates.hash,  # a core for each drive
        Part.LINK: (primary_bytes + secondary_bytes) / rates.link_in,
    }
    by = max(found, key=lambda part: found[part])
    return found[by], by


def restoring(rates: Rates, new_drive_write: float = math.inf, *, over_network: bool = False) -> Limited:
    """Reading the secondary and writing a new drive at once; over the network, to somebody else's."""
    return min(
        reading(rates),
        Limited(math.inf if over_network else _both_ways(rates), Part.LINK),
        Limited(new_drive_write, Part.NEW_DRIVE),
        Limited(rates.network if over_network else math.inf, Part.NETWORK),
        key=lambda each: each.rate_bytes_per_s,
    )


@dataclass(frozen=True)
class Work:
    """What there is to do. ``displaced_bytes_per_day``: what changes or goes, and is kept in ``retired/``."""

    files: int
    total_bytes: int
    changed_files_per_day: float
    changed_bytes_per_day: float
    displaced_bytes_per_day: float
    retired_bytes: int
    scan_s: float
    window_s: float
    read_back_share: float  # 0.0 to 1.0
    verify_cycle_s: float
    verify_share: float  # of what is left of the window
    free_bytes: int  # on the secondary, above what is to be kept free
    nights_per_day: float = 1.0


@dataclass(frozen=True)
class Night:
    """Seconds of a usual night, and whether they fit."""

    scan_s: float
    copy_s: float
    read_back_s: float
    verify_s: float  # an even share of the cycle
    window_s: float
    limit: Part

    @property
    def whole_s(self) -> float:
        return self.scan_s + self.copy_s + self.read_back_s + self.verify_s

    @property
    def margin_s(self) -> float:
        """What is left of the window; negative where the night does not fit."""
        return self.window_s - self.whole_s


def first_copy_s(rates: Rates, work: Work) -> tuple[float, float]:
    """Copying all, and reading it back."""
    copy_s = copying(rates).seconds(work.total_bytes) + work.files * rates.per_file_s
    return copy_s, reading(rates).seconds(work.total_bytes * work.read_back_share)


def usual_night(rates: Rates, work: Work) -> Night:
    copied_bytes = work.changed_bytes_per_day / work.nights_per_day
    copied_files = work.changed_files_per_day / work.nights_per_day
    cycle_nights = max(1.0, work.verify_cycle_s / DAY_S * work.nights_per_day)
    verify_s, _ = verify_seconds(
        rates, work.total_bytes / cycle_nights, (work.total_bytes + work.retired_bytes) / cycle_nights
    )
    return Night(
        scan_s=work.scan_s,
        copy_s=copying(rates).seconds(copied_bytes) + copied_files * rates.per_file_s,
        read_back_s=reading(rates).seconds(copied_bytes * work.read_back_share),
        verify_s=verify_s,
        window_s=work.window_s,
        limit=copying(rates).by,
    )


def possible_cycle_s(rates: Rates, work: Work) -> float:
    """The shortest cycle in which every byte can be read with what is left of the window; infinite where nothing is."""
    night = usual_night(rates, work)
    left_s = (work.window_s - night.whole_s + night.verify_s) * work.verify_share
    if left_s <= 0:
        return math.inf
    all_s, _ = verify_seconds(rates, work.total_bytes, work.total_bytes + work.retired_bytes)
    return all_s / left_s / work.nights_per_day * DAY_S


def days_kept(work: Work) -> float:
    """How many days of displaced versions the secondary has room for, those it keeps now among them."""
    if work.displaced_bytes_per_day <= 0:
        return math.inf
    return (work.retired_bytes + max(0, work.free_bytes)) / work.displaced_bytes_per_day


def recovery_point_s(work: Work) -> float:
    """How old the newest safe state may be: work done since the last night is not on the secondary."""
    return DAY_S / work.nights_per_day


@dataclass(frozen=True)
class Change:
    """One thing that a person could change, and the usual night it would give."""

    what: str
    gained_s: float


def best_change(rates: Rates, work: Work) -> Change | None:
    """The one change that would shorten a usual night most; None where none gains a twentieth of it."""
    now_s = usual_night(rates, work).whole_s
    gains = [Change(what, now_s - usual_night(*change(rates, work)).whole_s) for what, change in _CHANGES]
    best = max(gains, key=lambda each: each.gained_s)
    return best if now_s and best.gained_s >= now_s / 20 else None


_CHANGES: tuple[tuple[str, Callable[[Rates, Work], tuple[Rates, Work]]], ...] = (
    (
        "each drive on a port of its own",
        lambda r, w: (replace(r, link_in=math.inf, link_out=math.inf, half_duplex=False), w),
    ),
    (
        "a secondary twice as fast",
        lambda r, w: (replace(r, secondary_write=2 * r.secondary_write, secondary_read=2 * r.secondary_read), w),
    ),
    ("a primary twice as fast", lambda r, w: (replace(r, primary_read=2 * r.primary_read), w)),
    ("a faster processor or checksum", lambda r, w: (replace(r, hash=math.inf), w)),
    ("reading back a tenth of what was copied, and the rest through the month",
     lambda r, w: (r, replace(w, read_back_share=min(w.read_back_share, 0.1)))),
    ("a verify cycle twice as long", lambda r, w: (r, replace(w, verify_cycle_s=2 * w.verify_cycle_s))),
)  # fmt: skip
