"""A pair on two real drives, with verify and mend called on it as the commands do."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from harness import Pair

from drives import MIB, Drive, DriveFactory, run
from nightferry.manifest.records import Damage
from nightferry.night.context import Stop, Unwatched
from nightferry.recovery.mending.damage import Survey, Surveyor
from nightferry.recovery.opening import Opened, open_pair
from nightferry.recovery.session import Outcome, Session
from nightferry.recovery.verifying import VerifyResult, Wanted, verify_pair
from nightferry.tree.effects import Effects

KYRIE = "2026-05 spring concert/01 kyrie.wav"
PROGRAMME = "programme.txt"


def sha256(path: Path | bytes) -> str:
    """What ``sha256sum`` says, which knows nothing of nightferry."""
    return run("sha256sum", "-b", os.fsencode(path)).split()[0].decode().lstrip("\\")


class World:
    """``drives``: the primary and the secondary, where they are drives."""

    def __init__(self, pair: Pair, drives: tuple[Drive, ...] = ()) -> None:
        self.pair, self.drives = pair, drives

    @classmethod
    def on_drives(cls, drives: DriveFactory, tmp_path: Path, **settings: object) -> World:
        made = (drives("ext4", 96 * MIB), drives("ext4", 192 * MIB))
        return cls(Pair(*made, tmp_path / "state", **settings), made)

    def rot(self, side: int, path: Path | bytes, offset: int) -> None:
        """One byte of a file decays on the primary (0) or the secondary (1); nothing that stat tells moves."""
        before = os.lstat(path)
        self.drives[side].flip_byte(path, offset)
        self.drives[side].drop_caches()
        after = os.lstat(path)
        same = ("st_size", "st_mtime_ns", "st_ctime_ns", "st_ino")
        assert [getattr(before, name) for name in same] == [getattr(after, name) for name in same]

    def verify(
        self, *, stop: Stop | None = None, effects: Effects | None = None, progress: object = None, **wanted: object
    ) -> VerifyResult:
        """All of it by default, also what was read today."""
        chosen = Wanted(**{"also_fresh": True, **wanted})
        clock = self.pair.clock
        return verify_pair(
            self.pair.settings, self.pair.state_dir, chosen, progress or Unwatched(), effects or Effects(), clock,
            stop or Stop(clock),
        )  # fmt: skip

    @contextmanager
    def opened(self, *, effects: Effects | None = None) -> Iterator[Opened]:
        with open_pair(self.pair.settings, self.pair.state_dir, "mend", effects or Effects(), mend=True) as opened:
            yield opened

    def mend(
        self, action: str, *paths: str, source: str | None = None, effects: Effects | None = None
    ) -> list[Outcome]:
        """What `nightferry mend` does, without the asking."""
        with self.opened(effects=effects) as opened:
            session = Session(opened, self.pair.clock, lambda: False)
            found = session.chosen([os.fsencode(path) for path in paths])
            looked = list(session.look(found))
            chosen = None if source is None else source.encode()
            return [session.act(each, action, chosen) for each in looked]

    def mend_from(self, path: str, source: bytes) -> list[Outcome]:
        """What `nightferry mend PATH --from SOURCE` does, also for a file that is not damaged."""
        with self.opened() as opened:
            session = Session(opened, self.pair.clock, lambda: False)
            looked = list(session.look(session.chosen([os.fsencode(path)], anyway=True)))
            return [session.act(each, "choose", source) for each in looked]

    def survey(self, path: str) -> Survey:
        with self.opened() as opened:
            return Surveyor(opened, lambda: False).survey(path.encode())

    def with_surveyor(self, use: Callable[[Surveyor], object]) -> object:
        with self.opened() as opened:
            return use(Surveyor(opened, lambda: False))

    def damage(self) -> list[Damage]:
        with self.pair.manifest() as manifest:
            return manifest.runs.damage()

    def open(self) -> list[tuple[bytes, str, str]]:
        """(path, side, verdict) of open damage."""
        return sorted((each.path, each.side, each.verdict) for each in self.damage())

    def register(self) -> list[tuple[bytes, str, str, str | None]]:
        with self.pair.manifest() as manifest:
            return manifest.database.connection.execute(
                "SELECT path, side, verdict, became FROM damage ORDER BY id"
            ).fetchall()
