"""How long a whole restore would take, from what a rehearsal measured.

Each restored file gave a time. A straight line through them, ``seconds = per_file_s + size_bytes / rate``, tells small
files, where opening and naming count, from large ones, where the drive's rate does (least squares; a slope or a start
below zero is taken as none of it). The whole drive is then ``files * per_file_s + bytes / rate``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from nightferry.planning import links

# What somebody gets who fetches files over a gigabit network from a box that shares them; `plan` takes the same.
GIGABIT_SHARE_BYTES_PER_S = links.shared_files_bytes_per_s(1e9)

# A rate from less than this is that of a cache in the drive and of a timer's step.
LEAST_BYTES = 1 << 20


class Pace(NamedTuple):
    """``rate_bytes_per_s`` None: too little was read to tell."""

    per_file_s: float
    rate_bytes_per_s: float | None


class WholeRestore(NamedTuple):
    """Seconds; None where no rate could be measured."""

    files: int
    size_bytes: int
    local_s: float | None
    network_s: float | None


def pace(timed: Sequence[tuple[int, float]]) -> Pace:
    """From (bytes, seconds) of each file."""
    total_bytes, total_s = sum(size for size, _ in timed), sum(seconds for _, seconds in timed)
    if total_bytes < LEAST_BYTES or total_s <= 0:
        return Pace(total_s / len(timed) if timed else 0.0, None)
    count = len(timed)
    mean_bytes, mean_s = total_bytes / count, total_s / count
    spread = sum((size - mean_bytes) ** 2 for size, _ in timed)
    slope = 0.0
    if spread > 0:
        slope = sum((size - mean_bytes) * (seconds - mean_s) for size, seconds in timed) / spread
    per_file_s = mean_s - slope * mean_bytes
    if slope <= 0 or per_file_s < 0:
        return Pace(0.0, total_bytes / total_s)
    return Pace(per_file_s, 1 / slope)


def whole_restore(files: int, size_bytes: int, measured: Pace) -> WholeRestore:
    """To a drive in the same machine, and over a gigabit network that nothing else uses, from shared files."""
    rate = measured.rate_bytes_per_s
    if rate is None:
        return WholeRestore(files, size_bytes, None, None)
    local_s = files * measured.per_file_s + size_bytes / rate
    # Reading and sending overlap: the slower of the two decides.
    return WholeRestore(files, size_bytes, local_s, max(local_s, size_bytes / GIGABIT_SHARE_BYTES_PER_S))
