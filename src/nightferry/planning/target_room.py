"""Whether a restore fits into its target."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass
class Needs:
    """What is to be written, added up name by name.

    ``unit_bytes``: in what the target's file system hands out room. Folders and names count as one unit each, which is
    what they take at the least on the file systems of today.
    """

    unit_bytes: int
    names: int = 0
    size_bytes: int = 0

    def add(self, content_bytes: int) -> None:
        """A file with so many bytes; 0 for a folder or a symlink."""
        units = -(-content_bytes // self.unit_bytes) or 1
        self.names += 1
        self.size_bytes += units * self.unit_bytes


def shortfall(needs: Needs, free_bytes: int, free_names: int | None) -> tuple[int, int]:
    """Bytes and names that are missing; 0 where there is enough. ``free_names`` None: not counted there."""
    names = 0 if free_names is None else max(0, needs.names - free_names)
    return max(0, needs.size_bytes - free_bytes), names
