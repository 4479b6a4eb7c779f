"""What a restore came to."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Generic, TypeVar

from nightferry.recovery.mending.reading_around import Filled
from nightferry.recovery.restoring.batch import Tally
from nightferry.recovery.restoring.refusals import Refusal

# Names kept of one kind; beyond it they are counted only.
NAMES_LIMIT = 1_000

T = TypeVar("T")


class Named(Generic[T]):
    """Names of one kind: all counted, the first of them kept."""

    def __init__(self) -> None:
        self.count = 0
        self.kept: list[T] = []

    def add(self, each: T) -> None:
        self.count += 1
        if len(self.kept) < NAMES_LIMIT:
            self.kept.append(each)


@dataclass
class Damaged:
    """A file restored under a marked name, since no place has its right content.

    ``ranges``: where nothing could be read, and what stands there now; empty where all could, and is wrong.
    """

    path: bytes
    restored_as: bytes
    why: str
    ranges: list[Filled]


@dataclass
class RestoreResult:
    """``pair``: its name. ``night``: the run as of which it was; None for the plain tree without a manifest."""

    pair: str
    into: Path
    night: int | None = None
    night_s: float | None = None  # when that run began, Unix time
    newest: bool = True
    written: Tally = field(default_factory=Tally)
    right: int = 0  # files and symlinks that were there already, as they should be
    right_bytes: int = 0
    left: Named[Refusal] = field(default_factory=Named)  # there already with something else, and not to be overwritten
    bad: Named[Refusal] = field(default_factory=Named)  # not restored: no place has the right content
    damaged: Named[Damaged] = field(default_factory=Named)
    elsewhere: Named[Refusal] = field(default_factory=Named)  # restored right, from another place than the copy
    refused: Named[Refusal] = field(default_factory=Named)  # the target would not take these
    unverified: int = 0  # restored with no checksum to compare with
    behind: bool = False  # by records that are older than the copy: what a later night copied is not among it
    unknown: bool = False  # as of a night of which nobody knows what it left
    notes: list[str] = field(default_factory=list)
    stopped: bool = False
    seconds: float = 0.0
    writing_s: float = 0.0  # of them: reading and writing content
    content_bytes: int = 0  # that were read, compared and written, or found to be there
    is_primary: bool = False  # a new primary, which is a pair with its secondary now

    @property
    def not_restored(self) -> int:
        """Names that were asked for and are not in the target as they should be."""
        return self.left.count + self.bad.count + self.damaged.count + self.refused.count

    @property
    def exit_code(self) -> int:
        is_certain = not (self.unverified or self.behind or self.unknown)
        return 0 if is_certain and not (self.not_restored or self.elsewhere.count or self.stopped) else 1
