"""Sizes and rates in the units that drives are sold and measured in: powers of 1,000, two to four digits.

Everything else that nightferry shows is in powers of 1,024, as file systems count. A plan sets drives that are not
bought yet beside figures from their makers, and a gigabit beside both, so it stays in the units of those.
"""

from __future__ import annotations

import math

from nightferry.units import format_duration

_UNITS = ("B", "kB", "MB", "GB", "TB", "PB", "EB")


def size(size_bytes: float) -> str:
    """`1.0 TB`, `800 GB`; `without end` where it is not finite."""
    if not math.isfinite(size_bytes):
        return "without end"
    sign, magnitude, position = "-" if size_bytes < 0 else "", abs(size_bytes), 0
    while magnitude >= 999.5 and position < len(_UNITS) - 1:
        magnitude /= 1000
        position += 1
    digits = 1 if magnitude < 9.95 and position else 0
    return f"{sign}{magnitude:,.{digits}f} {_UNITS[position]}"


def rate(bytes_per_s: float) -> str:
    """`109 MB/s`."""
    return f"{size(bytes_per_s)}/s"


def rates(low: float, high: float) -> str:
    """`54-109 MB/s`; one figure where both are shown alike."""
    if rate(low) == rate(high):
        return rate(low)
    first, second = rate(low), rate(high)
    if first.split(" ")[1] == second.split(" ")[1]:
        first = first.split(" ")[0]
    return f"{first}-{second}"


def days(length_days: float) -> str:
    """`160 d`, `5.2 years`; `never` where there is no end."""
    if not math.isfinite(length_days):
        return "never"
    if length_days < 3:
        return format_duration(length_days * 86_400)
    return f"{length_days:,.0f} d" if length_days < 730 else f"{length_days / 365.25:,.1f} years"


def chance(share: float) -> str:
    """`2.9%`, `1 in 24,000`: two digits, since no assumption about drives is better than that."""
    if share >= 0.001:
        return f"{share * 100:.1f}%"
    if share <= 0:
        return "0"
    one_in = 1 / share
    step = 10 ** (math.floor(math.log10(one_in)) - 1)
    return f"1 in {round(one_in / step) * step:,.0f}"
