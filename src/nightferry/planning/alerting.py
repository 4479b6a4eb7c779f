"""When somebody is told, and when not again: pure decisions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["attention", "well"]

# After a failure the next try waits, twice as long each time.
FIRST_WAIT_S = 300.0
LONGEST_WAIT_S = 6 * 3600.0

_ORDER = ("sound", "attention", "failed")


@dataclass(frozen=True)
class Told:
    """What was said last, and the tries since that failed. Unix time."""

    state: str = "sound"
    codes: tuple[str, ...] = ()
    at_s: float = 0.0
    failures: int = 0
    failed_at_s: float = 0.0


def wanted(told: Told, state: str, codes: frozenset[str], now_s: float, repeat_after_s: float) -> Kind | None:
    """Whether somebody is to be told now.

    Of trouble once, again where it grew or another reason came, and where it stands still after ``repeat_after_s``;
    and once when all is well again. A clock that went back says too much rather than too little.
    """
    if told.failures and 0 <= now_s - told.failed_at_s < wait_s(told.failures):
        return None
    if state == "sound":
        return "well" if told.state != "sound" else None
    is_new = not codes <= set(told.codes) or _ORDER.index(state) > _ORDER.index(told.state)
    is_old = not 0 <= now_s - told.at_s < repeat_after_s
    return "attention" if is_new or is_old else None


def wait_s(failures: int) -> float:
    """How long to wait after so many failures in a row."""
    return min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(failures - 1, 20))
