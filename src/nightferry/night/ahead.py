"""Small files of the primary, opened some time before their turn, so that their content is on its way by then.

The kernel reads ahead within a file and not from one file to the next: with many small files a drive would get one
request at a time, and wait while the file is written on the other side. So the content of the next few is asked for
(posix_fadvise(2), POSIX_FADV_WILLNEED, which does not wait), and a drive can answer in the order that suits it best.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Generator, Iterable, Iterator
from itertools import groupby, islice

from nightferry.manifest.plan import Item
from nightferry.planning.drive_health import READ_ERRORS
from nightferry.tree.content import AT_ONCE_BYTES
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind
from nightferry.tree.root import Root, split

# Files that are open before their turn: as many requests as the queue of a hard disk takes (NCQ).
AHEAD_FILES = 32
# Files of one folder that are put in order at a time.
_SORTED_FILES = 1_000


class Ahead:
    """For one reader. What is opened and not taken is closed."""

    def __init__(self, root: Root, effects: Effects) -> None:
        self._root, self._effects = root, effects
        self._open: dict[bytes, tuple[int, os.stat_result]] = {}
        self._is_failing = False  # then nothing is asked for twice

    def over(self, items: Iterable[Item]) -> Generator[Item, None, None]:
        """The same items in the same order, a few of them opened before they are given."""
        window: deque[Item] = deque()
        try:
            for item in items:
                window.append(item)
                self._ask_for(item)
                if len(window) > AHEAD_FILES:
                    yield (turn := window.popleft())
                    self._pass_over(turn)
            while window:
                yield (turn := window.popleft())
                self._pass_over(turn)
        finally:
            for fd, _ in self._open.values():
                self._effects.close(fd)
            self._open.clear()

    def take(self, path: bytes) -> tuple[int, os.stat_result] | None:
        """What was opened, and its state then; the caller closes it. None where it was not, for whatever reason."""
        return self._open.pop(path, None)

    def _pass_over(self, item: Item) -> None:
        """Not taken at its turn, as where there is no room for it: with many such, no descriptors would be left."""
        left = self._open.pop(item.path, None)
        if left is not None:
            self._effects.close(left[0])

    def _ask_for(self, item: Item) -> None:
        stat = item.stat
        if stat.kind is not Kind.FILE or stat.nlink > 1 or not 0 < stat.size_bytes <= AT_ONCE_BYTES:
            return  # larger files are read ahead by the kernel; of several names, all but one are not read
        if item.base is not None or item.path in self._open or self._is_failing:
            return
        try:
            opened = self._root.open_and_stat(item.path)
            self._open[item.path] = opened
            self._effects.posix_fadvise(opened[0], 0, 0, os.POSIX_FADV_WILLNEED)
        except OSError as error:  # whoever reads it meets the same error and can say what it means
            self._is_failing = self._is_failing or error.errno in READ_ERRORS


def in_reading_order(items: Iterable[Item]) -> Iterator[Item]:
    """The files of each folder by their inodes, which is about the order in which they lie on the drive."""
    for _, group in groupby(items, key=lambda item: split(item.path)[0]):
        while chunk := list(islice(group, _SORTED_FILES)):
            chunk.sort(key=lambda item: item.stat.inode)
            yield from chunk
