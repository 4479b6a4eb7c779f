"""The restore-test report for a person: on the screen, and as a text that stands beside the JSON."""

from __future__ import annotations

import io
import json
import textwrap
from collections.abc import Mapping

from nightferry.recovery.rehearsing.result import Rehearsal
from nightferry.reporting.audit.changes import counted
from nightferry.reporting.look import words
from nightferry.reporting.look.terminal import Screen
from nightferry.reporting.screens import rehearsal_words
from nightferry.reporting.screens.rehearsal_json import as_json
from nightferry.units import format_duration, format_rate, format_size, show_name

# Mismatches that are shown; the JSON has them all.
SHOWN_LIMIT = 50
_COLUMNS = 100


def render(rehearsal: Rehearsal) -> Mapping[str, bytes]:
    """Both reports, by the ending of their name."""
    document = json.dumps(as_json(rehearsal), indent=2, ensure_ascii=True, allow_nan=False)
    return {
        ".json": document.replace("\x7f", "\\u007f").encode("ascii") + b"\n",
        ".txt": as_text(rehearsal).encode("utf-8", "backslashreplace"),
    }


def show_rehearsal(screen: Screen, rehearsal: Rehearsal, problems: list[str], reports: str) -> None:
    """What matters, on the screen. ``reports``: where the whole of it stands."""
    state = "failed" if rehearsal.outcome == "impossible" else "attention" if rehearsal.is_failure else "sound"
    screen.heading(rehearsal_words.headline(rehearsal), state)
    if rehearsal.impossible is not None:
        screen.text(words.sentence(rehearsal.impossible))
    else:
        screen.text(_carried_out(rehearsal))
        for line in _mismatches(rehearsal):
            screen.point(line, state="attention")
        for each in rehearsal.assurances:
            screen.point(rehearsal_words.proved(each))
        screen.text(rehearsal_words.times(rehearsal))
        if rehearsal.is_failure:
            screen.text(_what_next(rehearsal))
    for problem in problems:
        screen.point(problem, state="attention")
    screen.text(f"The whole report: {reports}")


def as_text(rehearsal: Rehearsal) -> str:
    """The whole report as lines of a text file."""
    out = io.StringIO()

    def part(heading: str, *sentences: str) -> None:
        out.write(f"\n{heading}\n")
        for sentence in sentences:
            out.write(textwrap.fill(sentence, _COLUMNS, initial_indent="  ", subsequent_indent="  ") + "\n")

    out.write(f"{rehearsal_words.headline(rehearsal)}\n")
    out.write(
        f"Rehearsal {rehearsal.stamp}, {words.when(rehearsal.began_s)},"
        f" {format_duration(rehearsal.ended_s - rehearsal.began_s)}\n"
    )
    if rehearsal.impossible is not None:
        part("Why", words.sentence(rehearsal.impossible))
    else:
        part("What was restored", _carried_out(rehearsal), _where(rehearsal))
        part("What was wrong", *(_mismatches(rehearsal) or ["Nothing."]))
        if rehearsal.is_failure:
            part("What to do", _what_next(rehearsal))
        part("What that proves", *map(rehearsal_words.proved, rehearsal.assurances))
        for each in rehearsal.assurances:
            part(
                f"The formula, for {each.counted}",
                words.sentence(rehearsal_words.formula(each)),
                f"n = {each.done}, k = {each.failed}, N = {each.population}.",
                words.sentence(rehearsal_words.source(each)),
            )
        part(
            "How long a whole restore takes", rehearsal_words.times(rehearsal), *rehearsal_words.assumptions(rehearsal)
        )
    part("What it says nothing about", *rehearsal_words.not_covered(rehearsal))
    if rehearsal.tested:
        out.write("\nEach of them\n")
        for tested in rehearsal.tested:
            verdict = ("read" if tested.streamed else "restored") if tested.is_right else "WRONG"
            name = show_name(tested.pick.path)
            out.write(
                f"  {verdict:8}  {format_size(tested.pick.size_bytes):>10}  {name}  ({'; '.join(tested.pick.why)})\n"
            )
    return out.getvalue()


def _carried_out(rehearsal: Rehearsal) -> str:
    (files, size_bytes), (streamed, streamed_bytes) = (rehearsal.restored(streamed=each) for each in (False, True))
    said = f"{counted(files, 'name')} ({format_size(size_bytes)}) restored from the secondary alone"
    if streamed:
        said += f", and {counted(streamed, 'larger one')} ({format_size(streamed_bytes)}) read and compared"
    rate = rehearsal.pace.rate_bytes_per_s
    if rate is not None:
        said += f", at {format_rate(rate)}"
    retired = sum(each.pick.side == "retired" for each in rehearsal.tested)
    if retired:
        said += f"; {counted(retired, 'retired version')} among them"
    return said + "."


def _where(rehearsal: Rehearsal) -> str:
    found, place = rehearsal.found, rehearsal.place
    into = (
        f"into {place.shown} ({place.file_system}, {format_size(place.room_bytes)} at a time)"
        if place.room_bytes
        else f"into nothing, since {place.why_none}"
    )
    if place.room_bytes and place.why_none is not None:
        into += f", until {place.why_none}"
    return (
        f"By the manifest that was sealed on the secondary (generation {found.generation}, night {found.last_run}),"
        f" {into}; each was read back there and compared in content and metadata, then removed. The seed of the draw:"
        f" {rehearsal.seed}."
    )


def _mismatches(rehearsal: Rehearsal) -> list[str]:
    lines = [
        show_name((b"retired/" if each.side == "retired" else b"") + each.name) + f": {each.what}, {each.detail}"
        for each in rehearsal.mismatches[:SHOWN_LIMIT]
    ]
    if len(rehearsal.mismatches) > SHOWN_LIMIT:
        lines.append(f"and {len(rehearsal.mismatches) - SHOWN_LIMIT} more; the JSON beside this names them.")
    return lines


def _what_next(rehearsal: Rehearsal) -> str:
    return (
        "The next night mends a bad copy from an intact primary. See what each place has with"
        f" `nightferry mend {rehearsal.pair}`; read everything with `nightferry verify {rehearsal.pair}`; and should"
        " more turn up, do not work this drive harder: replace it."
    )
