"""The way to the helpers beside this file (harness.py), and a pair of plain folders."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from harness import Pair


@pytest.fixture
def pair(tmp_path: Path) -> Pair:
    """Two folders of one drive as a pair. Real drives: the fixture ``drives`` and ``Pair`` (harness.py)."""
    return Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")


@pytest.fixture
def make(tmp_path: Path) -> Callable[..., Pair]:
    """As ``pair``, with settings: ``make(hold_count=3)``."""
    return lambda **settings: Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state", **settings)
