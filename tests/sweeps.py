"""How much of a sweep is tried: some of it in a plain run, all of it with NIGHTFERRY_SWEEPS=1 (conftest.py).

There is no other switch but HYPOTHESIS_PROFILE=long, for what takes hours, and the numbers of images of tests/power.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TypeVar

# HYPOTHESIS_PROFILE=long: for hours.
LONG = os.environ.get("HYPOTHESIS_PROFILE") == "long"
ALL = LONG or bool(os.environ.get("SWEEPS"))

_T = TypeVar("_T")


def some(values: Sequence[_T], every: int, start: int = 0) -> Sequence[_T]:
    """All, or every so many of them in a plain run, beginning with the ``start``-th."""
    return values if ALL else values[start::every]
