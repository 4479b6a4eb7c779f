"""The folders in which people were busy by day, where the daemon watched: what is looked at and read first.

A hint and never the truth: it only changes an order, and what a night waits for. Bounded, since it is asked for often.
"""

from __future__ import annotations

import stat
from collections.abc import Callable, Iterator
from contextlib import suppress

from nightferry.manifest.plan import Item
from nightferry.night.context import Night
from nightferry.tree.root import split

MOST_FOLDERS = 20
_MOST_NAMES = 500  # of each that are looked at


def busy_first(night: Night, items: Callable[[], Iterator[Item]]) -> Iterator[Item]:
    """All items, those in busy folders before the others: today's work is safe first, should the night stop early.

    Args:
        items: gives them, each time in the same order.
    """
    busy = frozenset(night.busy)
    if not busy:
        yield from items()
        return
    yield from (item for item in items() if split(item.path)[0] in busy)
    yield from (item for item in items() if split(item.path)[0] not in busy)


def activity(night: Night) -> tuple[tuple[int, int, int], ...]:
    """For each busy folder what moves when a file in it is written: its own date, the newest, and the sum of the sizes.

    Where files are written in place, or by a program that keeps them open, the counters of the drive move only when the
    kernel gets to writing. A folder that is not there, or cannot be read, does not move.
    """
    return tuple(_of_folder(night, path) for path in night.busy)


def _of_folder(night: Night, path: bytes) -> tuple[int, int, int]:
    newest_ns = size_bytes = 0
    effects = night.effects
    try:
        fd = night.primary.folder(path)
        own_ns = effects.fstat(fd).st_mtime_ns
        for name in night.primary.names(path, _MOST_NAMES):
            with suppress(FileNotFoundError):
                found = effects.stat(name, dir_fd=fd, follow_symlinks=False)
                if stat.S_ISREG(found.st_mode):
                    newest_ns, size_bytes = max(newest_ns, found.st_mtime_ns), size_bytes + found.st_size
    except OSError:
        return (0, 0, 0)
    return (own_ns, newest_ns, size_bytes)
