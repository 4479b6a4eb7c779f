"""What is damaged, what each place has, and what can be done about it: for a person, and for ``--json``."""

from __future__ import annotations

from typing import Any, NamedTuple

from nightferry.manifest.manifest import Manifest
from nightferry.recovery.mending.damage import Case, Place, Survey
from nightferry.recovery.mending.salvage import Salvaged
from nightferry.reporting.audit.changes import counted
from nightferry.reporting.look import words
from nightferry.reporting.look.damage_words import damage_line
from nightferry.reporting.look.terminal import Screen
from nightferry.reporting.screens.verify_text import shown_path
from nightferry.typed import typed
from nightferry.units import format_count, format_size, json_name, show_name

# Differing ranges that are shown to a person.
_RANGES_SHOWN = 10

Ranges = tuple[list[tuple[int, int]], bool]


class Way(NamedTuple):
    """What can be done: in a sentence, and the command that does it where it takes one."""

    told: str
    command: str | None = None


def advice(pair: str, case: Case, survey: Survey | None, source: Place | None = None) -> str:
    """What can be done, in sentences."""
    found = ways(pair, case, survey, source)
    return " ".join(way.told if way.command is None else f"{way.told} `{way.command}`" for way in found)


def ways(pair: str, case: Case, survey: Survey | None, source: Place | None = None) -> list[Way]:
    """What can be done about a damaged name. ``source``: of a retired version, a place that has its content."""
    name = typed((b"retired/" if case.in_retired else b"") + case.path)
    accept = f"nightferry mend {pair} {name} --accept"
    if any(each.verdict == "unlisted" for each in case.damage):
        return [Way("No run put it there. Move it away by hand if it does not belong there, or let it stay:", accept)]
    if case.in_retired:
        return [_about_retired(pair, name, source, accept)]
    if survey is None or (survey.entry is None and case.verdict("secondary") == "unreadable"):
        return [
            Way(
                "This folder of the secondary cannot be listed: see the system log for that drive, and have its file"
                " system checked. This closes it once it can be listed:",
                f"nightferry verify {pair}",
            )
        ]
    if survey.entry is None:
        return [Way("The copy does not have that name any more. To close this:", accept)]
    if not case.damage:
        return []  # a version was chosen for a file that nothing is wrong with
    is_of_primary = case.verdict("primary") is not None
    return _about_primary(pair, name, case, survey, accept) if is_of_primary else _about_copy(pair, name, survey)


def _about_retired(pair: str, name: str, source: Place | None, accept: str) -> Way:
    if source is None:
        return Way("Nothing else has this older version. To give it up:", accept)
    told = f"The next night brings this older version back from {source.told}, or now:"
    return Way(told, f"nightferry mend {pair} {name} --restore")


def _has_newer(case: Case, survey: Survey) -> bool:
    """Whether the copy has another version of the file by now than the one that the damage is about."""
    entry = survey.entry
    return entry is not None and any(
        each.side == "primary" and each.digest is not None
        and (each.algorithm, each.digest) != (entry.content.algorithm, entry.content.digest)
        for each in case.damage
    )  # fmt: skip


def _about_primary(pair: str, name: str, case: Case, survey: Survey, accept: str) -> list[Way]:
    restore = f"nightferry mend {pair} {name} --restore"
    if not survey.primary.is_there:
        return [Way("It is gone from the primary by now. To close this:", accept)]
    if survey.primary.is_right and _has_newer(case, survey):
        told = (
            "Somebody has written it since. The newer version is copied, and the right one of before is kept in"
            " retired/ until you say that it may go in its time:"
        )
        return [Way(told, accept)]
    if survey.primary.is_right:
        return [Way("It has the right content again. To close this:", restore)]
    if survey.changed_since:
        told = "Somebody has written it since, and the next night copies it as a change. To close this:"
        return [Way(told, accept)]
    if survey.sources:
        where = _where(survey.sources[0])
        return [
            Way(f"To put it back from {where}:", restore),
            Way("To take what the primary has now as right:", accept),
        ]
    return _both_bad(pair, name, survey, accept)


def _about_copy(pair: str, name: str, survey: Survey) -> list[Way]:
    if survey.secondary.is_right:
        told = "The copy has the right content again. The next night closes this, or now:"
        return [Way(told, f"nightferry verify {pair}")]
    if survey.changed_since or not survey.primary.is_there:
        return [Way("The primary's file was written or removed since; the next night sees to the copy.")]
    if survey.primary.is_right:
        return [Way("The primary is intact: the next night mends the copy from it.")]
    if survey.sources:
        return [Way("The primary is bad too. To put it back first:", f"nightferry mend {pair} {name} --restore")]
    return _both_bad(pair, name, survey, f"nightferry mend {pair} {name} --accept")


def _both_bad(pair: str, name: str, survey: Survey, accept: str) -> list[Way]:
    found = [Way("Neither drive has the right content any more, and no retired version has it.")]
    choices = [place.side for place in (survey.secondary,) if place.digest is not None]
    choices += [typed(place.path) for place in survey.older[:1]]
    found += [
        Way(f"To choose {'what the copy has' if choice == 'secondary' else 'an older version'} for the primary:",
            f"nightferry mend {pair} {name} --from {choice}")
        for choice in choices
    ]  # fmt: skip
    if survey.primary.digest is not None:
        found.append(Way("To keep what the primary has:", accept))
    else:
        told = "To save what can be read into a file beside it:"
        found.append(Way(told, f"nightferry mend {pair} {name} --salvage"))
    return found


def _where(place: Place) -> str:
    if place.told:
        return place.told
    return "the copy" if place.side == "secondary" else show_name(place.path)


def show_case(
    screen: Screen,
    pair: str,
    manifest: Manifest,
    case: Case,
    survey: Survey | None,
    ranges: Ranges | None,
    source: Place | None = None,
) -> None:
    """One damaged name."""
    screen.heading(shown_path("retired" if case.in_retired else "", case.path), "attention")
    for each in case.damage:
        screen.point(f"{damage_line(each.side, each.verdict, each.detail)} (found {words.day(each.found_s)})")
    if survey is not None and survey.entry is not None:
        screen.table(("place", "has"), [(_label(place), _has(manifest, place)) for place in _places(survey)])
    if ranges is not None:
        screen.text(_ranges(*ranges))
    for way in ways(pair, case, survey, source):
        screen.text(way.told)
        if way.command is not None:
            screen.line(f"    {way.command}")  # never wrapped, so that it can be copied
    screen.gap()


def _places(survey: Survey) -> list[Place]:
    elsewhere = [] if survey.elsewhere is None else [survey.elsewhere]
    return [survey.primary, survey.secondary, *survey.retired, *elsewhere, *survey.older]


def _label(place: Place) -> str:
    if place.told:
        return place.told
    if place.side == "retired":
        return show_name(place.path)
    return "primary" if place.side == "primary" else "copy"


def _has(manifest: Manifest, place: Place) -> str:
    if place.version is None:
        return "the right content" if place.is_right else place.detail
    run = manifest.runs.by_number(place.version.since)
    date = "" if run is None else f" of {words.day(run.started_s)}"
    if place.version.reason == "displaced":
        return f"what a command displaced on the primary after night {place.version.since}{date}"
    return f"intact: the version that night {place.version.since}{date} copied, {format_size(place.size_bytes)}"


def _ranges(ranges: list[tuple[int, int]], is_all: bool) -> str:
    if not ranges:
        return "Primary and copy have the same content."
    shown = ", ".join(
        format_count(start) if end == start + 1 else f"{format_count(start)}-{format_count(end - 1)}"
        for start, end in ranges[:_RANGES_SHOWN]
    )
    more = " and further on" if not is_all or len(ranges) > _RANGES_SHOWN else ""
    what = "byte" if len(ranges) == 1 and is_all and ranges[0][1] == ranges[0][0] + 1 else "bytes"
    return f"Primary and copy differ in {what} {shown}{more} (counted from 0)."


def salvaged_text(found: Salvaged) -> str:
    """Where it is, and what had to be filled in."""
    zeros = sum(each.end - each.start for each in found.filled if each.filled_from == "zeros")
    copied = sum(each.end - each.start for each in found.filled if each.filled_from == "copy")
    ranges = ", ".join(
        f"{format_count(each.start)}-{format_count(each.end - 1)} ({each.filled_from})"
        for each in found.filled[:_RANGES_SHOWN]
    )
    hidden = len(found.filled) - _RANGES_SHOWN
    more = f" and {counted(hidden, 'more range')}" if hidden > 0 else ""
    filled = f"; filled in: bytes {ranges}{more}" if found.filled else ""
    return (
        f"saved as {show_name(found.path)}: {format_size(copied)} filled from the copy, {format_size(zeros)} with zeros"
        f"{filled}"
    )


def case_as_json(
    pair: str, case: Case, survey: Survey | None, ranges: Ranges | None, source: Place | None = None
) -> dict[str, Any]:
    """Under the stable names."""
    return {
        **json_name(case.path),
        "in_retired": case.in_retired,
        "found": [
            {"side": each.side, "verdict": each.verdict, "detail": each.detail, "found_by": each.found_by}
            for each in case.damage
        ],
        "changed_since": survey is not None and survey.changed_since,
        "places": [] if survey is None or survey.entry is None else [
            *(_place_json(place, is_right=place.is_right) for place in (survey.primary, survey.secondary)),
            *(_place_json(place, is_right=True) for place in survey.retired),
            *(_place_json(place, is_right=True) for place in (survey.elsewhere,) if place is not None),
            *(_place_json(place, is_right=False) for place in survey.older),
        ],
        "differences": [] if ranges is None else [{"start": start, "end": end} for start, end in ranges[0]],
        "differences_complete": None if ranges is None else ranges[1],
        "advice": advice(pair, case, survey, source),
    }  # fmt: skip


def _place_json(place: Place, *, is_right: bool) -> dict[str, Any]:
    version = place.version
    return {
        "side": place.side,
        **json_name(place.path),
        "there": place.is_there,
        "right": is_right,
        "readable": place.digest is not None,
        "detail": place.detail,
        "since_night": None if version is None else version.since,
        "until_night": None if version is None else version.until,
    }


def salvaged_as_json(found: Salvaged) -> dict[str, Any]:
    """Under the stable names."""
    return {
        **json_name(found.path),
        "bytes": found.size_bytes,
        "filled": [{"start": each.start, "end": each.end, "from": each.filled_from} for each in found.filled],
    }
