"""The way to the helpers of whole nights (harness.py, crash_world.py), and a pair of plain folders."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

_TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(_TESTS / "night"), str(_TESTS / "recovery"), str(_TESTS / "hostile")]

from harness import Pair  # noqa: E402


@pytest.fixture
def pair(tmp_path: Path) -> Pair:
    """Two folders of one drive as a pair. Real drives: the fixture ``drives`` and ``Pair`` (harness.py)."""
    return Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")


@pytest.fixture
def make(tmp_path: Path) -> Callable[..., Pair]:
    """As ``pair``, with settings: ``make(hold_count=3)``."""
    return lambda **settings: Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state", **settings)
