"""Which nights there are, and what is due now. Pure functions of the clock and of what was done.

A night belongs to a date of its zone: the one on which the wall clock shows its start. That date names it, so that a
clock that is set back, or an hour that comes twice, cannot make two nights of one:

- a start that the clock skips (daylight saving begins) is when the clock goes on, by as much later as it skips;
- a start that comes twice (it ends) is the first of the two (both as mktime(3) and PEP 495 have it);
- a date that a zone leaves out altogether (Samoa's 30 December 2011) has no night.

Moments are Unix times in seconds.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from typing import TYPE_CHECKING, Literal, NamedTuple

from nightferry.planning.window import GRACE_S

if TYPE_CHECKING:
    from nightferry.settings import PairSettings

EVERY_DAY = frozenset(range(7))

# What becomes of a night whose start passed while nobody was there to begin it: begun while its window is still open;
# begun whenever somebody is there again; or left to the next one.
IfMissed = Literal["in window", "always", "never"]

_DAY = timedelta(days=1)
# A month on a calendar of one day a week has four; a year without a night is no calendar.
_LONGEST_WALK = timedelta(days=400)
# Two days from the ends of what Python and a box can write down; the last leaves room for a walk.
_EARLIEST, _LATEST = date(1970, 1, 3), date(9998, 1, 1)


@dataclass(frozen=True)
class Calendar:
    """When a pair has nights.

    ``days`` are those on which a night starts (0 is Monday). ``zone`` None: that of this machine.
    """

    start: time
    finish_by: time
    days: frozenset[int] = EVERY_DAY
    zone: tzinfo | None = None


def calendar_of(pair: PairSettings) -> Calendar:
    """When a pair has nights."""
    return Calendar(pair.start, pair.finish_by, pair.days, pair.time_zone)


class Window(NamedTuple):
    """One night: its date, and its first and last moment."""

    day: date
    start_s: float
    end_s: float


def window_of(calendar: Calendar, day: date) -> Window | None:
    """The night of a date; None where there is none."""
    if day.weekday() not in calendar.days or not _EARLIEST <= day <= _LATEST:
        return None
    start_s = _moment(calendar, day, calendar.start)
    if start_s >= _moment(calendar, day + _DAY, calendar.start):
        return None  # the zone has no such date: its start is that of the next one
    last_day = day if calendar.finish_by > calendar.start else day + _DAY
    end_s = _moment(calendar, last_day, calendar.finish_by)
    if end_s <= start_s:
        # Both stand in what the clock skipped, or the end comes before the start that it put off: as long as ever.
        nominal = datetime.combine(last_day, calendar.finish_by) - datetime.combine(day, calendar.start)
        end_s = start_s + nominal.total_seconds()
    return Window(day, start_s, end_s)


def next_window(calendar: Calendar, now_s: float) -> Window | None:
    """The first night that starts after ``now_s``; None where the calendar ends."""
    day = _date_of(calendar, now_s) - 2 * _DAY
    last = min(day + _LONGEST_WALK, _LATEST)
    while day <= last:
        found = window_of(calendar, day)
        if found is not None and found.start_s > now_s:
            return found
        day += _DAY
    return None


def windows_before(calendar: Calendar, now_s: float) -> Iterator[Window]:
    """The nights that have started, newest first, for at most some 400 days."""
    day = _date_of(calendar, now_s) + 2 * _DAY
    earliest = max(day - _LONGEST_WALK, _EARLIEST)
    while day >= earliest:
        found = window_of(calendar, day)
        if found is not None and found.start_s <= now_s:
            yield found
        day -= _DAY


class Due(NamedTuple):
    """What is to be done about a pair now."""

    begin: Window | None  # a night to begin at once; its end is when it has to stop
    is_late: bool  # its start has been missed
    missed: tuple[Window, ...]  # nights that passed unattended, newest first, and are not made up for
    next: Window | None


# A start that is noticed within this is on time: the alarm rings when the machine gets to it.
ON_TIME_S = 120.0


def due(
    calendar: Calendar,
    if_missed: IfMissed,
    now_s: float,
    begun: Collection[date],
    told: Collection[date] = (),
    since_s: float = 0.0,
) -> Due:
    """Decides what is due.

    Args:
        begun: the dates of nights that were begun, or given up, of late; in whatever order the clock had them.
        told: those of nights that were said to be missed. One is begun all the same, should the clock go back into it.
        since_s: nights that started before this are nobody's: there was no daemon yet, or no such time.
    """
    missed: list[Window] = []
    begin = None
    is_late = False
    for position, window in enumerate(windows_before(calendar, now_s)):
        if window.start_s < since_s or window.day in begun:
            break
        late = now_s - window.start_s > ON_TIME_S
        is_open = now_s < window.end_s
        is_told = window.day in told
        may_begin = not late or (is_open and if_missed != "never") or (if_missed == "always" and not is_told)
        if position == 0 and may_begin:
            length_s = window.end_s - window.start_s
            begin = window if is_open else window._replace(end_s=now_s + length_s)
            is_late = late
        elif is_told:
            break
        else:
            missed.append(window)
    return Due(begin, is_late, tuple(missed), next_window(calendar, now_s))


def report_due_s(calendar: Calendar, written_s: float) -> float:
    """Until when a status written at ``written_s`` counts: the next night has to have written its own by then."""
    following = next_window(calendar, written_s)
    return written_s + _LONGEST_WALK.total_seconds() if following is None else following.end_s + GRACE_S


def _moment(calendar: Calendar, day: date, at: time) -> float:
    # Without a zone, Python asks the C library, which knows that of the machine.
    return datetime.combine(day, at, calendar.zone).timestamp()


def _date_of(calendar: Calendar, now_s: float) -> date:
    """The date in the zone; at the ends of what can be written down for clocks that are beyond them."""
    try:
        found = datetime.fromtimestamp(now_s, calendar.zone).date()
    except (ValueError, OverflowError, OSError):
        return _EARLIEST if now_s < 0 else _LATEST - 4 * _DAY
    return min(max(found, _EARLIEST + 2 * _DAY), _LATEST - 4 * _DAY)
