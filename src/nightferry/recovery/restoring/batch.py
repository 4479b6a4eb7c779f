"""Files of a restore's target that are whole and wait for their names: as a batch, after one barrier."""

from __future__ import annotations

from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from nightferry.recovery.restoring.refusals import Refusal, Refused, failed, refusing
from nightferry.tree.durability import Barrier, SyncFailed
from nightferry.tree.root import Root, split
from nightferry.volumes.capabilities import Capabilities

# What one batch may hold: the bytes as in one of a night.
BATCH_FILES_LIMIT = 2_000
BATCH_BYTES_LIMIT = 1 << 30


@dataclass
class Tally:
    """What got its name in the target. ``written_bytes`` without the holes of sparse files."""

    files: int = 0
    symlinks: int = 0
    links: int = 0
    folders: int = 0
    content_bytes: int = 0
    written_bytes: int = 0
    replaced: int = 0  # of those above: in the place of something else
    altered: int = 0  # right in content, metadata put right in place
    lost: Counter[str] = field(default_factory=Counter)  # names for which the target could not hold this
    late: list[Refusal] = field(default_factory=list)  # refused when the batch got its names


class Pending(NamedTuple):
    staged: bytes
    path: bytes
    replace: bool
    kind: Literal["files", "symlinks", "links"]
    size_bytes: int


class Batch:
    """Paths are relative to the target. Whoever adds a file, its folder must be there."""

    def __init__(self, root: Root, barrier: Barrier, capabilities: Capabilities, tally: Tally) -> None:
        self._root, self._barrier, self._can, self._tally = root, barrier, capabilities, tally
        self._pending: list[Pending] = []
        self._staged_at: dict[bytes, bytes] = {}  # path -> staged name, of what waits for its name
        self._pending_bytes = 0

    def place_of(self, path: bytes) -> bytes:
        """Where a file of the target stands, also one that waits for its name."""
        return self._staged_at.get(path, path)

    def check_place(self, path: bytes) -> None:
        """Before content is written for nothing: its folder is there and no other file of this batch has its name."""
        self._root.folder(split(path)[0])
        if path in self._staged_at:
            raise Refused("another file of this restore has the same name there")

    def check_spelling(self, path: bytes) -> None:
        """On a file system that does not tell case apart, another name may be what was found."""
        folder, name = split(path)
        if path and not self._can.case_sensitive and name not in self._root.names(folder):
            raise Refused("another file has the same name there (upper and lower case)")

    def add(self, pending: Pending) -> None:
        """May make the batch durable, as ``commit``, and raises as that."""
        self._pending.append(pending)
        self._staged_at[pending.path] = pending.staged
        self._pending_bytes += pending.size_bytes
        if len(self._pending) >= BATCH_FILES_LIMIT or self._pending_bytes >= BATCH_BYTES_LIMIT:
            self.commit()

    def commit(self) -> None:
        """Makes the batch durable and gives its files their names. What is refused then stands in ``tally.late``."""
        pending, self._pending, self._pending_bytes = self._pending, [], 0
        if not pending:
            return
        try:
            self._barrier.wait()
        except SyncFailed as error:
            raise failed(error) from error  # what is staged is removed, and written again by the next call
        finally:
            self._staged_at.clear()
        for each in pending:
            try:
                with refusing():
                    self._name(each)
            except Refused as error:
                self._tally.late.append(Refusal(each.path, str(error)))
                with suppress(OSError):
                    self._root.unlink(each.staged)
                continue
            setattr(self._tally, each.kind, getattr(self._tally, each.kind) + 1)
            self._tally.content_bytes += each.size_bytes
            self._tally.replaced += each.replace

    def _name(self, each: Pending) -> None:
        if each.replace:
            self.check_spelling(each.path)
            self._root.rename(each.staged, each.path)
        else:
            self._root.rename_unless_taken(each.staged, each.path)
        self._barrier.names_changed(split(each.path)[0])
