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
    rates = [summary.get("rates") or {} for summary in newer]
    copy = spread([rate for each in rates if (rate := _rate(each.get("copy"))) is not None])
    readings = [summary.get("reading") or {} for summary in newer]
    later = [(run, summary) for run, summary in found if run.number > 1 and run.outcome in ("complete", "partial")]
    scans = [
        float(summary["phase_s"]["scan and compare"])
        for _, summary in found
        if isinstance(summary.get("phase_s"), dict) and "scan and compare" in summary["phase_s"]
    ]
    tallies = [summary["tally"] for _, summary in later if isinstance(summary.get("tally"), dict)]
    return History(
        copy=copy,
        read_back=spread([rate for each in rates if (rate := _rate(each.get("read_back"))) is not None]),
        verify_primary=spread([rate for each in readings if (rate := _rate(each.get("primary"))) is not None]),
        verify_secondary=spread([rate for each in readings if (rate := _rate(each.get("secondary"))) is not None]),
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


def _rate(said: Any) -> float | None:
    try:
        size_bytes, seconds = float(said["bytes"]), float(said["s"])
    except (TypeError, KeyError, ValueError):
        return None
    if not (size_bytes >= LEAST_BYTES and seconds >= LEAST_S and math.isfinite(size_bytes / seconds)):
        return None
    return size_bytes / seconds


def _per_file_s(small: Sequence[Any], copy: Spread | None) -> float:
    """What is left of the time of small files when their bytes are taken off."""
    try:
        chosen = [(int(each["files"]), float(each["bytes"]), float(each["s"])) for each in small if each]
    except (TypeError, KeyError, ValueError):
        return 0.0
    files = sum(each[0] for each in chosen)
    if not files:
        return 0.0
    bytes_s = 0.0 if copy is None else sum(each[1] for each in chosen) / copy.median
    return max(0.0, sum(each[2] for each in chosen) - bytes_s) / files


def _held(found: tuple[Run, dict[str, Any]]) -> tuple[float, int] | None:
    run, summary = found
    try:
        covered = summary["coverage"]
        held = int(covered["secondary"]["total_bytes"]) + int(covered["retired"]["total_bytes"])
    except (TypeError, KeyError, ValueError):
        return None
    return None if run.ended_s is None else (run.ended_s, held)


def _sum(tally: dict[str, Any], *names: str) -> float:
    return float(sum(value for name in names if isinstance(value := tally.get(name), int)))


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values) if values else 0.0
