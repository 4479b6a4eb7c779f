"""The settings themselves: their names, types and defaults, and what they must not say together."""

from collections.abc import Iterable, Sequence
from datetime import time, timedelta
from pathlib import Path
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, PlainSerializer, PlainValidator, SecretStr, model_validator

from nightferry.settings import values
from nightferry.settings.problems import ContradictionError, Problem, nearest, refusal
from nightferry.units import write_duration

MOST_PAIRS = 200

_ZERO = timedelta(0)
_DAY = timedelta(days=1)

_AbsolutePath = Annotated[Path, PlainValidator(values.absolute_path)]
_Clock = Annotated[time, PlainValidator(values.clock)]
_Duration = Annotated[timedelta, PlainValidator(values.duration(_ZERO))]
_HIDDEN = PlainSerializer(values.hidden, when_used="json")
_Cycle = Annotated[timedelta, PlainValidator(values.duration(_DAY))]


class PairSettings(BaseModel):
    """One primary with one secondary, and how its nights go. Sizes in bytes, shares from 0.0 to 1.0."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: Annotated[str, PlainValidator(values.pair_name)]
    primary: _AbsolutePath
    secondary: _AbsolutePath

    start: _Clock = time(2, 30)
    finish_by: _Clock = time(6, 30)
    days: Annotated[frozenset[int], PlainValidator(values.days)] = frozenset(range(7))
    time_zone: Annotated[ZoneInfo | None, PlainValidator(values.time_zone)] = None
    if_missed: Annotated[Literal["in window", "always", "never"], PlainValidator(values.if_missed)] = "in window"
    watch_day: Annotated[bool, PlainValidator(values.switch)] = True
    watch_folders: Annotated[int, PlainValidator(values.whole_number(1, 1_000_000))] = 50_000
    require_mount: Annotated[bool, PlainValidator(values.switch)] = True
    may_be_absent: _Duration = _ZERO
    # The kernel gives a command to a SCSI or USB drive 30 s, repeats it five times and resets the drive in between; a
    # drive that works at a bad sector by itself takes minutes. Beyond all that is no slow drive.
    io_limit: Annotated[timedelta, PlainValidator(values.duration(timedelta(seconds=5), _DAY))] = timedelta(minutes=10)

    exclude: Annotated[tuple[str, ...], PlainValidator(values.patterns)] = ("*.part",)
    settle_quiet: Annotated[timedelta, PlainValidator(values.duration(_ZERO, timedelta(hours=1)))] = timedelta(
        seconds=5
    )
    settle_limit: Annotated[timedelta, PlainValidator(values.duration(_ZERO, timedelta(hours=12)))] = timedelta(
        minutes=10
    )

    hash: Annotated[Literal["xxh3_128", "sha256", "blake2b"], PlainValidator(values.hash_name)] = "xxh3_128"
    read_back: Annotated[float, PlainValidator(values.share)] = 1.0

    keep_retired: _Duration = timedelta(days=30)
    keep_retired_at_least: _Duration = timedelta(days=7)
    keep_free: Annotated[int, PlainValidator(values.size)] = 20 * 1024**3

    hold_share: Annotated[float | None, PlainValidator(values.share_limit)] = 0.2
    hold_count: Annotated[int | None, PlainValidator(values.count_limit)] = 100

    verify_cycle: _Cycle = timedelta(days=30)
    verify_share: Annotated[float, PlainValidator(values.share)] = 1.0
    rehearse_every: _Cycle = timedelta(days=30)
    rehearse_share: Annotated[float, PlainValidator(values.share)] = 0.01
    rehearse_limit: Annotated[int | None, PlainValidator(values.size_limit)] = 200 * 1024**3
    rehearse_scratch: Annotated[Path | None, PlainValidator(values.memory_or_path)] = None
    rehearse_scratch_limit: Annotated[int, PlainValidator(values.size)] = 256 * 1024**2

    reports_public: Annotated[bool, PlainValidator(values.switch)] = True

    # Addresses hold tokens and passwords, and so may the arguments of a command: neither is shown where settings are.
    alert_urls: Annotated[tuple[SecretStr, ...], PlainValidator(values.addresses), _HIDDEN] = ()
    alert_command: Annotated[tuple[str, ...], PlainValidator(values.command), _HIDDEN] = Field(default=(), repr=False)
    alert_mornings: Annotated[bool, PlainValidator(values.switch)] = False
    alert_repeat_after: Annotated[timedelta, PlainValidator(values.duration(timedelta(minutes=1)))] = _DAY

    @model_validator(mode="after")
    def _agree(self) -> Self:
        problems = [*self._contradictions()]
        if problems:
            raise ContradictionError(problems)
        return self

    def _contradictions(self) -> Iterable[Problem]:
        if relation := _relation(self.primary, self.secondary):
            yield Problem(
                "secondary",
                f"{values.shown(str(self.secondary))} {relation} the primary, {values.shown(str(self.primary))}; "
                "allowed: two separate folders, each the mount point of a drive of its own",
            )
        if self.start == self.finish_by:
            yield Problem(
                "finish_by",
                f'"{self.finish_by:%H:%M}"{self._by_default("finish_by")} is also the start, which leaves no time; '
                "allowed: any other time, also one on the next morning",
            )
        for smaller, larger in (("keep_retired_at_least", "keep_retired"), ("settle_quiet", "settle_limit")):
            small, large = getattr(self, smaller), getattr(self, larger)
            if small > large:
                yield Problem(
                    smaller,
                    f'"{write_duration(small)}"{self._by_default(smaller)} is more than {larger}, '
                    f'"{write_duration(large)}"{self._by_default(larger)}; allowed: at most {larger}',
                )

    def _by_default(self, setting: str) -> str:
        """A default that collides with what somebody set is nowhere in their file, so the message says so."""
        return "" if setting in self.model_fields_set else " (the default)"


class Settings(BaseModel):
    """Everything that is configured: where the state lives, what others read and hear, and the pairs, at least one."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    state_dir: _AbsolutePath = Path("/var/lib/nightferry")
    status_public: Annotated[bool, PlainValidator(values.switch)] = False
    metrics_file: Annotated[Path | None, PlainValidator(values.path_or_off)] = None
    heartbeat_url: Annotated[SecretStr | None, PlainValidator(values.web_address), _HIDDEN] = None
    heartbeat_every: Annotated[timedelta, PlainValidator(values.duration(timedelta(minutes=1), _DAY))] = timedelta(
        minutes=5
    )
    pair: list[PairSettings]

    @model_validator(mode="after")
    def _agree(self) -> Self:
        problems = [*_clashes(self.state_dir, self.pair)]
        if problems:
            raise ContradictionError(problems)
        return self

    def chosen(self, names: Sequence[str]) -> list[PairSettings]:
        """The pairs of these names, in that order and each once; all pairs where no name is given.

        Raises WrongUse for names that no pair has, listing those that are known.
        """
        if not names:
            return list(self.pair)
        by_name = {pair.name: pair for pair in self.pair}
        wanted = list(dict.fromkeys(names))
        known = ", ".join(by_name)
        unknown = [
            f"There is no pair {values.shown(name)}{nearest(name, by_name)}; the configured pairs are: {known}"
            for name in wanted
            if name not in by_name
        ]
        if unknown:
            raise refusal(unknown)
        return [by_name[name] for name in wanted]


def _relation(path: Path, other: Path) -> str | None:
    """How `other` stands to `path`, by their text; None where neither holds the other."""
    if other == path:
        return "is the same as"
    if other.is_relative_to(path):
        return "lies inside"
    if path.is_relative_to(other):
        return "contains"
    return None


def _clashes(state_dir: Path, pairs: Sequence[PairSettings]) -> Iterable[Problem]:
    if not pairs:
        yield Problem(None, "no pair is configured; add a [[pair]] table with name, primary and secondary")
    if len(pairs) > MOST_PAIRS:
        yield Problem(None, f"{len(pairs)} pairs are too many; allowed: at most {MOST_PAIRS}")
        return  # every pair is compared with every other below
    for pair in pairs:
        for role, root in (("primary", pair.primary), ("secondary", pair.secondary)):
            if state_dir.is_relative_to(root):
                yield Problem(
                    "state_dir",
                    f"{values.shown(str(state_dir))} lies on the {role} of pair {values.shown(pair.name)}, "
                    f"{values.shown(str(root))}; allowed: a folder outside every drive that is copied",
                )
    for position, later in enumerate(pairs):
        for earlier in pairs[:position]:
            yield from _clashes_of_two(earlier, later)


def _clashes_of_two(earlier: PairSettings, later: PairSettings) -> Iterable[Problem]:
    names = f"of pair {values.shown(earlier.name)}"
    if earlier.name.casefold() == later.name.casefold():
        yield Problem(
            f"pair {values.shown(later.name)}: name",
            f"{values.shown(later.name)} is already the name {names}; allowed: names that differ by more than "
            "upper and lower case, since each is also a folder name",
        )
    # Two pairs may share a primary, to rotate secondaries. Any other overlap would have one night write where
    # another one reads or writes.
    for setting, root, other_role, other in (
        ("secondary", later.secondary, "secondary", earlier.secondary),
        ("secondary", later.secondary, "primary", earlier.primary),
        ("primary", later.primary, "secondary", earlier.secondary),
    ):
        if relation := _relation(other, root):
            yield Problem(
                f"pair {values.shown(later.name)}: {setting}",
                f"{values.shown(str(root))} {relation} the {other_role} {names}, {values.shown(str(other))}; "
                "allowed: pairs may share a primary, and nothing else",
            )
