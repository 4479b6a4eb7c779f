"""The way to the helpers of the tests of nights (harness.py, the box of test_fixity.py), and a folder in memory."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "night"))
sys.path.insert(0, str(Path(__file__).parent))

from crash_world import fast_folder


@pytest.fixture
def base(tmp_path: Path) -> Iterator[Path]:
    """In memory where that can hold attributes: for what is tried many times."""
    folder, remove = fast_folder(tmp_path)
    try:
        yield folder
    finally:
        remove()
