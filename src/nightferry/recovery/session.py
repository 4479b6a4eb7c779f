"""One call of `mend`: which damage it is about, what stands where, and what is done with it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import Literal, NamedTuple

from nightferry.errors import NightferryError, WrongUse
from nightferry.night.context import Clock
from nightferry.recovery.mending.damage import Case, Place, Survey, Surveyor, cases
from nightferry.recovery.mending.mend import MOVED, Mender
from nightferry.recovery.mending.salvage import Salvaged, Salvager
from nightferry.recovery.opening import Opened, path_in_pair
from nightferry.tree.metadata import Kind
from nightferry.units import show_name

Action = Literal["restore", "accept", "choose", "salvage"]
_RETIRED = b"retired/"


class Looked(NamedTuple):
    """One damaged name, looked at. ``ranges``: where primary and copy differ, and whether those are all."""

    case: Case
    survey: Survey | None  # None: below retired/, or unlisted: there is nothing to compare
    ranges: tuple[list[tuple[int, int]], bool] | None
    source: Place | None = None  # of what is below retired/: a place that has its content


class Outcome(NamedTuple):
    done: bool
    told: str  # what was done, or why not
    salvaged: Salvaged | None = None


class Session:
    """``opened`` with the primary open for writing where the action needs it."""

    def __init__(self, opened: Opened, clock: Clock, should_stop: Callable[[], bool]) -> None:
        self._opened = opened
        self._surveyor = Surveyor(opened, should_stop)
        self._mender = Mender(opened, clock, should_stop)
        self._salvager = Salvager(opened, should_stop)

    def chosen(self, given: list[bytes], *, anyway: bool = False) -> list[Case]:
        """The open damage at these paths, or below them; all where none is given. ``anyway``: also a file without any.

        Where the primary is open for writing, what a call that was cut off left there is put in order first.

        Raises ``WrongUse`` for a path with none; ``Failed``, ``WrongDrive`` and ``Stopped``.
        """
        if self._opened.mend:
            self._mender.finish_cut_off()
        found = cases(self._opened.manifest.runs.damage())
        if not given:
            return found
        picked: list[Case] = []
        for path in given:
            here = [case for case in found if self._is_at(case, path)]
            if not here and anyway and (known := self._file(path)) is not None:
                here = [Case(known, False, [])]
            if not here:
                raise WrongUse(
                    f"There is no open damage at {show_name(path)}: `nightferry mend {self._opened.settings.name}`"
                    " lists what there is; `nightferry verify --path` reads a file now."
                )
            picked += [case for case in here if case not in picked]
        return picked

    def _file(self, given: bytes) -> bytes | None:
        path = path_in_pair(self._opened.settings, given)
        entry = self._opened.manifest.entries.find(path)
        return path if entry is not None and entry.stat.kind is Kind.FILE else None

    def _is_at(self, case: Case, given: bytes) -> bool:
        if case.in_retired:
            path = given[len(_RETIRED) :].strip(b"/") if given.startswith(_RETIRED) else None
        else:
            path = path_in_pair(self._opened.settings, given)
        return path is not None and (path in (b"", case.path) or case.path.startswith(path + b"/"))

    def look(self, found: list[Case]) -> Iterator[Looked]:
        """Reads every place that may have the file. Raises ``Stopped``."""
        self._opened.forget_caches()
        for case in found:
            if case.in_retired and case.verdict("retired") != "unlisted":
                yield Looked(case, None, None, self._surveyor.retired(case.path))
                continue
            if case.in_retired or case.verdict("secondary") == "unlisted":
                yield Looked(case, None, None)
                continue
            survey = self._surveyor.survey(case.path)
            ranges = None
            if survey.primary.digest and survey.secondary.digest and not survey.primary.is_right:
                with suppress(OSError):
                    ranges = self._surveyor.differences(survey.primary, survey.secondary)
            yield Looked(case, survey, ranges)

    def act(self, looked: Looked, action: Action, source: bytes | None) -> Outcome:
        """Carries out what a person said. What cannot be done is told, and the rest goes on. Raises ``Stopped``."""
        case, survey = looked.case, looked.survey
        if not case.in_retired and case.path in self._mender.settled:
            return Outcome(True, "done, along with another name of the same file")
        if survey is not None and survey.primary.seen is not None and survey.primary.seen.inode in self._mender.touched:
            survey = self._surveyor.survey(case.path)  # this very call worked on another name of the same file
        if survey is not None and self._surveyor.has_moved(survey):
            return Outcome(False, MOVED)
        try:
            if action == "restore" and looked.source is not None:
                return Outcome(True, self._mender.bring_back(case.path, looked.source))
            return self._carry_out(case, survey, action, source)
        except WrongUse:
            raise
        except NightferryError as error:
            return Outcome(False, str(error))

    def _carry_out(self, case: Case, survey: Survey | None, action: Action, source: bytes | None) -> Outcome:
        if action == "accept":
            return Outcome(True, self._mender.accept(case, survey))
        if survey is None:
            return Outcome(False, "it is not on the primary, so there is nothing to put back")
        if action == "salvage":
            return self._salvage(survey)
        return self._restore(case, survey, None if source is None else self._place(survey, source))

    def _restore(self, case: Case, survey: Survey, chosen: Place | None) -> Outcome:
        if chosen is None and case.verdict("primary") is None and survey.primary.is_right:
            return Outcome(False, "only the copy is bad, and the next night mends it from the primary")
        return Outcome(True, self._mender.restore(survey, chosen))

    def _salvage(self, survey: Survey) -> Outcome:
        if survey.sources:
            return Outcome(False, "another place has the right content: put it back with --restore")
        if survey.primary.digest is not None or not survey.primary.is_there:
            return Outcome(False, "the primary's file can be read whole; there is nothing to read around")
        found = self._salvager.salvage(survey.path)
        return Outcome(True, "saved beside it", found)

    def _place(self, survey: Survey, source: bytes) -> Place:
        by_name = {b"primary": survey.primary, b"secondary": survey.secondary, b"copy": survey.secondary}
        by_name |= {place.path: place for place in (*survey.retired, *survey.older)}
        if source not in by_name:
            known = ", ".join(["primary", "secondary", *(show_name(p.path) for p in (*survey.retired, *survey.older))])
            raise WrongUse(f"--from {show_name(source)} is none of the versions that there are: {known}.")
        return by_name[source]
