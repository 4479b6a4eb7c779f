"""When the secondary is full, in words: how sure that is, and from how many nights."""

from __future__ import annotations

import math

from nightferry.planning.trend import LEAST_DAYS, LEAST_NIGHTS
from nightferry.reporting.audit.changes import counted
from nightferry.reporting.page.facts import Facts, held_on_this_drive
from nightferry.units import format_count, format_size

# Further ahead than this nobody should plan by a straight line.
_FAR_DAYS = 3_650


def forecast_sentence(facts: Facts) -> str:
    """A sentence or two."""
    trend, full = facts.trend, facts.full
    if trend is None or full is None:
        nights = len(held_on_this_drive(facts.history))
        return (
            f"A forecast needs {LEAST_NIGHTS} nights over {LEAST_DAYS} days that noted how full the drive was; there"
            f" {'is' if nights == 1 else 'are'} {counted(nights, 'night')} so far."
        )
    pace = (
        f"By the last {trend.nights} nights it fills by {_pace(trend.bytes_per_day)} a day"
        f" (with 95% confidence: {_pace(trend.low)} to {_pace(trend.high)})."
    )
    if full.likely_days <= 0:
        return f"{pace} It is full already, but for what keep_free keeps free."
    if math.isinf(full.soonest_days):
        return f"{pace} It is not filling up."
    if math.isinf(full.likely_days) or full.likely_days > _FAR_DAYS:
        return f"{pace} At that pace it lasts for years; at the fastest it is full in {_days(full.soonest_days)}."
    latest = "never" if full.latest_days > _FAR_DAYS else f"in {_days(full.latest_days)}"
    if _days(full.soonest_days) == latest.removeprefix("in "):
        return f"{pace} At that pace it is full in {_days(full.likely_days)}."
    return (
        f"{pace} At that pace it is full in {_days(full.likely_days)}: in {_days(full.soonest_days)} at the earliest,"
        f" {latest} at the latest. Retired versions go sooner then, down to what `keep_retired_at_least` says."
    )


def _pace(bytes_per_day: float) -> str:
    return format_size(round(bytes_per_day))


def _days(days: float) -> str:
    if days > _FAR_DAYS:
        return "more than ten years"
    whole = max(1, round(days))
    return "1 day" if whole == 1 else f"{format_count(whole)} days"
