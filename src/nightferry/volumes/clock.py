"""What the kernel says of the time: whether something keeps it right, and whether the box has a clock of its own."""

from __future__ import annotations

import ctypes
from pathlib import Path

from nightferry.volumes.sysfs import SYSFS

# adjtimex(2): this return value says that the clock is not synchronised; it is set by what keeps the time (NTP).
_TIME_ERROR = 5
# struct timex has 208 bytes on 64-bit machines and less on others; all zeros ask, and change nothing.
_TIMEX_BYTES = 512


def is_synchronised() -> bool | None:
    """Whether a time service holds the clock to a reliable source; None where the kernel does not say."""
    state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
    return None if state < 0 else bool(state != _TIME_ERROR)


def has_clock_chip(root: Path = SYSFS) -> bool | None:
    """Whether the box keeps the time while it is off (sysfs-class-rtc); None where sysfs does not tell."""
    folder = root / "class" / "rtc"
    return any(folder.iterdir()) if folder.is_dir() else None
