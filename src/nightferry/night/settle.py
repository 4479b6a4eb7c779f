"""Settle: wait, within a limit, until nobody writes to the primary.

A hint only, taken from counters that the file system keeps anyway, and from the folders that were busy by day; a file
that changes while it is read is noticed in any case.
"""

from __future__ import annotations

import os

from nightferry.night import busy
from nightferry.night.context import Night
from nightferry.volumes.filesystem import room

_LOOK_EVERY_S = 0.5


def settle(night: Night) -> bool:
    """True when the primary has been quiet for ``settle_quiet``; False when ``settle_limit`` came first."""
    quiet_s = night.settings.settle_quiet.total_seconds()
    if quiet_s <= 0:
        return True
    started_s = night.clock.monotonic_s()
    limit_s = max(night.settings.settle_limit.total_seconds(), quiet_s)
    last, since_s = _activity(night), started_s
    while True:
        night.stop.check()
        now_s = night.clock.monotonic_s()
        if now_s - since_s >= quiet_s:
            return True
        if now_s - started_s >= limit_s:
            night.note(
                "The primary was still being written to when the run began; files in use are left for the next night."
            )
            return False
        night.clock.sleep(min(_LOOK_EVERY_S, quiet_s))
        found = _activity(night)
        if found != last:
            last, since_s = found, night.clock.monotonic_s()


def _activity(night: Night) -> tuple[object, ...]:
    """Free room, free inodes, the sectors written to the device where the kernel counts them, and the busy folders."""
    found = room(night.primary.fd, night.effects)
    return found.free_bytes, found.free_inodes, _sectors_written(night.primary.device), busy.activity(night)


def _sectors_written(device: int) -> bytes:
    # Documentation/block/stat.rst: the seventh field counts sectors written.
    path = f"/sys/dev/block/{os.major(device)}:{os.minor(device)}/stat"
    try:
        with open(path, "rb") as counters:
            return counters.read(4096).split()[6]
    except (OSError, IndexError):
        return b""  # no block device of its own: btrfs, FUSE, a folder
