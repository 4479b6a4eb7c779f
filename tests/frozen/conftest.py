"""The way to the helpers of the tests of nights and of restoring."""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent / "night"), str(HERE.parent / "recovery"), str(HERE)]
