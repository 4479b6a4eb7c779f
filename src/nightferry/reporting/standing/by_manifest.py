"""How a pair stands by its manifest, for the status file: what is unprotected, damaged, held, and when it is full."""

from __future__ import annotations

import json
import math
from contextlib import suppress
from pathlib import Path
from typing import Any

from nightferry.errors import NightferryError
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.nights_between import nights_up_to
from nightferry.manifest.records import Run
from nightferry.planning.trend import MOST_NIGHTS, fit, until_full
from nightferry.reporting.standing.status import FullFact, HoldFact, UnprotectedFact, moment
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects

# Beyond this nobody should plan by a straight line.
_FAR_DAYS = 36_500
_DAY_S = 86_400.0
_REASONS_KEPT = 20


def standing(settings: PairSettings, folder: Path, effects: Effects, now_s: float) -> dict[str, Any]:
    """Fields of a ``Status``; none where the manifest is not there or cannot be read."""
    if not (folder / FILE_NAME).exists():
        return {}
    with suppress(NightferryError, ValueError), Manifest.look(folder / FILE_NAME, effects, in_use=False) as manifest:
        newest = manifest.runs.last()
        runs = [] if newest is None else nights_up_to(manifest, newest.number, MOST_NIGHTS)
        return {
            "unprotected": _unprotected(runs),
            "open_damage": len(manifest.runs.open_damage()),
            "hold": _hold(manifest),
            "full": _full(runs, settings.keep_free, now_s),
        }
    return {}


def _unprotected(runs: list[Run]) -> UnprotectedFact | None:
    """Of the newest night that got so far as to know."""
    for run in reversed(runs):
        with suppress(KeyError, TypeError, ValueError):
            found = _summary(run)["unprotected"]
            return UnprotectedFact(int(found["files"]), int(found["bytes"]), moment(run.started_s))
    return None


def _hold(manifest: Manifest) -> HoldFact | None:
    hold = manifest.runs.open_hold()
    if hold is None:
        return None
    reasons = tuple(hold.reasons.split("\n")[:_REASONS_KEPT])
    return HoldFact(hold.run, hold.removals, hold.replacements, hold.released_s is not None, reasons)


def _full(runs: list[Run], keep_free_bytes: int, now_s: float) -> FullFact | None:
    held: list[tuple[float, int]] = []
    size_bytes = free_bytes = None
    for run in reversed(runs):
        with suppress(KeyError, TypeError, ValueError):
            found = _summary(run)["room"]["secondary"]
            free, total = int(found["free_bytes"]), int(found["total_bytes"])
            if size_bytes is None:
                size_bytes, free_bytes = total, free
            if total != size_bytes:
                break  # before that it was another drive
            held.append((run.started_s, total - free))
    trend = fit(held[::-1])
    if trend is None or free_bytes is None:
        return None
    days = until_full(max(0, free_bytes - keep_free_bytes), trend)
    return FullFact(
        _when(now_s, days.soonest_days), _when(now_s, days.likely_days), _when(now_s, days.latest_days),
        round(trend.bytes_per_day), trend.nights,
    )  # fmt: skip


def _when(now_s: float, days: float) -> str | None:
    return None if math.isinf(days) or days > _FAR_DAYS else moment(now_s + days * _DAY_S)


def _summary(run: Run) -> dict[str, Any]:
    found = json.loads(run.summary)
    if not isinstance(found, dict):
        raise TypeError("no summary")
    return found
