"""The way to whole nights, as the tests of the night have them (harness.py)."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "night"))
