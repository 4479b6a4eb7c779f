"""Lives: a pair lived through random months, and an oracle beside it. ``run.py`` is where to begin.

The helpers of the other tests are found through the path, as the other tests find them.
"""

from __future__ import annotations

import sys
from pathlib import Path

_TESTS = Path(__file__).resolve().parents[1]
for _folder in (_TESTS / "night", _TESTS):
    if str(_folder) not in sys.path:
        sys.path.insert(0, str(_folder))
