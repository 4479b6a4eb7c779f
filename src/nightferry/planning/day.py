"""What happened on a primary since the last night began, as far as it was seen. Bounded; touches no disk.

A hint and never the truth: the night scans everything. Paths are bytes, relative to the primary.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

# Files that appeared and still stand: as many as that are followed, in so many bytes of names.
_MOST_NEW_FILES = 20_000
_MOST_NAME_BYTES = 4 << 20
_MOST_GONE = 1_000
_MOST_FOLDERS = 2_000
_MOST_REASONS = 20


class Gone(NamedTuple):
    """A file that appeared and vanished between two nights, so that no night could copy it. Unix times."""

    path: bytes
    came_s: float
    went_s: float


@dataclass
class Busy:
    """A folder in which files were written."""

    writes: int
    last_s: float


@dataclass
class Day:
    """The time between two nights. ``incomplete``: why something may not have been seen, each a sentence."""

    since_s: float
    excludes: Callable[[bytes, bool], bool] = lambda path, is_folder: False
    created: int = 0
    changed: int = 0
    deleted: int = 0
    moved: int = 0
    gone: list[Gone] = field(default_factory=list)
    gone_count: int = 0
    busy: dict[bytes, Busy] = field(default_factory=dict)
    incomplete: list[str] = field(default_factory=list)
    _new: dict[bytes, float] = field(default_factory=dict)
    _name_bytes: int = 0

    @property
    def happened(self) -> int:
        """Grows with whatever is noted."""
        return self.created + self.changed + self.deleted + self.moved + len(self.incomplete)

    def is_new(self, path: bytes) -> bool:
        """Whether a file appeared since, and still stands."""
        return path in self._new

    def file_created(self, path: bytes, now_s: float) -> None:
        if self.excludes(path, False):
            return
        self.created += 1
        self._follow(path, now_s)

    def file_written(self, path: bytes, now_s: float) -> bool:
        """Whether it was there before the last night, as far as is known: a change, not part of a new file."""
        if self.excludes(path, False):
            return False
        self._note_busy(path, now_s)
        if path in self._new:
            return False
        self.changed += 1
        return True

    def file_deleted(self, path: bytes, now_s: float) -> bool:
        """Whether it was there before the last night, as far as is known."""
        if self.excludes(path, False):
            return False
        came_s = self._forget(path)
        if came_s is None:
            self.deleted += 1
            return True
        self.gone_count += 1
        if len(self.gone) < _MOST_GONE:
            self.gone.append(Gone(path, came_s, now_s))
        return False

    def file_moved(self, old: bytes, new: bytes, now_s: float) -> bool:
        """Whether it was there before the last night, as far as is known."""
        came_s = self._forget(old)
        self._note_busy(new, now_s)
        if came_s is not None:
            # Written under another name first, as programs save: new all the same, and not excluded any more perhaps.
            if not self.excludes(new, False):
                self._follow(new, came_s)
            return False
        if self.excludes(old, False):
            # Its first name was one that is not copied (a download in progress): new from now on.
            self.file_created(new, now_s)
            return False
        self.moved += 1
        return True

    def may_be_incomplete(self, why: str) -> None:
        if why not in self.incomplete and len(self.incomplete) < _MOST_REASONS:
            self.incomplete.append(why)

    def busiest(self, count: int) -> list[tuple[bytes, Busy]]:
        """The folders with the most writes."""
        return sorted(self.busy.items(), key=lambda each: (-each[1].writes, each[0]))[:count]

    def _follow(self, path: bytes, came_s: float) -> None:
        if path in self._new:
            return
        if len(self._new) >= _MOST_NEW_FILES or self._name_bytes + len(path) > _MOST_NAME_BYTES:
            self.may_be_incomplete("More files appeared than are followed by name.")
            return
        self._new[path] = came_s
        self._name_bytes += len(path)

    def _forget(self, path: bytes) -> float | None:
        came_s = self._new.pop(path, None)
        if came_s is not None:
            self._name_bytes -= len(path)
        return came_s

    def _note_busy(self, path: bytes, now_s: float) -> None:
        folder = path.rpartition(b"/")[0]
        found = self.busy.get(folder)
        if found is not None:
            found.writes += 1
            found.last_s = now_s
            return
        if len(self.busy) >= _MOST_FOLDERS:
            # The half that was quiet for longest makes room.
            for old in sorted(self.busy, key=lambda each: self.busy[each].last_s)[: _MOST_FOLDERS // 2]:
                del self.busy[old]
        self.busy[folder] = Busy(1, now_s)
