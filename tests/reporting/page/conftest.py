"""Whole nights, as the tests of the night have them."""

from __future__ import annotations

import sys
from pathlib import Path

for folder in (Path(__file__).parent, Path(__file__).parents[2] / "night"):
    sys.path.insert(0, str(folder))
