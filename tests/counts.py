"""How many faults a test run made, of each kind: counted here, printed at its end (conftest.py)."""

from __future__ import annotations

from collections import Counter

_cases: Counter[str] = Counter()


def count_case(what: str, cases: int = 1) -> None:
    """``what``: the kind of fault, as it is to be printed."""
    _cases[what] += cases


def take_counts() -> dict[str, int]:
    """All that were counted since the last call."""
    taken = dict(_cases)
    _cases.clear()
    return taken
