"""A box for each test of the command line."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from box import Box


@pytest.fixture(autouse=True)
def plain_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the machine's own environment says about nightferry and terminals does not reach a test."""
    for name in list(os.environ):
        if name.startswith(("NIGHTFERRY_", "COLUMNS", "NO_COLOR", "FORCE_COLOR")):
            monkeypatch.delenv(name)


@pytest.fixture
def box(tmp_path: Path) -> Box:
    """One pair, "recordings", not yet made."""
    return Box(tmp_path)


@pytest.fixture
def paired(box: Box) -> Box:
    """One pair, made, with six recordings on its primary and no night yet."""
    box.fill()
    box.ok("pair", "--yes", "recordings")
    return box
