"""A manifest, whole: what the rest of the code holds in its hands."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from nightferry.errors import Failed
from nightferry.manifest import database
from nightferry.manifest.entries import Entries
from nightferry.manifest.journal import Journal
from nightferry.manifest.past import PastVersions
from nightferry.manifest.runs import Runs
from nightferry.tree.effects import Effects

FILE_NAME = "manifest.sqlite3"


class Manifest:
    """Use ``Manifest.create`` or ``Manifest.open``; close it when done."""

    def __init__(self, opened: database.Database) -> None:
        self.database = opened
        self.entries = Entries(opened)
        self.past = PastVersions(opened)
        self.runs = Runs(opened)
        self.journal = Journal(opened, self.entries, self.past)

    @classmethod
    def create(cls, path: Path, effects: Effects, *, pair_id: str, pair_name: str) -> Manifest:
        """Raises ``Failed`` where it cannot be written."""
        meta = {"pair_id": pair_id, "pair_name": pair_name, "generation": "0"}
        return cls(database.create(path, effects, meta))

    @classmethod
    def open(cls, path: Path, effects: Effects, *, writable: bool = True, keep_older: bool = True) -> Manifest:
        """See ``database.open_existing``. Raises ``Failed`` where it is absent, damaged or of a newer nightferry."""
        return cls(database.open_existing(path, effects, writable=writable, keep_older=keep_older))

    @classmethod
    @contextmanager
    def look(cls, path: Path, effects: Effects, *, in_use: bool, check: bool = False) -> Iterator[Manifest]:
        """For reading, without a trace; see ``database.open_to_look``. Raises ``Failed`` and ``Busy``."""
        with database.open_to_look(path, effects, in_use=in_use, check=check) as opened:
            yield cls(opened)

    def close(self) -> None:
        self.database.close()

    @property
    def pair_id(self) -> str | None:
        return self.database.meta("pair_id")

    @property
    def generation(self) -> int:
        """How often this pair has been sealed. The drive and the state must agree on who is newer."""
        return int(self.database.meta("generation") or 0)

    def set_generation(self, generation: int) -> None:
        with self.database.transaction():
            self.database.set_meta("generation", str(generation))

    def size(self) -> tuple[int, int]:
        """Bytes of the database, and how many names it has at the most; both at no cost."""
        one = self.database.connection.execute
        size_bytes = int(one("PRAGMA page_count").fetchone()[0]) * int(one("PRAGMA page_size").fetchone()[0])
        return size_bytes, int(one("SELECT coalesce(max(id), 0) FROM entry").fetchone()[0])

    def copy_to(self, target: Path | str) -> None:
        """A consistent copy of the whole database into a new file; raises ``Failed``."""
        try:
            self.database.copy_to(target)
        except sqlite3.Error as error:
            raise Failed(
                f"The manifest could not be copied to {target} ({error}): make room there, or see the system log for"
                " errors of that drive, then give the same command again."
            ) from error
