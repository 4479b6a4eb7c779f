"""What a morning report says, as plain values. Bytes of content, Unix times in seconds, rates in bytes a second."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from nightferry.manifest.night_findings import DamageStory
from nightferry.planning.trend import Full, Trend
from nightferry.reporting.audit.changes import Change, NightReport
from nightferry.reporting.audit.folders import Sum
from nightferry.reporting.standing.status import Reason, RehearsalFact


@dataclass(frozen=True)
class FolderPart:
    """The changes of a night in one folder. ``names``: its largest, of ``total.files``."""

    path: bytes
    total: Sum
    names: tuple[Change, ...]


@dataclass(frozen=True)
class Removals:
    """Files that vanished from one folder and below it."""

    path: bytes
    files: int
    size_bytes: int
    is_folder_gone: bool  # the folder itself was removed as well


@dataclass(frozen=True)
class Dated:
    """A file whose content changed and whose date did not. Dates are Unix time in nanoseconds."""

    path: bytes
    before_ns: int
    after_ns: int


@dataclass(frozen=True)
class Ending:
    """A kind of file that no night had met before."""

    ending: bytes
    files: int
    example: bytes


@dataclass
class Unusual:
    """What is out of the ordinary. The counts are of all there is, the lists of what is shown."""

    removals: list[Removals] = field(default_factory=list)
    removals_count: int = 0
    dated: list[Dated] = field(default_factory=list)
    dated_count: int = 0
    endings: list[Ending] = field(default_factory=list)
    endings_count: int = 0

    @property
    def is_empty(self) -> bool:
        return not (self.removals or self.dated or self.endings)


@dataclass
class Changed:
    """What a night changed: counts by kind as ``--json`` has them, and where."""

    counts: dict[str, Any] = field(default_factory=dict)
    folders: list[FolderPart] = field(default_factory=list)
    folders_count: int = 0
    biggest: list[Change] = field(default_factory=list)
    unusual: Unusual = field(default_factory=Unusual)

    @property
    def is_nothing(self) -> bool:
        return not any(each["files"] or each["folders"] for each in self.counts.values())


@dataclass(frozen=True)
class Room:
    """Of one drive."""

    free_bytes: int
    total_bytes: int

    @property
    def used_bytes(self) -> int:
        return max(0, self.total_bytes - self.free_bytes)


@dataclass(frozen=True)
class NightPoint:
    """One night in a row of nights. ``size_bytes``: by kind of change. A rate is None where too little was moved."""

    number: int
    started_s: float
    outcome: str | None
    size_bytes: Mapping[str, int]
    files: int
    copy_rate: float | None
    read_rates: Mapping[str, float]
    room: Room | None  # on the secondary


def held_on_this_drive(history: Sequence[NightPoint]) -> list[tuple[float, Room]]:
    """The room after each night since the secondary has the size it has now: before that it was another drive."""
    found: list[tuple[float, Room]] = []
    for point in reversed(history):
        if point.room is None:
            continue
        if found and point.room.total_bytes != found[-1][1].total_bytes:
            break
        found.append((point.started_s, point.room))
    return found[::-1]


@dataclass(frozen=True)
class DriveNote:
    """What was found of a drive at the end of the night, by the words of a preflight's findings."""

    about: str  # primary, secondary, or pair
    code: str
    state: str  # ok, not known, note, attention, failure
    found: str
    meaning: str
    todo: str

    @property
    def is_bad(self) -> bool:
        """Whether it wants a look."""
        return self.state in ("attention", "failure")


@dataclass(frozen=True)
class Drive:
    """One of the two. ``room`` None: not known."""

    role: str
    path: str
    room: Room | None
    notes: tuple[DriveNote, ...] = ()


@dataclass
class Facts:
    """All of it. ``report`` is None where no night has run; ``refusal``: why tonight's could not begin, if so."""

    pair: str
    state: str
    reasons: tuple[Reason, ...]
    written_s: float
    valid_until_s: float
    report: NightReport | None = None
    refusal: bool = False
    is_newest: bool = True  # else a page of an older night, made by hand
    after: str | None = None  # the command that changed what stood here, after which it was made again
    released: bool = False  # the hold of the night was released since
    open_damage: int | None = None  # names that are damaged now; None: as when the night ended
    protected_as_of_s: float | None = None
    changed: Changed = field(default_factory=Changed)
    damage: list[DamageStory] = field(default_factory=list)
    damage_count: int = 0
    came_and_went: list[str] = field(default_factory=list)
    came_and_went_count: int = 0
    day_incomplete: list[str] = field(default_factory=list)
    rehearsal: RehearsalFact | None = None
    history: list[NightPoint] = field(default_factory=list)  # oldest first
    trend: Trend | None = None
    full: Full | None = None
    keep_free_bytes: int = 0
    drives: list[Drive] = field(default_factory=list)
    drives_together: list[DriveNote] = field(default_factory=list)  # what concerns both

    @property
    def bad_notes(self) -> list[DriveNote]:
        """Of the drives, what wants a look."""
        return [note for drive in self.drives for note in drive.notes if note.is_bad] + [
            note for note in self.drives_together if note.is_bad
        ]

    @property
    def open_sides(self) -> set[str]:
        """Where damage is open; "unlisted" for names that no run put there. Empty where that is not known of each."""
        if len(self.damage) < self.damage_count:
            return set()
        found = [each for each in self.damage if each.closed_run is None]
        return {"unlisted" if each.verdict == "unlisted" else each.side for each in found}
