"""Coverage on a terminal."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from nightferry.manifest.covered import AGE_EDGES_S, Coverage
from nightferry.reporting.standing.coverage import Covered
from nightferry.units import format_count, format_duration, format_size

if TYPE_CHECKING:
    from nightferry.reporting.look.terminal import Screen

_DAY_S = 86_400
# A reading that found a file bad leaves none of the readings before it: what was read and what was not look alike.
NEVER = "never, or bad"


def days(span_s: float) -> str:
    """A span that is set in days: "30 d"."""
    return f"{format_count(int(span_s // _DAY_S))} d" if span_s % _DAY_S == 0 else format_duration(span_s)


def coverage_line(each: Coverage, now_s: float) -> str:
    """One place in a line: "97% of 1.2 TiB, the oldest 29 d 02 h ago, 3 files never read or bad"."""
    if not each.files_total:
        return "nothing to read"
    parts = [f"{_percent(each)} of {format_size(each.total_bytes)}"]
    if each.oldest_s is not None:
        age_s = now_s - each.oldest_s
        parts.append(f"the oldest {format_duration(age_s) if age_s >= 60 else 'under 1 min'} ago")
    if each.never_files:
        noun = "file" if each.never_files == 1 else "files"
        parts.append(f"{format_count(each.never_files)} {noun} never read or bad")
    return ", ".join(parts)


def _percent(each: Coverage) -> str:
    """Never "100%" where a byte is missing, nor "0%" where one was read."""
    if each.size_bytes == each.total_bytes and each.files == each.files_total:
        return "100%"
    return f"{min(99, max(1 if each.size_bytes else 0, int(each.share * 100)))}%"


def show_coverage(screen: Screen, covered: Covered, cycle_s: float, now_s: float, when: str = "") -> None:
    """A line for each place that holds anything. ``now_s``: the moment by which ages are told, ``when`` in words."""
    rows = [(place, coverage_line(each, now_s)) for place, each in covered.items() if each.files_total]
    if not rows:
        return
    screen.text(f"Read back and found intact within {days(cycle_s)}{when}:")
    screen.table(("", ""), rows)


def show_ages(screen: Screen, covered: Covered) -> None:
    """How long ago the bytes of each place were last read, sorted by age; ages that nothing has are left out."""
    places = [place for place, each in covered.items() if each.files_total]
    if not places:
        return
    edges = [0, *AGE_EDGES_S]
    labels = [f"{before // _DAY_S} to {days(after)} ago" for before, after in pairwise(edges)]
    labels += [f"over {days(AGE_EDGES_S[-1])} ago", NEVER]
    rows = [(label, *(_share(covered[place], number) for place in places)) for number, label in enumerate(labels)]
    screen.gap()
    screen.table(
        ("last read", *(f">{place}" for place in places)), [row for row in rows if any(each != "-" for each in row[1:])]
    )


def _share(each: Coverage, number: int) -> str:
    known = sum(size_bytes for _, size_bytes in each.ages)
    files, size_bytes = (*each.ages, (each.never_files, each.total_bytes - known))[number]
    return format_size(size_bytes) if files else "-"
