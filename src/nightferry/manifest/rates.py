"""The rates that earlier nights really reached, phase by phase, and how far they spread.

From the summaries of the runs. A night that moved too little to tell a rate tells none; a night in which somebody else
used a drive was slower, which is why there is a spread and not one figure.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median, quantiles
from typing import Any

from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import Run

# Less than this says more of a cache in the drive and of a timer's step than of the drive.
LEAST_BYTES = 8 << 20
LEAST_S = 0.05
NIGHTS = 60


@dataclass(frozen=True)
class Spread:
    """Bytes a second: the median, and the lower and upper quartile, of so many nights or parts of a measurement."""

    median: float
    low: float
    high: float
    count: int


@dataclass(frozen=True)
class History:
    """None wherever no night tells. ``per_file_s``: what a small file costs beside its bytes.

    ``changed_bytes`` and the like are averages a night, over ``nights`` after the first one; ``held``: Unix time and
    bytes in use on the secondary, oldest first.
    """

    copy: Spread | None
    read_back: Spread | None
    verify_primary: Spread | None
    verify_secondary: Spread | None
    per_file_s: float
    scan_s: float
    nights: int
    changed_files: float
    changed_bytes: float
    displaced_bytes: float
    held: tuple[tuple[float, int], ...]


def spread(values: Sequence[float]) -> Spread | None:
    """None of nothing."""
    if not values:
        return None
    if len(values) == 1:
        return Spread(values[0], values[0], values[0], 1)
    low, _, high = quantiles(values, n=4, method="inclusive")
    return Spread(median(values), low, high, len(values))


def history(manifest: Manifest, rates_since_s: float = 0.0) -> History:
    """Of the newest nights that have a summary; rates only of those that ended after ``rates_since_s`` (Unix time)."""
    found = list(_summaries(manifest))
    newer = [summary for run, summary in found if (run.ended_s or 0.0) >= rates_since_s]
    rates = [_part(summary, "rates") for summary in newer]
    readings = [_part(summary, "reading") for summary in newer]
    copy = _spread_of(rates, "copy")
    usual = [summary for run, summary in found if run.number > 1 and run.outcome in ("complete", "partial")]
    tallies = [each for summary in usual if (each := _part(summary, "tally"))]
    scans = [
        scan_s
        for _, summary in found
        if (scan_s := _number(_part(summary, "phase_s").get("scan and compare"))) is not None
    ]
    return History(
        copy=copy,
        read_back=_spread_of(rates, "read_back"),
        verify_primary=_spread_of(readings, "primary"),
        verify_secondary=_spread_of(readings, "secondary"),
        per_file_s=_per_file_s([each.get("copy_small") for each in rates], copy),
        scan_s=median(scans) if scans else 0.0,
        nights=len(tallies),
        changed_files=_mean([_sum(each, "added", "changed") for each in tallies]),
        changed_bytes=_mean([_sum(each, "added_bytes", "changed_bytes") for each in tallies]),
        # What replaced something was about as large as what it replaced.
        displaced_bytes=_mean([_sum(each, "changed_bytes", "removed_bytes") for each in tallies]),
        held=tuple(reversed([each for each in map(_held, found) if each is not None])),
    )


def _summaries(manifest: Manifest) -> Iterator[tuple[Run, dict[str, Any]]]:
    """Newest first."""
    for run, _ in zip(manifest.runs.all(), range(NIGHTS), strict=False):
        try:
            summary = json.loads(run.summary or "")
        except ValueError:
            continue  # it was cut off
        if isinstance(summary, dict):
            yield run, summary


def _part(summary: dict[str, Any], name: str) -> dict[str, Any]:
    """Empty where it is not there, or is not what a night writes: a manifest may come from a drive that was found."""
    found = summary.get(name)
    return found if isinstance(found, dict) else {}


def _number(said: Any) -> float | None:
    is_one = isinstance(said, (int, float)) and not isinstance(said, bool) and 0 <= said < 1e18
    return float(said) if is_one else None


def _rate(said: Any) -> float | None:
    if not isinstance(said, dict):
        return None
    size_bytes, seconds = _number(said.get("bytes")), _number(said.get("s"))
    if size_bytes is None or seconds is None or size_bytes < LEAST_BYTES or seconds < LEAST_S:
        return None
    return size_bytes / seconds


def _spread_of(nights: Sequence[dict[str, Any]], phase: str) -> Spread | None:
    return spread([rate for each in nights if (rate := _rate(each.get(phase))) is not None])


def _per_file_s(small: Sequence[Any], copy: Spread | None) -> float:
    """What is left of the time of small files when their bytes are taken off."""
    files = size_bytes = seconds = 0.0
    for each in small:
        found = [_number(each.get(key)) for key in ("files", "bytes", "s")] if isinstance(each, dict) else [None]
        if all(value is not None for value in found):
            files, size_bytes, seconds = (
                then + (value or 0.0) for then, value in zip((files, size_bytes, seconds), found, strict=True)
            )
    if not files:
        return 0.0
    bytes_s = 0.0 if copy is None else size_bytes / copy.median
    return max(0.0, seconds - bytes_s) / files


def _held(found: tuple[Run, dict[str, Any]]) -> tuple[float, int] | None:
    run, summary = found
    covered = _part(summary, "coverage")
    parts = [_number(_part(covered, place).get("total_bytes")) for place in ("secondary", "retired")]
    if run.ended_s is None or any(each is None for each in parts):
        return None
    return run.ended_s, int(sum(each or 0.0 for each in parts))


def _sum(tally: dict[str, Any], *names: str) -> float:
    return sum(_number(tally.get(name)) or 0.0 for name in names)


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values) if values else 0.0
