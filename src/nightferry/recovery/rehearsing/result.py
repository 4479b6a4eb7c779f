"""What a restore test took, what it found, and what it proved: plain values, from which reports are made."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

from nightferry.manifest.records import Content
from nightferry.planning.assurance import Assurance
from nightferry.planning.restore_time import Pace, WholeRestore
from nightferry.tree.metadata import Kind, Stat, Xattrs

_NO_PACE = Pace(0.0, None)

Outcome = Literal["passed", "short", "mismatches", "impossible"]
Side = Literal["secondary", "retired"]
What = Literal["decayed", "missing", "unreadable", "unstable", "metadata"]
Stopped = Literal["time", "asked", "limit"]


# Outcomes that somebody has to see to.
FAILURES: tuple[Outcome, ...] = ("mismatches", "impossible")


@dataclass(eq=False)
class Pick:
    """A file, symlink or retired version to be restored.

    Attributes:
        path: as people know it, below the primary.
        place: below the secondary's root.
        name: as the damage register has it: ``path``, or for a retired version its place below ``retired/``.
        why: the reasons for which it was taken.
    """

    side: Side
    path: bytes
    place: bytes
    name: bytes
    stat: Stat
    xattrs: Xattrs
    content: Content
    parent: int  # row of its folder
    why: list[str] = field(default_factory=list)

    @property
    def size_bytes(self) -> int:
        """Of its content; a symlink's is where it points."""
        return self.stat.size_bytes if self.stat.kind is Kind.FILE else 0


class Mismatch(NamedTuple):
    """One thing that was not restored as it should be. ``name`` and ``side`` as in the damage register."""

    path: bytes
    side: Side
    name: bytes
    what: What
    detail: str


class Tested(NamedTuple):
    """One that was carried through. ``streamed``: read and compared, without being written into the scratch place."""

    pick: Pick
    streamed: bool
    seconds: float
    is_right: bool


@dataclass
class Population:
    """What there is on the secondary, by its own sealed manifest."""

    files: int = 0
    size_bytes: int = 0
    retired_files: int = 0
    retired_bytes: int = 0


@dataclass
class Found:
    """What the drive alone said of itself."""

    file_system: str = ""
    which: str = "none"  # manifest: the newest seal; previous: the one before; none
    generation: int | None = None
    last_run: int | None = None
    notes: list[str] = field(default_factory=list)


@dataclass
class Place:
    """Where files were restored into. ``room_bytes`` 0: nowhere, and ``why_none`` says why."""

    shown: str = ""
    file_system: str = ""
    room_bytes: int = 0
    in_memory: bool = False
    why_none: str | None = None


@dataclass
class Rehearsal:
    """One restore test, whole. Times are Unix time in seconds."""

    pair: str
    stamp: str
    run: int
    began_s: float
    seed: int
    share: float
    limit_bytes: int | None
    ended_s: float = 0.0
    impossible: str | None = None  # why the secondary alone was not enough to begin
    found: Found = field(default_factory=Found)
    place: Place = field(default_factory=Place)
    population: Population = field(default_factory=Population)
    stopped: Stopped | None = None
    tested: list[Tested] = field(default_factory=list)
    folders: int = 0  # restored with the files that are in them
    mismatches: list[Mismatch] = field(default_factory=list)
    lost: Counter[str] = field(default_factory=Counter)  # what the scratch place's file system could not hold
    passed_over: list[Pick] = field(default_factory=list)  # of those always taken: too large for the limit
    assurances: list[Assurance] = field(default_factory=list)
    pace: Pace = _NO_PACE
    read_s: float = 0.0
    past_cache: bool = True
    whole: WholeRestore | None = None

    @property
    def outcome(self) -> Outcome:
        """In one word."""
        if self.impossible is not None:
            return "impossible"
        if self.mismatches:
            return "mismatches"
        return "passed" if all(each.is_reached for each in self.assurances) and not self.stopped else "short"

    @property
    def is_failure(self) -> bool:
        """Whether somebody has to see to it."""
        return self.outcome in FAILURES

    @property
    def out_of_time(self) -> bool:
        """Whether the time, and not the size that is allowed, ended it."""
        return self.stopped in ("time", "asked")

    def restored(self, *, streamed: bool) -> tuple[int, int]:
        """Files and bytes of those that came back right, restored or streamed."""
        sizes = [each.pick.size_bytes for each in self.tested if each.is_right and each.streamed is streamed]
        return len(sizes), sum(sizes)

    def summary(self) -> dict[str, Any]:
        """What status and the records of the run keep of it."""
        written, streamed = self.restored(streamed=False), self.restored(streamed=True)
        by_kind = {each.counted: each for each in self.assurances}
        whole = self.whole
        return {
            "stamp": self.stamp,
            "run": self.run,
            "ended_s": self.ended_s,
            "outcome": self.outcome,
            "files": written[0] + streamed[0],
            "bytes": written[1] + streamed[1],
            "mismatches": len(self.mismatches),
            "confidence": next((each.confidence for each in self.assurances), None),
            "files_share": by_kind["files"].share if "files" in by_kind else None,
            "bytes_share": by_kind["bytes"].share if "bytes" in by_kind else None,
            "wanted_share": self.share,
            "rate_bytes_per_s": None if self.pace.rate_bytes_per_s is None else round(self.pace.rate_bytes_per_s),
            "local_s": None if whole is None or whole.local_s is None else round(whole.local_s, 1),
            "network_s": None if whole is None or whole.network_s is None else round(whole.network_s, 1),
        }
