"""A plan as JSON. Seconds, bytes, bytes a second; null for what has no end or is not known."""

from __future__ import annotations

import math
from typing import Any

from nightferry.planning.layouts import Range, Sheet
from nightferry.planning.prospect import Prospect, Situation
from nightferry.reporting.screens.layouts_text import verdict
from nightferry.reporting.screens.plan_notes import notes


def _finite(value: float) -> float | None:
    return round(value, 3) if math.isfinite(value) else None


def plan_as_json(what: Situation | None, found: Prospect | None) -> dict[str, Any]:
    """All of it; with empty values where none could be made."""
    if what is None or found is None:
        return {
            "rates": None, "first_copy": None, "night": None, "verify_cycle_s": None, "restore": None,
            "days_kept": None, "full": None, "recovery_point_s": None, "best_change": None, "read_error_chance": None,
            "power": None, "layouts": [], "advice": [], "assumptions": [], "notes": [],
        }  # fmt: skip
    night = found.night
    return {
        "rates": {
            "primary_read": round(what.rates.primary_read),
            "secondary_write": round(what.rates.secondary_write),
            "secondary_read": round(what.rates.secondary_read),
            "network": round(what.rates.network),
            "copying": round(found.copying.rate_bytes_per_s),
            "copying_limited_by": found.copying.by.name.lower(),
        },
        "first_copy": {
            "copy_s": round(found.first_copy_s, 1), "read_back_s": round(found.first_read_back_s, 1),
            "full_drive_s": round(found.full_drive_copy_s, 1),
            "read_back_limited_by": found.reading_back.by.name.lower(),
        },
        "night": {
            "scan_s": round(night.scan_s, 1), "copy_s": round(night.copy_s, 1),
            "read_back_s": round(night.read_back_s, 1), "verify_s": round(night.verify_s, 1),
            "whole_s": round(night.whole_s, 1), "window_s": round(night.window_s, 1),
            "margin_s": round(night.margin_s, 1), "limited_by": night.limit.name.lower(),
        },
        "verify_cycle_s": _finite(found.possible_cycle_s),
        "restore": {
            "here_s": round(found.restore_s, 1), "here_limited_by": found.restore.by.name.lower(),
            "network_s": round(found.restore_network_s, 1),
            "network_limited_by": found.restore_network.by.name.lower(),
            "network_bytes_per_s": round(found.restore_network.rate_bytes_per_s),
        },
        "days_kept": _finite(found.days_kept),
        "full": None if found.full is None else {
            "soonest_days": _finite(found.full.soonest_days), "likely_days": _finite(found.full.likely_days),
            "latest_days": _finite(found.full.latest_days),
            "nights": None if found.trend is None else found.trend.nights,
        },
        "recovery_point_s": round(found.recovery_point_s, 1),
        "best_change": None if found.best_change is None else {
            "what": found.best_change.what, "gained_s": round(found.best_change.gained_s, 1),
        },
        "read_error_chance": found.read_error_chance,
        "power": None if found.power is None else {
            "running_ma": found.power.running_ma, "peak_ma": found.power.peak_ma, "total_ma": found.power.total_ma,
            "over_port": list(found.power.over_port), "over_total": found.power.over_total,
            "needs_own_supply": found.power.needs_own_supply,
        },
        "layouts": [_layout(each) for each in found.sheets],
        "advice": verdict(found.sheets),
        "assumptions": list(found.assumptions),
        "notes": list(notes(what).values()),
    }  # fmt: skip


def _range(found: Range) -> dict[str, float]:
    return {"low": round(found.low), "high": round(found.high)}


def _layout(each: Sheet) -> dict[str, Any]:
    return {
        "layout": each.layout.name.lower(),
        "drives": each.drives,
        "usable_bytes": each.usable_bytes,
        "write": _range(each.write),
        "read": _range(each.read),
        "network_write": _range(each.network_write),
        "network_read": _range(each.network_read),
        "survives": {threat.name.lower(): found.name.lower() for threat, found in each.survives.items()},
        "at_risk_h": each.at_risk_h,
        "back_h": _finite(each.back_h),
        "drive_loss_per_year": each.drive_loss_per_year,
    }
