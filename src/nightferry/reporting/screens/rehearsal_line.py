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
    told = proof(fact)
    return said if told is None else f"{said}; {told}"


def proof(fact: RehearsalFact) -> str | None:
    """What it shows of all there is; None where it shows nothing."""
    if fact.confidence is None or fact.files_share is None or fact.bytes_share is None:
        return None
    if fact.files_share <= 0 and fact.bytes_share <= 0 and not fact.mismatches:
        # Only where all was tried nothing is left to be inferred from a sample.
        return "everything was tried, and came back right" if fact.files else "there was nothing to restore yet"
    files, size = (percent(each) for each in (fact.files_share, fact.bytes_share))
    sure = f"with {fact.confidence:.0%} confidence"
    return f"{sure}, at most {files} of the files and {size} of the bytes cannot be restored"


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
