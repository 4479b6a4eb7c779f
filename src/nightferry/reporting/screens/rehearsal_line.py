"""A restore test in a line or two, from what a status says of it."""

from __future__ import annotations

from nightferry.reporting.standing.status import RehearsalFact, shown_moment
from nightferry.units import format_duration, format_rate

OUTCOMES = {
    "passed": "passed",
    "short": "nothing wrong, cut short",
    "mismatches": "NOT all came back right",
    "impossible": "the secondary alone was NOT enough",
}


def line(fact: RehearsalFact) -> str:
    """All of it in a line."""
    said = f"{OUTCOMES.get(fact.outcome, fact.outcome)}, {shown_moment(fact.ended)}"
    if fact.confidence is not None and fact.files_share is not None and fact.bytes_share is not None:
        files, size = (percent(each) for each in (fact.files_share, fact.bytes_share))
        said += f"; at most {files} of files and {size} of bytes cannot be restored ({fact.confidence:.0%} sure)"
    return said


def time_line(fact: RehearsalFact) -> str | None:
    """How long a whole restore would take; None where no rate was measured."""
    if fact.local_s is None or fact.network_s is None or fact.rate_bytes_per_s is None:
        return None
    local, network, rate = format_duration(fact.local_s), format_duration(fact.network_s), fact.rate_bytes_per_s
    return f"{local} here, {network} over a gigabit network, at {format_rate(rate)}"


def percent(share: float) -> str:
    """A share with two figures, rounded up: what is said never claims more than was shown.

    >>> percent(0.00987), percent(0.0000321), percent(1.0), percent(0.0)
    ('0.99%', '0.0033%', '100%', '0%')
    """
    if share <= 0:
        return "0%"
    if share >= 1:
        return "100%"
    value = share * 100
    step = 0.1
    while value / step < 10:
        step /= 10
    rounded = -int(-(value / step) // 1) * step
    decimals = max(0, len(f"{step:.10f}".rstrip("0").split(".")[1]))
    return f"{rounded:.{decimals}f}".rstrip("0").rstrip(".") + "%"
