"""The folders of the copy that new files go into."""

from __future__ import annotations

from typing import NamedTuple

from nightferry.night.carry import in_copy
from nightferry.night.commit import drive_failed
from nightferry.night.context import Night
from nightferry.night.missing import ensure_folder
from nightferry.tree.metadata import Kind

# Names that stand in a new folder, which is mostly empty, are kept up to this number.
STANDING_LIMIT = 1_000


class Destination(NamedTuple):
    """The folder that items of the plan are in, by its path."""

    path: bytes | None
    entry: int | None  # its row; None where the copy does not have it
    is_new: bool = False  # made by this run, so that the manifest has no row of a name that is new in it
    standing: frozenset[bytes] | None = None  # names that stand in it on the secondary; None where that does not tell

    def is_free(self, name: bytes) -> bool:
        """Whether nothing stands under a name there, as far as is known without a look."""
        return self.standing is not None and name not in self.standing


class Destinations:
    """Looks folders up. Items come folder by folder, so that one is remembered until the next one comes."""

    def __init__(self, night: Night) -> None:
        self._night = night
        self._last = Destination(None, None)

    def enter(self, folder: bytes) -> Destination:
        """Raises ``Failed`` and ``AbsentDrive`` where the secondary fails."""
        if folder == self._last.path:
            return self._last
        night = self._night
        found = night.manifest.entries.find(folder)
        if found is None or found.stat.kind is not Kind.FOLDER:
            self._last = Destination(folder, None)
            return self._last
        try:
            ensure_folder(night, folder)
            is_new = found.born == night.number
            self._last = Destination(folder, found.id, is_new, self._standing(folder) if is_new else None)
        except OSError as error:
            raise drive_failed(error) from error
        return self._last

    def _standing(self, folder: bytes) -> frozenset[bytes] | None:
        """What stands in a new folder of the copy: one look at it, instead of one at each name that is to come."""
        can = self._night.capabilities
        if not (can.case_sensitive and can.raw_names):
            return None  # whether a name is taken, only the file system can tell
        names = self._night.secondary.names(in_copy(folder), STANDING_LIMIT)
        return frozenset(names) if len(names) < STANDING_LIMIT else None
