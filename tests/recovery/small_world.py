"""A pair of a few files in memory, to be put back as it was: so that every call of a command can be tried in turn.

``Moment`` is all that a command has to leave alike, whether it was cut off before it or not.
"""

from __future__ import annotations

import dataclasses
import os
import shutil
from collections import Counter
from pathlib import Path
from types import ModuleType
from typing import Any, NamedTuple

import pytest
from crash_world import Thing, claims_of, copy_drive, copy_of, different, primary_of, retired_of
from harness import MovedClock, Pair
from world import World

from nightferry.tree.metadata import Kind
from nightferry.volumes import capabilities

_DRIVES = ("primary", "secondary", "state")


class QuickClock(MovedClock):
    """Where something waits, that time has passed. Nobody else writes to these drives meanwhile."""

    def sleep(self, seconds: float) -> None:
        self.shift_s += seconds


def syncs_as_a_drive(monkeypatch: pytest.MonkeyPatch, *modules: ModuleType) -> None:
    """What lies in memory is synced as ext4 is, by syncfs(2): the modules that try a file system out are told so."""
    real = capabilities.probe

    def probe(*given: Any, **named: Any) -> capabilities.Capabilities:
        return dataclasses.replace(real(*given, **named), syncfs_covers=True)

    for module in modules:
        monkeypatch.setattr(module, "probe", probe)


class Moment(NamedTuple):
    """Both drives, and what the state says of them; without inode numbers, times of change and stamps of runs."""

    primary: dict[bytes, Thing]
    copy: dict[bytes, Thing]
    retired: Counter[tuple[bytes, str, bytes]]
    entries: dict[bytes, tuple]
    known: frozenset[bytes]  # files that the manifest takes to be the very ones that stand on the primary
    held: Counter[tuple]
    damage: list[tuple[bytes, str, str, bool]]  # path, side, verdict, whether it is open
    tops: tuple[list[str], list[str]]

    def undated(self) -> Moment:
        """Without the dates of folders."""

        def plain(things: dict[bytes, Thing]) -> dict[bytes, Thing]:
            return {
                path: thing._replace(metadata=(*thing.metadata[:3], 0)) if thing.kind == "d" else thing
                for path, thing in things.items()
            }

        entries = {
            path: (kind, size_bytes, 0 if kind == Kind.FOLDER else mtime_ns, *rest)
            for path, (kind, size_bytes, mtime_ns, *rest) in self.entries.items()
        }
        return self._replace(primary=plain(self.primary), copy=plain(self.copy), entries=entries)

    def unlike(self, other: Moment) -> list[str]:
        """What differs, in words for whoever reads a failure. Empty: nothing does."""
        found = [f"primary: {each}" for each in different(self.primary, other.primary)]
        found += [f"copy: {each}" for each in different(self.copy, other.copy)]
        for name in self._fields[2:]:
            mine, others = getattr(self, name), getattr(other, name)
            if mine != others:
                found.append(f"{name}: {mine} is {others}")
        return found


class SmallWorld(World):
    """Three folders below ``base``: the two drives and the state."""

    def __init__(self, base: Path, **settings: object) -> None:
        super().__init__(Pair(*(base / name for name in _DRIVES), **settings))  # type: ignore[arg-type]
        self.base = base
        self.pair.clock = QuickClock()

    def night(self) -> None:
        self.pair.clock.pass_days(1)
        self.pair.run_well()

    # --- saving and putting back

    def save(self) -> None:
        self._shift_s = self.pair.clock.shift_s
        self._saved = [name for name in _DRIVES if (self.base / name).exists()]
        for name in self._saved:
            copy_drive(self.base / name, self.base / "saved" / name)
        self._rows: list[tuple[bytes, int]] = []
        if "state" in self._saved:
            with self.pair.manifest() as manifest:
                entries = [(b"", manifest.entries.by_id(1)), *manifest.entries.below(1, b"")]
                self._rows = [(path, entry.id) for path, entry in entries if entry is not None]

    def put_back(self) -> None:
        self.pair.clock.shift_s = self._shift_s
        for name in _DRIVES:
            if name in self._saved:
                copy_drive(self.base / "saved" / name, self.base / name)
            else:
                shutil.rmtree(self.base / name, ignore_errors=True)
        if not self._rows:
            return
        # The files of the primary are others now: the manifest learns which, so that it knows them as it did.
        top = os.fsencode(self.pair.primary)
        with self.pair.manifest(writable=True) as manifest, manifest.database.transaction() as connection:
            for path, row in self._rows:
                if os.path.lexists(top + b"/" + path):
                    now = os.lstat(top + b"/" + path)
                    change = "UPDATE entry SET inode = ?, ctime_ns = ?, listing = NULL WHERE id = ?"
                    connection.execute(change, (now.st_ino, now.st_ctime_ns, row))

    # --- what is there

    def moment(self, *, cut_off: bool = False) -> Moment:
        """``cut_off``: a command was killed just now, and may have left what the next one finishes."""
        pair = self.pair
        claims = claims_of(pair, self.base / "looked at")
        if not cut_off:
            assert claims.intents == []
            assert not (pair.secondary / "staging").exists() or pair.staging() == []
        top = os.fsencode(pair.primary)
        known = set()
        entries = {}
        for path, row in claims.entries.items():
            kind, size_bytes, mtime_ns, ctime_ns, inode, *rest, _ = row
            entries[path] = (kind, size_bytes, mtime_ns, *rest)
            if os.path.isfile(top + b"/" + path):
                now = os.lstat(top + b"/" + path)
                if (now.st_ino, now.st_ctime_ns) == (inode, ctime_ns):
                    known.add(path)
        return Moment(
            primary_of(pair),
            copy_of(pair),
            retired_of(pair),
            entries,
            frozenset(known),
            Counter((path.partition(b"/")[2], *row) for path, row in claims.held.items()),
            sorted((path, side, verdict, became is None) for path, side, verdict, became in self.register()),
            (sorted(os.listdir(pair.primary)), sorted(os.listdir(pair.secondary))),
        )
