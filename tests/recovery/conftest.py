"""The way to the helpers of the tests of nights (harness.py, the box of test_fixity.py)."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "night"))
sys.path.insert(0, str(Path(__file__).parent))
