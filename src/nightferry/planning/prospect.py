"""All that ``plan`` says of one pair or of drives not bought yet, worked out from one description of them.

Pure: figures in, figures out. What was assumed is listed beside them, so that nobody takes an assumption for a fact.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from nightferry.planning import capacity, layouts, links, odds, power, trend
from nightferry.planning.capacity import Change, Limited, Night, Part, Rates, Work
from nightferry.planning.layouts import Sheet

# An unrecoverable error in so many bits read, as makers of such drives state it.
BIT_ERROR_RATE = 1e-14
# Of drives in their first years, by what large users have published, 1 to 3 in a hundred fail in a year.
ANNUAL_FAILURE = 0.03


@dataclass(frozen=True)
class Situation:
    """``drive_bytes``: the size of each of ``drives``. ``loads`` is None where nothing is known of currents, and empty
    where no USB port feeds a drive.

    ``network_line_bits_per_s``: as the link negotiated it. ``held``: Unix times and bytes in use on the secondary.
    """

    rates: Rates
    work: Work
    drive_bytes: int
    secondary_bytes: int
    drives: int
    network_line_bits_per_s: float
    loads: Sequence[power.Load] | None = None
    held: Sequence[tuple[float, int]] = ()
    growth_bytes_per_day: float | None = None  # assumed, where there are too few nights to fit
    annual_failure: float = ANNUAL_FAILURE
    bit_error_rate: float = BIT_ERROR_RATE
    replace_h: float = 72.0
    assumptions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Prospect:
    """Seconds, bytes and rates, as ``planning.capacity`` has them."""

    copying: Limited
    reading_back: Limited
    first_copy_s: float
    first_read_back_s: float
    full_drive_copy_s: float
    night: Night
    possible_cycle_s: float
    verify_limit: Part
    restore: Limited
    restore_s: float
    restore_network: Limited
    restore_network_s: float
    days_kept: float
    full: trend.Full | None
    trend: trend.Trend | None
    recovery_point_s: float
    best_change: Change | None
    read_error_chance: float
    sheets: list[Sheet]
    power: power.Verdict | None
    assumptions: tuple[str, ...] = field(default=())


def prospect(what: Situation) -> Prospect:
    """Raises ``ValueError`` for rates or sizes that are not above nothing."""
    rates, work = what.rates, what.work
    if (
        min(rates.primary_read, rates.secondary_read, rates.secondary_write, rates.network) <= 0
        or what.drive_bytes <= 0
    ):
        raise ValueError("rates and sizes are more than nothing")
    copy_s, back_s = capacity.first_copy_s(rates, work)
    local = capacity.restoring(rates, new_drive_write=rates.secondary_write)  # it is taken to write as the secondary
    remote = capacity.restoring(rates, over_network=True)
    files_s = work.files * rates.per_file_s
    found = trend.fit(what.held)
    _, verify_limit = capacity.verify_seconds(rates, work.total_bytes, work.total_bytes + work.retired_bytes)
    return Prospect(
        copying=capacity.copying(rates),
        reading_back=capacity.reading(rates),
        first_copy_s=copy_s,
        first_read_back_s=back_s,
        full_drive_copy_s=capacity.copying(rates).seconds(what.drive_bytes),
        night=capacity.usual_night(rates, work),
        possible_cycle_s=capacity.possible_cycle_s(rates, work),
        verify_limit=verify_limit,
        restore=local,
        restore_s=local.seconds(work.total_bytes) + files_s,
        restore_network=remote,
        restore_network_s=remote.seconds(work.total_bytes) + files_s,
        days_kept=capacity.days_kept(work),
        full=_full(what, found),
        trend=found,
        recovery_point_s=capacity.recovery_point_s(work),
        best_change=capacity.best_change(rates, work),
        read_error_chance=odds.read_error_chance(work.total_bytes, what.bit_error_rate),
        sheets=_sheets(what),
        power=power.judge(what.loads) if what.loads else None,
        assumptions=what.assumptions,
    )


def _full(what: Situation, found: trend.Trend | None) -> trend.Full | None:
    """From the nights; with too few of them, from the growth that was assumed, which has no bounds."""
    if found is not None:
        return trend.until_full(what.work.free_bytes, found)
    if what.growth_bytes_per_day is None:
        return None
    growth = what.growth_bytes_per_day
    days = math.inf if growth <= 0 else max(0, what.work.free_bytes) / growth
    return trend.Full(days, days, days)


def _sheets(what: Situation) -> list[Sheet]:
    drive = layouts.DriveFigures(
        what.drive_bytes,
        min(what.rates.primary_read, what.rates.secondary_read),
        what.rates.secondary_write,
        what.annual_failure,
    )
    link_out = math.inf if what.rates.half_duplex else what.rates.link_out
    box = layouts.Box(what.rates.link_in, what.rates.network, what.replace_h, link_out)
    return [layouts.sheet(layout, what.drives, drive, box) for layout in layouts.possible(what.drives)]


def network_rate(line_bits_per_s: float) -> float:
    """What reading a large file over such a network is likely to give."""
    return links.shared_files_bytes_per_s(line_bits_per_s)
