"""The odds of losing data: of a read error, of a drive in a year, of a mirror, of two independent drives.

All of them rest on assumptions that real drives break: failures come independently and at a constant
rate. Drives of one batch, in one box, on one power supply fail together; each figure is a floor for
the risk, and good for comparing layouts with each other and not for a promise.
"""

from __future__ import annotations

import math

HOURS_PER_YEAR = 8_766.0  # 365.25 days
_BITS = 8


def read_error_chance(size_bytes: float, bit_error_rate: float) -> float:
    """The chance of at least one unrecoverable error in reading so many bytes.

    ``bit_error_rate`` as the maker states it, errors a bit: 1e-14 over 1 TB gives 7.7 %. 1 - (1 - rate)^bits, taken
    through logarithms, since such small numbers vanish beside 1.
    """
    if not 0 <= bit_error_rate < 1 or size_bytes < 0:
        raise ValueError("a bit error rate lies between 0 and 1, and a size is not negative")
    return -math.expm1(size_bytes * _BITS * math.log1p(-bit_error_rate))


def annual_failure_chance(mttf_h: float) -> float:
    """The chance that a drive fails within a year, from its mean time to failure in hours: 1 - exp(-year / MTTF)."""
    if mttf_h <= 0:
        raise ValueError("a mean time to failure is longer than nothing")
    return -math.expm1(-HOURS_PER_YEAR / mttf_h)


def mttf_hours(annual_failure: float) -> float:
    """The reverse of ``annual_failure_chance``; endless for 0."""
    if not 0 <= annual_failure < 1:
        raise ValueError("a chance lies between 0 and 1")
    return math.inf if annual_failure == 0 else -HOURS_PER_YEAR / math.log1p(-annual_failure)


def mirror_mttdl_hours(mttf_h: float, mttr_h: float, pairs: int = 1) -> float:
    """The mean time until a mirror loses data to drive failures alone: MTTF² / (2 · MTTR), for each of ``pairs``.

    D. Patterson, G. Gibson, R. Katz, "A Case for Redundant Arrays of Inexpensive Disks (RAID)", SIGMOD 1988, with a
    group of one data disk and one check disk. It holds while ``mttr_h``, the time to replace and to fill a drive, is
    short beside ``mttf_h``.
    """
    if mttf_h <= 0 or mttr_h <= 0 or pairs < 1:
        raise ValueError("times are longer than nothing, and there is a pair at least")
    return mttf_h * mttf_h / (2 * mttr_h) / pairs


def loss_chance_per_year(mttdl_h: float) -> float:
    """From a mean time to data loss; constant rate."""
    return annual_failure_chance(mttdl_h)


def any_of(*chances: float) -> float:
    """The chance that at least one of several independent things happens."""
    return -math.expm1(math.fsum(math.log1p(-chance) for chance in chances)) if all(c < 1 for c in chances) else 1.0


def copy_gone_when_needed(annual_failure: float, restore_h: float, replace_h: float) -> float:
    """The yearly chance that of two independent drives the second fails while the first is being replaced.

    Either may go first: twice the annual chance, times the chance of the other failing in the time that a replacement
    takes to arrive and to fill.
    """
    mttf_h = mttf_hours(annual_failure)
    if math.isinf(mttf_h):
        return 0.0
    window_h = restore_h + replace_h
    return any_of(annual_failure, annual_failure) * -math.expm1(-window_h / mttf_h)
