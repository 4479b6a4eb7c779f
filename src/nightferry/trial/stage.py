"""Where the trial plays: its folders, its calendar, its nights, and the book of what was claimed and found."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from nightferry.errors import NightferryError
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.night.context import Clock, Stop, Unwatched
from nightferry.night.preflight import state_folder
from nightferry.night.run import Result, run_night
from nightferry.recovery.rehearsing.by_hand import Made, rehearse_pair
from nightferry.recovery.verifying import VerifyResult, Wanted, verify_pair
from nightferry.reporting.look.terminal import printable
from nightferry.reporting.screens.rehearsal_text import render
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects
from nightferry.trial.compare import Tree, tree
from nightferry.trial.screen import Screen
from nightferry.units import format_count, format_size

PAIR = "recordings"
# The night after the spring concert; the trial's calendar has nothing to do with this machine's.
FIRST_NIGHT = datetime(2025, 5, 18, 2, 30, tzinfo=UTC)

# Called after each night with its number: a test alters something there, and the trial has to notice.
Meddle = Callable[[int, "Place"], None]


@dataclass(frozen=True)
class Place:
    """The folders of one trial, all below one of its own."""

    folder: Path

    @property
    def primary(self) -> Path:
        return self.folder / "recordings"

    @property
    def secondary(self) -> Path:
        return self.folder / "recordings-second"

    @property
    def copy(self) -> Path:
        return self.secondary / "copy"

    @property
    def state_dir(self) -> Path:
        return self.folder / "state"

    @property
    def config(self) -> Path:
        return self.folder / "nightferry.toml"

    def settings(self) -> PairSettings:
        """``settle_quiet`` 0: nobody else writes here, and the disk below may never be quiet."""
        return PairSettings(
            name=PAIR, primary=self.primary, secondary=self.secondary, require_mount=False,
            settle_quiet=timedelta(0), keep_free=0, rehearse_share=0.0,
        )  # fmt: skip

    def config_text(self) -> str:
        """The same as a configuration file, so that a trial that was kept can be played on with."""
        return "\n".join(
            [f"state_dir = {_toml(self.state_dir)}", "", "[[pair]]", f'name = "{PAIR}"',
             f"primary = {_toml(self.primary)}", f"secondary = {_toml(self.secondary)}",
             "require_mount = false  # two folders, not drives", 'settle_quiet = "0s"', 'keep_free = "0"',
             'rehearse_share = "off"  # the story rehearses when its turn comes', ""]
        )  # fmt: skip


class Calendar(Clock):
    """A clock that stands at the night it was set to and runs on from there; nobody waits for it."""

    def __init__(self) -> None:
        self._offset_s = 0.0
        self.set(FIRST_NIGHT)

    def set(self, moment: datetime) -> None:
        self._offset_s = moment.timestamp() - super().monotonic_s()

    def now_s(self) -> float:
        return self.monotonic_s() + self._offset_s

    def sleep(self, seconds: float) -> None:
        self._offset_s += seconds


class NotAsTold(Exception):
    """A claim of a chapter did not hold; what comes after would be told on sand."""


@dataclass
class Told:
    """One chapter, as ``--json`` has it."""

    name: str
    title: str
    facts: dict[str, object] = field(default_factory=dict)
    claims: list[dict[str, object]] = field(default_factory=list)

    @property
    def holds(self) -> bool:
        return all(claim["holds"] for claim in self.claims)


@dataclass(frozen=True)
class WorkingDay:
    """What a later chapter looks back on."""

    run: int
    kept_until: date  # of what it displaced, as it looked on the next morning


class Stage:
    """What a chapter has in hand. Claims are made with ``check``; facts go to ``--json``."""

    def __init__(self, place: Place, screen: Screen, meddle: Meddle | None = None) -> None:
        self.place = place
        self.screen = screen
        self.settings = place.settings()
        self.told: list[Told] = []
        self.nights = 0
        self.working_day: WorkingDay | None = None
        self._calendar = Calendar()
        self._meddle = meddle
        self._notes: set[str] = set()

    # --- the book

    def begin(self, name: str, title: str) -> None:
        self.told.append(Told(name, title))
        self.screen.heading(f"{len(self.told)}. {title}")

    def fact(self, name: str, value: object) -> None:
        self.told[-1].facts[name] = value

    def check(self, claim: str, holds: bool, found: object = "", *, aloud: bool = True) -> None:
        """``aloud`` False: what holds is not worth a line on the screen."""
        self.told[-1].claims.append({"claim": claim, "holds": holds})
        if aloud or not holds:
            self.screen.check(claim, holds=holds, found=printable(str(found)))

    def end(self) -> None:
        """Raises ``NotAsTold`` where a claim of this chapter did not hold."""
        if not self.told[-1].holds:
            raise NotAsTold(self.told[-1].title)

    # --- nights

    def night_of(self, number: int) -> datetime:
        return FIRST_NIGHT + timedelta(days=number - 1)

    def night(self, expected: str = "complete") -> Result:
        """The next night, a day after the one before, through the same code as every real one.

        Raises ``NotAsTold`` where it could not run at all.
        """
        self.nights += 1
        moment = self.night_of(self.nights)
        self._calendar.set(moment)
        before = self.primary(read=False)
        try:
            with self.screen.working("a night is running"):
                result = run_night(self.settings, self.place.state_dir, Unwatched(), clock=self._calendar)
        except NightferryError as error:
            self.check(f"night {self.nights} runs", False, error)
            raise NotAsTold(self.told[-1].title) from error
        if self._meddle is not None:
            self._meddle(result.number, self.place)
        self.screen.night(f"{moment:%A} {moment.day} {moment:%B %Y}, {moment:%H:%M}", in_words(result))
        for note in [note for note in result.notes if note not in self._notes]:
            self._notes.add(note)
            self.screen.text(printable(note), style="dim italic")
        self.fact(
            "night",
            {"number": result.number, "at": moment.isoformat(), "outcome": result.outcome, "state": result.state,
             "tally": asdict(result.tally), "notes": result.notes, "hold_reasons": result.hold_reasons},
        )  # fmt: skip
        ended = f"{result.outcome} {result.failure or ''}"
        self.check(f"the night ends {expected}", result.outcome == expected, ended, aloud=False)
        untouched = self.primary(read=False) == before
        self.check("the night only read the primary: nothing on it changed", untouched, aloud=self.nights == 1)
        return result

    def rehearse(self) -> Made:
        """A restore test, as `nightferry rehearse` makes it. Raises ``NotAsTold`` where it could not be made."""
        try:
            with self.screen.working("files are being restored"):
                return rehearse_pair(
                    self.settings, self.place.state_dir, None, render, Unwatched(), Effects(), self._calendar,
                    Stop(self._calendar),
                )  # fmt: skip
        except NightferryError as error:
            self.check("a restore test can be made", False, error)
            raise NotAsTold(self.told[-1].title) from error

    def verify(self) -> VerifyResult:
        """All of both drives read, as `nightferry verify --all` does. Raises ``NotAsTold`` where they could not be."""
        try:
            with self.screen.working("both drives are being read"):
                return verify_pair(
                    self.settings, self.place.state_dir, Wanted(also_fresh=True), Unwatched(), Effects(),
                    self._calendar, Stop(self._calendar),
                )  # fmt: skip
        except NightferryError as error:
            self.check("both drives can be read", False, error)
            raise NotAsTold(self.told[-1].title) from error

    def manifest(self) -> Manifest:
        """Opened to read; the caller closes it."""
        folder = state_folder(self.place.state_dir, PAIR)
        return Manifest.open(folder / FILE_NAME, Effects(), writable=False)

    # --- looking

    def primary(self, *, read: bool = True) -> Tree:
        return tree(bytes(self.place.primary), read=read)

    def copy(self) -> Tree:
        return tree(bytes(self.place.copy))

    def retired(self) -> Tree:
        return tree(bytes(self.place.secondary / "retired"))


def in_words(result: Result) -> str:
    """A night in one sentence: how it ended, what it did, and what it moved for that."""
    tally = result.tally
    did = [
        f"{format_count(number)} {one if number == 1 else many}{f' ({format_size(size_bytes)})' if size_bytes else ''}"
        for number, one, many, size_bytes in (
            (tally.added, "new file", "new files", tally.added_bytes),
            (tally.changed, "file replaced", "files replaced", tally.changed_bytes),
            (tally.folders_moved, "folder moved", "folders moved", 0),
            (tally.moved, "file moved", "files moved", 0),
            (tally.removed, "file retired", "files retired", tally.removed_bytes),
            (tally.metadata, "file with the old content and new dates", "files with the old content and new dates", 0),
            (tally.mended, "bad copy mended from the primary", "bad copies mended from the primary", 0),
            (tally.withheld, "removal or replacement held back", "removals and replacements held back", 0),
        )
        if number
    ]
    nothing = "nothing had changed, nothing was copied"
    if tally.read_bytes:
        nothing = f"{format_size(tally.read_bytes)} read to compare, the same as before; nothing was copied"
    words = f"{result.outcome}: {', '.join(did) or nothing}"
    if tally.written_bytes:
        words += f"; {format_size(tally.written_bytes)} written, {format_size(tally.read_back_bytes)} read back"
    return words + "."


def _toml(path: Path) -> str:
    """A basic string of TOML 1.0: JSON's escapes are a part of its own, and it wants DEL escaped too."""
    return json.dumps(str(path), ensure_ascii=False).replace("\x7f", "\\u007f")
