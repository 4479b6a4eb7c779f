"""Where the marks of a chart lie: numbers only. ``templates/charts.html`` draws them.

Across, all is in percent of the width, so that a chart fits any screen while its letters keep their size; up and down
it is in pixels. Nothing here comes from a file's name.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from nightferry.manifest.covered import AGE_EDGES_S, Coverage
from nightferry.planning.trend import Trend
from nightferry.reporting.audit.changes import ADDED, CHANGED, MOVED, REMOVED
from nightferry.reporting.look.words import day
from nightferry.reporting.page.facts import Facts, NightPoint, held_on_this_drive
from nightferry.reporting.screens.coverage_text import NEVER
from nightferry.reporting.standing.coverage import Covered
from nightferry.units import format_rate, format_size

BAR_KINDS = (ADDED, CHANGED, MOVED, REMOVED)
BARS_SHOWN = 45
POINTS_DRAWN = 60
HEIGHT_PX = 150
TOP_PX = 18  # room for the label of the topmost line
_LEAST_BAR_PX = 1.5
# A bar that is so many times as high as the next one would flatten all the others: it is cut off, and says so.
_CUT_FROM = 4
_DAY_S = 86_400.0
_SHORTEST_OUTLOOK_S, _LONGEST_OUTLOOK_S = 30 * _DAY_S, 365 * _DAY_S


@dataclass(frozen=True)
class Box:
    """A rectangle. ``x``, ``width`` in percent, ``y``, ``height`` in pixels; ``look`` is a class of the style."""

    x: float
    y: float
    width: float
    height: float
    look: str


@dataclass(frozen=True)
class Line:
    """Points (percent, pixels), joined."""

    points: tuple[tuple[float, float], ...]
    look: str


@dataclass(frozen=True)
class Level:
    """A line across, with what it stands for."""

    y: float
    label: str


@dataclass(frozen=True)
class Bar:
    """A group of boxes with one hint."""

    hint: str
    boxes: tuple[Box, ...]


@dataclass
class Chart:
    """``summary``: what it shows, in a sentence or two. ``ends``: what stands at the left and right below it."""

    key: str
    title: str
    summary: str
    height: float = HEIGHT_PX
    levels: list[Level] = field(default_factory=list)
    bars: list[Bar] = field(default_factory=list)
    areas: list[Line] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    marks: list[tuple[float, float, str]] = field(default_factory=list)
    ends: tuple[str, str] = ("", "")
    legend: list[tuple[str, str]] = field(default_factory=list)  # (look, word)


# --- a scale


def steps_up_to(largest: float, *, binary: bool = True) -> list[float]:
    """Two to four round values from above 0 up to ``largest``: 1, 2 or 5 times ten, of the binary unit that fits.

    >>> steps_up_to(3 * 1024**3) == [1024**3, 2 * 1024**3, 3 * 1024**3]
    True
    """
    if largest <= 0 or not math.isfinite(largest):
        return []
    unit = 1024.0 ** max(0, int(math.log(largest, 1024) + 1e-9)) if binary else 1.0
    raw = largest / unit / 3
    magnitude = 10.0 ** math.floor(math.log10(raw))
    step = next(each * magnitude for each in (1, 2, 5, 10) if each * magnitude >= raw * 0.999)
    count = int(largest / unit / step + 1e-9)
    return [number * step * unit for number in range(1, count + 1)]


def _y(value: float, largest: float, height: float = HEIGHT_PX) -> float:
    share = min(1.0, max(0.0, value / largest)) if largest > 0 else 0.0
    return round(height - share * (height - TOP_PX), 1)


# --- nights as bars


def night_bars(history: Sequence[NightPoint]) -> Chart | None:
    """Bytes by kind of change, night by night. None where no night changed any."""
    nights = history[-BARS_SHOWN:]
    sums = [sum(each.size_bytes.values()) for each in nights]
    if not any(sums):
        return None
    top = bar_top(sums)
    cut = [night for night, total in zip(nights, sums, strict=True) if total > top]
    busiest = max(zip(sums, nights, strict=True), key=lambda each: each[0])
    most = f"{format_size(busiest[0])} in night {busiest[1].number} ({day(busiest[1].started_s)})"
    if len(nights) > 1:
        half = f"half of them changed {format_size(round(median(sums)))} or less"
        summary = f"Of the last {len(nights)} nights, {half}; the most was {most}."
    else:
        summary = f"It changed {format_size(busiest[0])}."
    if cut:
        named = [each for each in cut if each is not busiest[1]]
        others = ", ".join(f"night {each.number} ({format_size(sum(each.size_bytes.values()))})" for each in named)
        summary += f" Its bar is cut off at the top{f', as is that of {others}' if others else ''}."
    chart = Chart("bars", "What each night changed", summary)
    chart.levels = [Level(_y(value, top), format_size(round(value))) for value in steps_up_to(top)]
    slot = 100 / max(len(nights), 7)
    for position, (night, total) in enumerate(zip(nights, sums, strict=True)):
        chart.bars.append(_bar(night, total, top, position * slot + slot * 0.12, slot * 0.76))
        if total > top:
            chart.marks.append((round(position * slot + slot / 2, 2), 12, "cut"))
    chart.ends = (day(nights[0].started_s), day(nights[-1].started_s) if len(nights) > 1 else "")
    chart.legend = [(kind, kind) for kind in BAR_KINDS if any(each.size_bytes.get(kind) for each in nights)]
    return chart


def bar_top(sums: Sequence[int]) -> int:
    """The value at the top: the largest, but for a few that would flatten all others."""
    ordered = sorted((each for each in sums if each), reverse=True)
    for larger, smaller in pairwise(ordered[:4]):
        if larger > _CUT_FROM * smaller and len(ordered) >= 5:
            return round(smaller * 1.15)
    return ordered[0]


def _bar(night: NightPoint, total: int, top: int, x: float, width: float) -> Bar:
    boxes = []
    base = float(HEIGHT_PX)
    shrink = min(1.0, top / total) if total else 1.0  # one that is cut off keeps its proportions
    for kind in BAR_KINDS:
        size_bytes = night.size_bytes.get(kind, 0)
        if not size_bytes:
            continue
        height = max(_LEAST_BAR_PX, HEIGHT_PX - _y(size_bytes * shrink, top))
        base -= height
        boxes.append(Box(round(x, 2), round(base, 1), round(width, 2), round(height, 1), kind))
    told = ", ".join(
        f"{format_size(night.size_bytes[kind])} {kind}" for kind in BAR_KINDS if night.size_bytes.get(kind)
    )
    return Bar(f"Night {night.number}, {day(night.started_s)}: {told or 'nothing'}", tuple(boxes))


# --- rates over time


RATE_WORDS = {"copy": "copying", "primary": "reading the primary", "secondary": "reading the secondary"}


def rates_of(history: Sequence[NightPoint]) -> dict[str, list[tuple[NightPoint, float]]]:
    """What was measured, by what was done; empty where nothing was."""
    found: dict[str, list[tuple[NightPoint, float]]] = {key: [] for key in RATE_WORDS}
    for night in history:
        if night.copy_rate is not None:
            found["copy"].append((night, night.copy_rate))
        for side, rate in night.read_rates.items():
            found[side].append((night, rate))
    return {key: points for key, points in found.items() if points}


def rate_spread(points: Iterable[tuple[NightPoint, float]]) -> str:
    """ "median 38.0 MiB/s, from 31.2 MiB/s to 40.1 MiB/s, in 30 nights"."""
    rates = [rate for _, rate in points]
    if len(rates) == 1:
        return f"{format_rate(rates[0])} in one night"
    span = f"from {format_rate(min(rates))} to {format_rate(max(rates))}"
    return f"median {format_rate(median(rates))}, {span}, in {len(rates)} nights"


def rate_lines(history: Sequence[NightPoint]) -> Chart | None:
    """None where fewer than two nights measured any."""
    found = rates_of(history)
    if not any(len(points) > 1 for points in found.values()):
        return None
    nights = [night for points in found.values() for night, _ in points]
    first_s, last_s = min(each.started_s for each in nights), max(each.started_s for each in nights)
    top = max(rate for points in found.values() for _, rate in points) * 1.05
    told = "; ".join(f"{RATE_WORDS[key]}: {rate_spread(points)}" for key, points in found.items())
    chart = Chart("rates", "How fast the drives were", f"{told[0].upper()}{told[1:]}.")
    chart.levels = [Level(_y(value, top), format_rate(value)) for value in steps_up_to(top)]
    for key, points in found.items():
        places = tuple((_x(night.started_s, first_s, last_s), _y(rate, top)) for night, rate in points)
        chart.lines.append(Line(_rising(places), f"rate-{key}"))
        chart.legend.append((f"rate-{key}", RATE_WORDS[key]))
    chart.ends = (day(first_s), day(last_s))
    return chart


def _x(at_s: float, first_s: float, last_s: float) -> float:
    return round((at_s - first_s) / (last_s - first_s) * 100, 2) if last_s > first_s else 50.0


def _rising(points: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    """By time, since a clock that went back would draw a line backwards; of many, the middle of those side by side."""
    ordered = sorted(points)
    together = -(-len(ordered) // POINTS_DRAWN)
    groups = [ordered[at : at + together] for at in range(0, len(ordered), together)]
    return tuple((round(median(x for x, _ in group), 2), round(median(y for _, y in group), 1)) for group in groups)


# --- ages of the last reading


def age_words() -> list[str]:
    """What the parts of ``age_bars`` are called, the youngest first."""
    days = [edge_s // 86_400 for edge_s in AGE_EDGES_S]
    between = [f"{before} to {after} days" for before, after in pairwise(days)]
    return [f"under {days[0]} day", *between, f"over {days[-1]} days", NEVER]


def ages_of(each: Coverage) -> list[int]:
    """Bytes by the age of their last reading; the last: of those never read, or bad when last read."""
    known = [size_bytes for _, size_bytes in each.ages]
    return [*known, max(0, each.total_bytes - sum(known))]


def age_bars(covered: Covered) -> Chart | None:
    """One bar a place, in parts by how long ago each byte was last read and found right."""
    places = [(place, each) for place, each in covered.items() if each.total_bytes]
    if not places:
        return None
    chart = Chart("ages", "How long ago everything was last read", _oldest_parts(places))
    row = 46
    chart.height = row * len(places)
    used = set()
    for number, (place, each) in enumerate(places):
        x = 0.0
        boxes = []
        for part, size_bytes in enumerate(ages_of(each)):
            width = 100 * size_bytes / each.total_bytes
            if size_bytes:
                used.add(part)
                boxes.append(Box(round(x, 2), number * row + 20, round(max(width, 0.3), 2), 20, f"age-{part}"))
            x += width
        chart.bars.append(Bar(f"{place}: {_oldest_part(each)}", tuple(boxes)))
        chart.levels.append(Level(number * row + 18, f"{place}, {format_size(each.total_bytes)}"))
    chart.legend = [(f"age-{part}", word) for part, word in enumerate(age_words()) if part in used]
    return chart


def _oldest_parts(places: Sequence[tuple[str, Coverage]]) -> str:
    """A sentence a place; one for several of which the same is to be said."""
    by_words: dict[str, list[str]] = {}
    for place, each in places:
        by_words.setdefault(_oldest_part(each), []).append(place)
    return "Shares of the bytes. " + " ".join(
        f"{', '.join(named).capitalize()}: {told}." for told, named in by_words.items()
    )


def _oldest_part(each: Coverage) -> str:
    parts = ages_of(each)
    for part in range(len(parts) - 1, -1, -1):
        if parts[part]:
            words = age_words()[part]
            percent = parts[part] * 100 / each.total_bytes
            if words == NEVER:
                # Rounded up, as what was read is rounded down: the two make 100.
                share = "less than 1%" if percent < 1 else f"{math.ceil(percent)}%"
                return f"{share} was never read, or was bad when last read"
            share = "less than 1%" if percent < 1 else f"{math.floor(percent)}%"
            return f"{share} was last read {words.replace('under 1 day', 'less than a day')} ago"
    return "nothing was read"


# --- room, with the forecast


def room_lines(facts: Facts) -> Chart | None:
    """What the secondary held after each night, and where that leads; None for fewer than two nights."""
    held = held_on_this_drive(facts.history)
    if len({at_s for at_s, _ in held}) < 2:
        return None
    now_s, room = held[-1]
    first_s = min(at_s for at_s, _ in held)
    top = float(max(each.total_bytes for _, each in held)) * 1.02
    limit = max(0, room.total_bytes - facts.keep_free_bytes)
    summary = f"{format_size(room.used_bytes)} of {format_size(room.total_bytes)} are in use."
    ahead_s = min(_LONGEST_OUTLOOK_S, max(_SHORTEST_OUTLOOK_S, now_s - first_s)) if facts.trend is not None else 0.0
    end_s = now_s + ahead_s
    chart = Chart("room", "Room on the secondary", summary)
    chart.levels = [Level(_y(value, top), format_size(round(value))) for value in steps_up_to(top)]
    places = tuple(sorted((_x(at_s, first_s, end_s), _y(each.used_bytes, top)) for at_s, each in held))
    last_x, base = places[-1][0], float(HEIGHT_PX)
    chart.areas.append(Line(((places[0][0], base), *places, (last_x, base)), "held"))
    chart.lines.append(Line(places, "held-line"))
    chart.lines.append(Line(((0.0, _y(limit, top)), (100.0, _y(limit, top))), "limit"))
    chart.legend = [("held", "in use"), ("limit", "full, but for keep_free")]
    if facts.trend is not None:
        _draw_outlook(chart, facts.trend, (now_s, room.used_bytes), (first_s, end_s), top)
    chart.ends = (day(first_s), day(end_s) if end_s > first_s else "")
    return chart


def _draw_outlook(chart: Chart, trend: Trend, now: tuple[float, int], span: tuple[float, float], top: float) -> None:
    now_s, used = now
    days = (span[1] - now_s) / _DAY_S

    def at(pace: float) -> tuple[float, float]:
        return 100.0, _y(used + pace * days, top)

    start = (_x(now_s, *span), _y(used, top))
    chart.areas.append(Line((start, at(trend.high), at(trend.low)), "outlook"))
    chart.lines.append(Line((start, at(trend.bytes_per_day)), "outlook-line"))
    chart.legend.append(("outlook", "forecast, with 95% confidence"))
