"""Attempts of one kind: each is run, what went wrong with any is collected, and they are counted (counts.py)."""

from __future__ import annotations

import traceback
from collections.abc import Callable

from counts import count_case

SHOWN = 5


class Sweep:
    """``what``: as the count is to be called; attempts of several sweeps may have the same."""

    def __init__(self, what: str, *, label: str = "") -> None:
        self._what, self._label = what, label or what
        self._tried = 0
        self._failed: list[str] = []

    def attempt(self, label: str, action: Callable[[], None]) -> None:
        self._tried += 1
        try:
            action()
        except Exception as error:  # an error that comes out of what is tried is a bug as well
            place = traceback.extract_tb(error.__traceback__)[-1]
            said = f"{type(error).__name__} in {place.name}, line {place.lineno}: {str(error)[:3000]}"
            self._failed.append(f"{label}: {said}")

    def report(self) -> None:
        print(f"\n{self._label}: {self._tried} attempts, {len(self._failed)} failed")
        count_case(self._what, self._tried)
        assert self._tried, "nothing was tried"
        shown = "\n\n".join(self._failed[:SHOWN])
        assert not self._failed, f"{len(self._failed)} of {self._tried}:\n{shown}"
