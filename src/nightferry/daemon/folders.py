"""The folders of a primary that are watched: which watch is which folder, and how to reach them without a trace.

A watch is known by a number (inotify(7)) and not by a path: a folder knows its parent, so that one that is renamed
takes all below it along, and a folder costs some hundred bytes. Nothing stays open: an open descriptor would keep the
drive from being unmounted, a watch does not.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_FLAGS = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NOATIME
_DEEPEST = 1024


class Folders:
    """The tree of watched folders. The root has the name ``b""``."""

    def __init__(self) -> None:
        self._known: dict[int, tuple[int, bytes]] = {}

    def __len__(self) -> int:
        return len(self._known)

    def __contains__(self, watch: int) -> bool:
        return watch in self._known

    def put(self, watch: int, parent: int, name: bytes) -> None:
        """Enters a folder, or that it has another name now."""
        self._known[watch] = (parent, name)

    def drop(self, watch: int) -> None:
        self._known.pop(watch, None)

    def clear(self) -> list[int]:
        """Drops all; returns their watches."""
        found = list(self._known)
        self._known.clear()
        return found

    def path(self, watch: int) -> bytes | None:
        """Relative to the root; None for a watch that is not, or no longer, of this tree."""
        parts: list[bytes] = []
        for _ in range(_DEEPEST):
            found = self._known.get(watch)
            if found is None:
                return None
            watch, name = found
            if not name:
                return b"/".join(reversed(parts))
            parts.append(name)
        return None

    def below(self, parent: int, name: bytes) -> list[int]:
        """The watches of a folder and of all below it."""
        top = next((watch for watch, found in self._known.items() if found == (parent, name)), None)
        if top is None:
            return []
        inside = {top}
        # Parents come before what is in them, but for folders that were moved: until nothing more is found.
        grew = True
        while grew:
            grew = False
            for watch, (above, _) in self._known.items():
                if above in inside and watch not in inside:
                    inside.add(watch)
                    grew = True
        return list(inside)


@contextmanager
def opened(root: Path, path: bytes) -> Iterator[int]:
    """A folder below the root, opened component by component, following no symlink and leaving no access time.

    Raises:
        OSError: it is not there, is something else, or may not be read without a trace (another user's, not as root).
    """
    fd = os.open(root, _FLAGS & ~os.O_NOFOLLOW)
    try:
        for part in path.split(b"/") if path else ():
            inner = os.open(part, _FLAGS, dir_fd=fd)
            os.close(fd)
            fd = inner
        yield fd
    finally:
        os.close(fd)


def listed(fd: int) -> tuple[list[bytes], list[bytes]]:
    """The names of the folders and of the files in an open folder."""
    folders, files = [], []
    with os.scandir(fd) as entries:
        for entry in entries:
            name = os.fsencode(entry.name)
            if entry.is_dir(follow_symlinks=False):
                folders.append(name)
            elif entry.is_file(follow_symlinks=False):
                files.append(name)
    return folders, files
