"""What of the primary's newest state is not on the secondary when a night ends."""

from __future__ import annotations

from typing import NamedTuple

from nightferry.manifest.plan import Step
from nightferry.night.context import Night

_WITH_CONTENT = (Step.ADDED, Step.TOUCHED, Step.RETYPED)


class Unprotected(NamedTuple):
    """New and changed files, and symlinks, of which the secondary has no copy, or an older one; bytes of content."""

    files: int
    bytes: int


def unprotected(night: Night, outcome: str) -> Unprotected:
    """To be asked once the night has compared everything: what it was to copy, less what it did.

    Where the primary could not be read, nobody knows what a folder held, and it is not counted.
    """
    if outcome == "complete":
        return Unprotected(0, 0)
    totals = night.plan.totals()
    found = [totals.get(step, (0, 0, 0)) for step in _WITH_CONTENT]
    files, size_bytes = sum(each[0] for each in found), sum(each[1] for each in found)
    return Unprotected(max(0, files - night.tally.placed), max(0, size_bytes - night.tally.placed_bytes))
