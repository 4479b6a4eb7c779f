"""Sums by folder: where the changes of a night are, in a bounded table."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

LEVELS = 2
FOLDERS_LIMIT = 1_000


@dataclass
class Sum:
    """What one folder and everything below it add up to. ``kinds``: names by kind of change; ``kind_bytes``: theirs."""

    files: int = 0
    size_bytes: int = 0
    kinds: Counter[str] = field(default_factory=Counter)
    kind_bytes: Counter[str] = field(default_factory=Counter)


class FolderSums:
    """Sums by the first levels of folders; beyond the limit of folders, by fewer levels."""

    def __init__(self, limit: int = FOLDERS_LIMIT, levels: int = LEVELS) -> None:
        self._limit, self._levels = limit, levels
        self._sums: dict[bytes, Sum] = {}

    def add(self, kind: str, path: bytes, size_bytes: int) -> bytes:
        """Counts one name, by the folder that it is in; returns the folder that it was counted under."""
        folder = self._folder_of(path.split(b"/", self._levels)[:-1])
        found = self._sums.setdefault(folder, Sum())
        found.files += 1
        found.size_bytes += size_bytes
        found.kinds[kind] += 1
        found.kind_bytes[kind] += size_bytes
        return folder

    def _folder_of(self, parts: list[bytes]) -> bytes:
        for levels in range(len(parts), 0, -1):
            folder = b"/".join(parts[:levels])
            # The last places are for the folders of the first level, under which the rest is summed up.
            if folder in self._sums or len(self._sums) < (self._limit // 2 if levels > 1 else self._limit - 1):
                return folder
        return b""

    def largest_first(self) -> list[tuple[bytes, Sum]]:
        """(folder, its sum), by bytes, then by names; b"" is the top of the drive and what found no place."""
        return sorted(self._sums.items(), key=lambda each: (-each[1].size_bytes, -each[1].files, each[0]))
