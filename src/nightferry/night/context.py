"""What the phases of one run hold in common."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import Protocol

from nightferry.manifest.manifest import Manifest
from nightferry.manifest.plan import Plan
from nightferry.manifest.records import LeftOut
from nightferry.manifest.runs import LEFT_OUT_LIMIT
from nightferry.night.ahead import Ahead
from nightferry.night.excluding import Excludes
from nightferry.night.open_damage import OpenDamage
from nightferry.night.platter import Platter
from nightferry.night.rates import RateMeter
from nightferry.planning.drive_health import DriveHealth
from nightferry.settings import PairSettings
from nightferry.tree.content import Buffers
from nightferry.tree.digests import Algorithm
from nightferry.tree.durability import Barrier
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import OwnerOfNew
from nightferry.tree.root import Root, split
from nightferry.volumes.capabilities import Capabilities

COPY = b"copy"
RETIRED = b"retired"
STAGING = b"staging"
RECORDS = b"records"


class Clock:
    """Time, as a value that a test can move. Seconds; ``now_s`` is Unix time and may be wrong."""

    def now_s(self) -> float:
        return time.time()

    def monotonic_s(self) -> float:
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)


class Interrupted(Exception):
    """The run was asked to stop, or its window closed; what is finished stays."""


class Stop:
    """Whether to go on. Asked between files and every few blocks within one."""

    def __init__(self, clock: Clock, deadline_s: float | None = None) -> None:
        """``deadline_s`` counts on the monotonic clock."""
        self._clock = clock
        self._deadline_s = deadline_s
        self._reason: str | None = None

    def request(self, reason: str) -> None:
        self._reason = self._reason or reason

    def left_s(self) -> float | None:
        return None if self._deadline_s is None else self._deadline_s - self._clock.monotonic_s()

    @property
    def reason(self) -> str | None:
        left_s = self.left_s()
        if self._reason is None and left_s is not None and left_s <= 0:
            self._reason = "the window closed"
        return self._reason

    def __call__(self) -> bool:
        return self.reason is not None

    def check(self) -> None:
        """Raises ``Interrupted`` where the run is to stop."""
        if self.reason is not None:
            raise Interrupted(self.reason)


class Progress(Protocol):
    """Who watches a run. Totals are None where they are not known yet."""

    def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None: ...

    def advance(self, files: int = 0, size_bytes: int = 0) -> None: ...

    def note(self, event: str, **details: object) -> None: ...


class Unwatched:
    """Nobody watches."""

    def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
        pass

    def advance(self, files: int = 0, size_bytes: int = 0) -> None:
        pass

    def note(self, event: str, **details: object) -> None:
        pass


@dataclass
class Tally:
    """What a run did, counted. Bytes are those of the files' content."""

    scanned_files: int = 0
    scanned_folders: int = 0
    added: int = 0
    added_bytes: int = 0
    changed: int = 0
    changed_bytes: int = 0
    moved: int = 0
    moved_bytes: int = 0
    removed: int = 0
    removed_bytes: int = 0
    metadata: int = 0
    folders_added: int = 0
    folders_moved: int = 0
    folders_removed: int = 0
    folders_metadata: int = 0
    placed: int = 0  # of what was to be copied: what stands in the copy now, also where its content had not changed
    placed_bytes: int = 0
    linked: int = 0  # of the added and changed: not copied, since the content was there
    read_bytes: int = 0
    written_bytes: int = 0
    read_back_files: int = 0
    read_back_bytes: int = 0
    not_read_back: int = 0  # new copies that were to be read back, and the night was stopped before
    expired: int = 0
    expired_bytes: int = 0
    put_back_dates: int = 0
    unreadable: int = 0
    unsettled: int = 0
    unsupported: int = 0
    refused: int = 0  # of the unsupported: files that this secondary cannot take
    other_mounts: int = 0
    no_room: int = 0
    withheld: int = 0
    damage: int = 0
    mended: int = 0
    verified_files: int = 0
    verified_primary_bytes: int = 0
    verified_secondary_bytes: int = 0
    finished_after_crash: int = 0


# The words for what was not copied, and the counter of each.
UNREADABLE, UNSETTLED, UNSUPPORTED = "unreadable", "unsettled", "unsupported"
OTHER_MOUNT, NO_ROOM, UNLISTED = "other mount", "no room", "unlisted"
_COUNTERS = {
    UNREADABLE: "unreadable",
    UNSETTLED: "unsettled",
    UNSUPPORTED: "unsupported",
    OTHER_MOUNT: "other_mounts",
    NO_ROOM: "no_room",
}


@dataclass
class Night:
    """One run over one pair, from preflight to report."""

    settings: PairSettings
    manifest: Manifest
    plan: Plan
    primary: Root
    secondary: Root
    effects: Effects
    capabilities: Capabilities
    barrier: Barrier
    clock: Clock
    stop: Stop
    progress: Progress
    number: int
    stamp: str
    algorithm: Algorithm
    buffers: Buffers
    platter: Platter
    mounted_below: frozenset[bytes] = frozenset()
    inodes: bool = True  # whether inode number and ctime tell the primary's files apart (volumes/filesystem.py)
    excludes: Excludes = field(default_factory=lambda: Excludes(()))
    excludes_seed: int = 0
    busy: tuple[bytes, ...] = ()  # folders of the primary that were written to by day, as far as was seen (busy.py)
    tally: Tally = field(default_factory=Tally)
    notes: list[str] = field(default_factory=list)
    metadata_lost: set[str] = field(default_factory=set)
    folders_refused: set[bytes] = field(default_factory=set)
    health: dict[str, DriveHealth] = field(
        default_factory=lambda: {"primary": DriveHealth(), "secondary": DriveHealth()}
    )
    _left_out: list[LeftOut] = field(default_factory=list)  # not yet entered in the manifest
    _named: set[LeftOut] = field(default_factory=set)
    _staged: int = 0
    rates: RateMeter = field(init=False)
    ahead: Ahead = field(init=False)
    owner_of_new: OwnerOfNew = field(init=False)  # in staging/
    bad: OpenDamage = field(init=False)

    def __post_init__(self) -> None:
        self.rates = RateMeter(self.clock.monotonic_s)
        self.ahead = Ahead(self.primary, self.effects)
        self.owner_of_new = OwnerOfNew(self.effects)
        self.bad = OpenDamage(self.manifest)

    def leave_out(self, kind: str, path: bytes, detail: str) -> bool:
        """Names what could not be copied; the folder is looked at in full again tomorrow.

        Returns whether it was not named before: what copying could not replace, verification may not mend either.
        """
        found = LeftOut(kind, path, detail)
        if found in self._named:
            return False
        counter = _COUNTERS.get(kind)
        if counter is not None:
            setattr(self.tally, counter, getattr(self.tally, counter) + 1)
        if kind not in (UNSUPPORTED, OTHER_MOUNT):
            self.plan.mark_incomplete(split(path)[0])
        if len(self._named) < LEFT_OUT_LIMIT:
            self._named.add(found)
            self._left_out.append(found)
        self.progress.note("not copied", kind=kind, path=path, why=detail)
        return True

    def take_left_out(self) -> list[LeftOut]:
        """Those not yet entered in the manifest."""
        taken, self._left_out = self._left_out, []
        return taken

    def note(self, sentence: str) -> None:
        """Something for the report that concerns no single file. Said once."""
        if sentence not in self.notes:
            self.notes.append(sentence)
            self.progress.note("note", text=sentence)

    def bytes_passed(self, size_bytes: int) -> None:
        self.progress.advance(size_bytes=size_bytes)

    def count_small(self, size_bytes: int) -> None:
        """A file was copied whole, by one read and one write."""
        self.tally.read_bytes += size_bytes
        self.tally.written_bytes += size_bytes
        self.progress.advance(size_bytes=size_bytes)

    def staging_name(self) -> bytes:
        self._staged += 1
        return self.name_in_staging(self._staged)

    def name_in_staging(self, number: int) -> bytes:
        return b"%s/%d-%d" % (STAGING, self.number, number)

    def set_apart(self, names: int) -> int:
        """Sets names in ``staging/`` apart for another process; the number of the first."""
        first = self._staged + 1
        self._staged += names
        return first

    def use_from(self, first: int) -> None:
        """In that process: its names begin here."""
        self._staged = first - 1
