"""When somebody is told, and when not again: pure decisions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["attention", "well", "morning"]

# After a failure the next try waits, twice as long each time.
FIRST_WAIT_S = 300.0
LONGEST_WAIT_S = 6 * 3600.0

_ORDER = ("sound", "attention", "failed")


@dataclass(frozen=True)
class Told:
    """What was said last in one place, and the tries since that failed. Unix time.

    ``night``: the newest night that was spoken of, where mornings are wanted. ``problem``: how the last try failed.
    """

    state: str = "sound"
    codes: tuple[str, ...] = ()
    at_s: float = 0.0
    night: int = 0
    failures: int = 0
    failed_at_s: float = 0.0
    problem: str = ""


def wanted(
    told: Told, state: str, codes: frozenset[str], now_s: float, repeat_after_s: float, night: int = 0
) -> Kind | None:
    """Whether somebody is to be told now.

    Of trouble once, again where it grew or another reason came, and where it stands still after ``repeat_after_s``;
    and once when all is well again. A clock that went back says too much rather than too little.

    Args:
        night: the newest night that has ended, where each is to be told of; else 0.
    """
    if told.failures and 0 <= now_s - told.failed_at_s < wait_s(told.failures):
        return None
    if state == "sound":
        # Also of trouble that nobody could be told of: else nobody learns whether it could be said now.
        if told.state != "sound" or told.failures:
            return "well"
        return "morning" if night > told.night else None
    is_new = not codes <= set(told.codes) or _ORDER.index(state) > _ORDER.index(told.state)
    is_old = not 0 <= now_s - told.at_s < repeat_after_s
    if is_new or is_old:
        return "attention"
    return "morning" if night > told.night else None


def wait_s(failures: int) -> float:
    """How long to wait after so many failures in a row."""
    return min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(failures - 1, 20))
