"""Which night is meant by ``--as-of``: the number of a run, a date, or a moment."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import NamedTuple

from nightferry.errors import WrongUse
from nightferry.manifest.nights import NightState
from nightferry.planning.absence import CLOCK_TOLERANCE_S
from nightferry.units import format_count, format_moment, quoted

# A state that a night brought about whole. A held one withheld changes on purpose, and is what stood then.
_COMPLETED = frozenset({"complete", "partial", "held"})
_NUMBER = re.compile(r"#?([0-9]{1,9})")
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_MOMENT = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2})[ T]([0-9]{2}:[0-9]{2})(:[0-9]{2})?(?:\.[0-9]{1,6})? ?(Z|[+-][0-9]{2}:?[0-9]{2})?"
)
_ALLOWED = "the number of a night (17), a date (2026-05-03), or a date with a time (2026-05-03 02:30)"
_WHICH = "`nightferry history` lists the nights."


class Wanted(NamedTuple):
    """What was asked for: ``number``, or whatever stood before ``before_s`` (Unix time)."""

    number: int | None
    begins_s: float  # of the day, minute or second that was named
    before_s: float  # its end


def parse_as_of(text: str, zone: tzinfo | None = None) -> Wanted:
    """Reads what ``--as-of`` allows; ``zone`` None is that of this machine. Raises ``WrongUse``.

    A date stands for its end, a time for the end of the minute or second that it names.
    """
    stripped = text.strip()
    if number := _NUMBER.fullmatch(stripped):
        return Wanted(int(number[1]), 0.0, 0.0)
    try:
        if _DAY.fullmatch(stripped):
            day = date.fromisoformat(stripped)
            return Wanted(None, _midnight_s(day, zone), _midnight_s(day + timedelta(days=1), zone))
        if moment := _MOMENT.fullmatch(stripped):
            written = f"{moment[1]}T{moment[2]}{moment[3] or ''}{moment[4] or ''}"
            at = datetime.fromisoformat(written)
            begins_s = (at if at.tzinfo else at.replace(tzinfo=zone)).timestamp()
            return Wanted(None, begins_s, begins_s + (1 if moment[3] else 60))
    except (ValueError, OverflowError):
        pass
    raise WrongUse(f"{quoted(text)} does not say a night: give {_ALLOWED}.")


def resolve(
    text: str, nights: Sequence[NightState], *, pair: str, now_s: float, zone: tzinfo | None = None
) -> NightState:
    """The night whose state is meant: that of the number, or the newest that had come to its end by then.

    Raises ``WrongUse`` for what lies before the first night or in the future, and for a night that is not there. The
    night may have lost files since: see ``require_whole``.
    """
    wanted = parse_as_of(text, zone)
    if not nights:
        raise WrongUse(
            f"No night of the pair {quoted(pair)} has run yet, so there is no state to go back to; `nightferry run`"
            " begins one."
        )
    if wanted.number is not None:
        return _numbered(wanted.number, nights, pair, zone)
    if wanted.begins_s > now_s:
        raise WrongUse(f"{quoted(text)} is in the future: it is {_said(now_s, zone)} now. {_WHICH}")
    states = [night for night in _dated(nights, now_s) if night.outcome in _COMPLETED or not night.is_known]
    found = [night for night in states if night.ended_s is not None and night.ended_s < wanted.before_s]
    if found:
        return found[-1]
    first = f"the first one ended on {_ended(states[0], zone)}" if states else "none of its nights was completed"
    raise WrongUse(f"No night of the pair {quoted(pair)} had been completed by {quoted(text)}: {first}. {_WHICH}")


def require_whole(night: NightState, nights: Sequence[NightState], *, pair: str, zone: tzinfo | None = None) -> None:
    """Raises ``WrongUse`` where content of that state was let go since; says from which night on all is kept."""
    if night.is_whole:
        return
    files = "1 file" if night.lost_files == 1 else f"{format_count(night.lost_files)} files"
    since = kept_since(nights)
    kept = (
        "no night's state is kept whole"
        if since is None
        else f"all is kept from night {since.number} on ({_ended(since, zone)})"
    )
    raise WrongUse(
        f"The state of night {night.number} of the pair {quoted(pair)} ({_ended(night, zone)}) is no longer kept whole:"
        f" the content of {files} was let go since; {kept}. {_WHICH}"
    )


def kept_since(nights: Sequence[NightState]) -> NightState | None:
    """The oldest night from which on every state is known and whole; None where not even the newest is."""
    found = None
    for night in reversed(nights):
        if not night.is_whole or not night.is_known:
            break
        found = night
    return found


def why_unknown(night: NightState) -> str:
    """What to say of a night whose state is not known."""
    return (
        f"What night {night.number} left is not known: the records of that time were lost. What follows was put"
        " together from what stands on the secondary: names may be missing from it, and others may be in it that were"
        " not there on that night."
    )


def _numbered(number: int, nights: Sequence[NightState], pair: str, zone: tzinfo | None) -> NightState:
    for night in nights:
        if night.number == number:
            if night.outcome is None and night.is_known and night is nights[-1]:
                raise WrongUse(
                    f"Night {number} of the pair {quoted(pair)} is under way or was cut off, and left no state yet:"
                    " wait for its end, or choose a night before it."
                )
            return night
    first, last = nights[0], nights[-1]
    raise WrongUse(
        f"There is no night {number} of the pair {quoted(pair)}: its nights are {first.number} ({_ended(first, zone)})"
        f" to {last.number} ({_ended(last, zone)}). {_WHICH}"
    )


def _dated(nights: Sequence[NightState], now_s: float) -> list[NightState]:
    """Those that have ended, and whose dates agree with their order and do not lie in the future.

    A box without a clock chip can wake in the past or in the future (rule L). The nights that such a clock dated are
    fewer than the others: what is left out is the least that makes all dates rise with the numbers (a longest rising
    subsequence, by patience sorting: Fredman, Discrete Mathematics 11, 1975).
    """
    ended = [night for night in nights if night.ended_s is not None and night.ended_s <= now_s + CLOCK_TOLERANCE_S]
    tops: list[float] = []  # tops[k]: the earliest date at which a rising row of k + 1 nights can end
    places: list[int] = []  # ... and the position of that night
    before: list[int | None] = []
    for position, night in enumerate(ended):
        assert night.ended_s is not None
        length = bisect_right(tops, night.ended_s)
        before.append(places[length - 1] if length else None)
        tops[length : length + 1] = [night.ended_s]
        places[length : length + 1] = [position]
    rising: list[NightState] = []
    at = places[-1] if places else None
    while at is not None:
        rising.append(ended[at])
        at = before[at]
    return rising[::-1]


def _midnight_s(day: date, zone: tzinfo | None) -> float:
    return datetime(day.year, day.month, day.day, tzinfo=zone).timestamp()


def _ended(night: NightState, zone: tzinfo | None) -> str:
    when_s = night.started_s if night.ended_s is None else night.ended_s
    return "nobody knows when" if when_s is None else _said(when_s, zone)


def _said(when_s: float, zone: tzinfo | None) -> str:
    try:
        return format_moment(datetime.fromtimestamp(when_s, UTC).astimezone(zone))
    except (ValueError, OverflowError, OSError):
        return "a date that is none"
