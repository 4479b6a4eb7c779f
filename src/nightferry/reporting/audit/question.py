"""Questions to the audit: of which nights, which names, which kinds, which sizes. Answers are streamed."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, NamedTuple

from nightferry.errors import WrongUse
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.nights_between import nights_between
from nightferry.manifest.records import Run
from nightferry.recovery.restoring.selection import Selection, is_pattern
from nightferry.reporting.audit.changes import KINDS, Change, Changes
from nightferry.units import quoted

# Of what a night did not copy there is no change to name, and the audit is asked for it by these words.
LEFT_OUT_KINDS = ("unreadable", "unsettled", "unsupported", "other mount", "no room", "unlisted")

_NUMBER = re.compile(r"[0-9]{1,9}")
_ALLOWED = (
    "the number of a night (12), a date (2026-05-03), or two of them with two dots between (10..14,"
    " 2026-05-01..2026-05-07, 10.. for all since)"
)


class Bound(NamedTuple):
    """One end of a range: a number or a date; neither: open."""

    number: int | None = None
    day: date | None = None


class Range(NamedTuple):
    """Both ends are included."""

    first: Bound
    last: Bound


def is_range(text: str) -> bool:
    """Whether a text means several nights rather than one."""
    return ".." in text


def parse_range(text: str) -> Range:
    """Reads ``12``, ``10..14``, ``2026-05-01..2026-05-07``, ``10..`` or ``..14``. Raises ``WrongUse``."""
    first, dots, last = text.strip().partition("..")
    found = Range(_bound(first, text), _bound(last if dots else first, text))
    if found == (Bound(), Bound()):
        raise WrongUse(f"{quoted(text)} does not say which nights: give {_ALLOWED}.")
    return found


def _bound(text: str, whole: str) -> Bound:
    text = text.strip()
    if not text:
        return Bound()
    if _NUMBER.fullmatch(text):
        return Bound(number=int(text))
    try:
        return Bound(day=date.fromisoformat(text))
    except ValueError:
        raise WrongUse(f"{quoted(whole)} does not say which nights: give {_ALLOWED}.") from None


def nights_of(manifest: Manifest, wanted: Range) -> list[Run]:
    """The runs of a range, oldest first. By dates each night counts by its own, also where the clock was wrong."""
    first, last = wanted
    runs = nights_between(manifest, first.number, last.number)
    return [run for run in runs if _within(run, first.day, last.day)]


def _within(run: Run, first: date | None, last: date | None) -> bool:
    if first is None and last is None:
        return True
    try:
        day = datetime.fromtimestamp(run.started_s).date()
    except (ValueError, OverflowError, OSError):
        return False
    return (first is None or first <= day) and (last is None or day <= last)


@dataclass(frozen=True)
class Question:
    """Which changes are wanted. ``kinds`` empty: all changes. Sizes in bytes, both ends included; None: any."""

    selection: Selection
    kinds: frozenset[str] = frozenset()
    at_least_bytes: int | None = None
    at_most_bytes: int | None = None

    @property
    def is_everything(self) -> bool:
        return (
            self.selection.is_everything
            and not self.kinds
            and self.at_least_bytes is None
            and self.at_most_bytes is None
        )

    def fits(self, change: Change) -> bool:
        """Whether a change is wanted. One that moved is, by its name before as well as by its name now."""
        if self.kinds and change.kind not in self.kinds:
            return False
        if self.at_least_bytes is not None and (change.is_folder or change.size_bytes < self.at_least_bytes):
            return False
        if self.at_most_bytes is not None and (change.is_folder or change.size_bytes > self.at_most_bytes):
            return False
        return self._names(change.path, change.is_folder) or (
            change.source is not None and self._names(change.source, change.is_folder)
        )

    def _names(self, path: bytes, is_folder: bool) -> bool:
        chosen = self.selection
        return chosen.is_everything or chosen.has_exactly(path) or chosen.fits(path, is_folder=is_folder)


def selection_of(paths: Sequence[bytes]) -> Selection:
    """Paths with all that is below them; what has ``*``, ``?`` or ``[`` in it may be meant as either."""
    exact = [path.strip(b"/") for path in paths]
    return Selection(exact=exact, patterns=[path for path in paths if is_pattern(path)])


def parse_kinds(given: Sequence[str]) -> frozenset[str]:
    """Kinds of change, and of what was not copied; several in one, by commas. Raises ``WrongUse``."""
    found = {kind.strip() for each in given for kind in each.split(",") if kind.strip()}
    for kind in found:
        if kind not in KINDS and kind not in LEFT_OUT_KINDS:
            raise WrongUse(f"{quoted(kind)} is no kind of change: there are {', '.join((*KINDS, *LEFT_OUT_KINDS))}.")
    return frozenset(found)


class Found(NamedTuple):
    """One change of one night. ``detail``: of what was not copied, why."""

    run: Run
    change: Change
    detail: str | None = None


def answer(manifest: Manifest, runs: Sequence[Run], question: Question) -> Iterator[Found]:
    """Night by night, within one as ``Changes`` has them; then what was not copied, where it was asked for."""
    for run in runs:
        changes = Changes(manifest, run.number)
        kinds = [kind for kind in KINDS if not question.kinds or kind in question.kinds]
        for kind in kinds:
            for change in changes.of_kind(kind):
                if question.fits(change):
                    yield Found(run, change)
        if question.kinds.isdisjoint(LEFT_OUT_KINDS):
            continue
        for left in manifest.runs.left_out(run.number):
            change = Change(left.kind, left.path, None, 0, False, None)
            if question.fits(change):
                yield Found(run, change, left.detail)


def night_fact(run: Run) -> dict[str, Any]:
    """A night in a few words, for ``--json``."""
    from nightferry.reporting.look.moments import moment

    state = None
    try:
        summary = json.loads(run.summary)
        state = summary.get("state") if isinstance(summary, dict) else None
    except ValueError:
        pass
    return {"number": run.number, "started": moment(run.started_s), "outcome": run.outcome, "state": state}
