"""The trial's story, chapter by chapter. A chapter plays a day on the primary, lets nights run, and claims only
what it has looked up; another one is added by writing its function and naming it in ``CHAPTERS``.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from nightferry.errors import Failed
from nightferry.reporting.audit.changes import ADDED, CHANGED, MOVED, REMOVED
from nightferry.reporting.look.terminal import printable
from nightferry.reporting.screens.rehearsal_words import proved, times
from nightferry.trial.checksumlist import COMMAND, check_list
from nightferry.trial.compare import count, differences, files, intact
from nightferry.trial.findings import changes, copy_back, digest, held, hold_is_open, kept, named, turn_a_bit
from nightferry.trial.recordings import (
    ADVENT,
    CHOIR,
    SERENADE,
    SPRING,
    make_recordings,
    programme,
    put,
    recording_name,
    rehearsal_take,
    take_name,
)
from nightferry.trial.stage import PAIR, Stage, WorkingDay
from nightferry.units import format_count, format_size, json_name, show_name, show_text

_SHOWN_LINES = 6

# --- the accident, and what has to be put right after it

_DELETED = (SERENADE.folder, "scores", "minutes")
_EMPTIED = (ADVENT.folder, "rehearsals")
_OVERWRITTEN = tuple(os.fsencode(name) + b"/" for name in _EMPTIED)

# --- the working day, which two chapters speak of

_MONDAY = datetime(2025, 5, 19, 21, 30, tzinfo=UTC)
_TUESDAY = datetime(2025, 5, 20, 21, 30, tzinfo=UTC)
_FOLDER, _RENAMED = "rehearsals/2025-05-13", "rehearsals/2025-05-13 dress rehearsal"
_EDITED = f"{SPRING.folder}/programme.txt"
_REMOVED = recording_name(ADVENT, 6)
_DECAYED = recording_name(SPRING, 1)
_NEW = tuple(take_name(_MONDAY, take) for take in range(1, 4))


def first_night(stage: Stage) -> None:
    try:
        with stage.screen.working("the choir is singing"):
            make_recordings(stage.place.primary)
    except OSError as error:
        raise Failed(
            f"The recordings of the trial cannot be made in {show_text(str(stage.place.folder))}"
            f" ({error.strerror or error}): choose another place with --folder, on a file system of Linux with some"
            " room."
        ) from error
    primary = stage.primary()
    has = count(primary)
    recordings = sum(path.endswith(b".wav") for path in primary)
    stage.screen.text(
        f"{CHOIR[0].upper()}{CHOIR[1:]} keeps {format_count(has.files)} files ({format_size(has.size_bytes)}) on its"
        f" primary: {recordings} recordings, posters, scores, programmes, minutes, a playlist. Nothing of it is on the"
        " secondary."
    )
    result = stage.night()
    copy = stage.copy()
    stage.fact("primary", {"files": has.files, "size_bytes": has.size_bytes, "recordings": recordings})
    stage.check(
        f"the copy has all {format_count(has.files)} files with the same content, names, dates, modes and owners",
        result.tally.added == has.files and not differences(primary, copy),
        named(differences(primary, copy)),
    )
    second_name, link = os.fsencode(recording_name(SPRING, 5)), b"best of/Locus iste.wav"
    stage.check(
        f"{show_name(link)} is a hard link, and one in the copy too",
        link in copy and second_name in copy and copy[link].inode == copy[second_name].inode,
        "two separate files",
    )


def quiet_night(stage: Stage) -> None:
    stage.screen.text("On Sunday nobody touches a thing.")
    before = stage.copy()
    result = stage.night()
    tally = result.tally
    stage.check(
        f"{format_count(tally.scanned_files)} files were looked at and none was read or written: every file of the"
        " copy is the one it was",
        tally.read_bytes == tally.written_bytes == 0 and stage.copy() == before,
        f"{format_size(tally.read_bytes)} read, {format_size(tally.written_bytes)} written",
    )


def working_day(stage: Stage) -> None:
    place = stage.place.primary
    before, copy_before = stage.primary(), stage.copy()
    old_text = (place / _EDITED).read_bytes()
    stage.screen.text("On Monday people work on the primary. They")
    stage.screen.items(
        [
            f"rename the folder {_FOLDER} to “{Path(_RENAMED).name}”,",
            f"correct a line of {_EDITED},",
            f"record {len(_NEW)} takes in {Path(_NEW[0]).parent},",
            f"and remove {_REMOVED} by mistake.",
        ]
    )
    os.rename(place / _FOLDER, place / _RENAMED)
    put(place / _EDITED, programme(SPRING).replace("old mill hall", "new mill hall"), _MONDAY)
    for take, name in enumerate(_NEW, start=1):
        put(place / name, rehearsal_take(_MONDAY, take), _MONDAY)
    (place / _REMOVED).unlink()

    result = stage.night()
    copy = stage.copy()
    old, new = os.fsencode(_FOLDER) + b"/", os.fsencode(_RENAMED) + b"/"
    renamed = {path: new + path.removeprefix(old) for path in files(before) if path.startswith(old)}
    stage.check(
        f"the {len(renamed)} files of the renamed folder were not copied again: the same inodes, in a folder of the new"
        " name",
        result.tally.folders_moved == 1
        and all(here in copy and copy[here].inode == copy_before[was].inode for was, here in renamed.items()),
    )
    to_copy = sum((place / name).stat().st_size for name in (_EDITED, *_NEW))
    stage.check(
        f"no more was written than the new and the edited files: {format_size(to_copy)}",
        result.tally.written_bytes == to_copy,
        format_size(result.tally.written_bytes),
    )
    stands_at = held(stage, result.number)
    for name, what, wanted in (
        (_EDITED, "the programme as it was", hashlib.sha256(old_text).digest()),
        (_REMOVED, "the recording", before[os.fsencode(_REMOVED)].content),
    ):
        where = stands_at.get(os.fsencode(name), b"retired/")
        stands = digest(os.path.join(bytes(stage.place.secondary), where)) == wanted
        stage.check(f"{what} stands in {show_name(where)}", stands, "other content, or none")
    until, nights = kept(stage, result.number)
    stage.screen.text(f"Both are kept until {until} at the earliest, and until {nights} more nights are complete.")
    stage.working_day = WorkingDay(result.number, until)
    stage.fact("kept_until", str(until))
    stage.fact("kept_nights", nights)
    _check_equal(stage)


def accident(stage: Stage) -> None:
    place = stage.place.primary
    before, copy_before = stage.primary(), stage.copy()
    retired_before = stage.retired()
    new = [take_name(_TUESDAY, take) for take in (1, 2)]
    for take, name in enumerate(new, start=1):
        put(place / name, rehearsal_take(_TUESDAY, take), _TUESDAY)
    for name in _DELETED:
        shutil.rmtree(place / name)
    emptied = [path for path in before if path.endswith(b".wav") and path.startswith(_OVERWRITTEN)]
    for path in emptied:
        # What a script does that was to make the recordings smaller: the header stays, the music is gone.
        os.truncate(os.path.join(bytes(place), path), 44)
    after = stage.primary()
    removed = len(files(before).keys() - files(after).keys())
    stage.screen.text(
        f"On Tuesday the choir records {len(new)} takes. Then a script that was to tidy up runs in the wrong folder:"
        f" it removes {removed} files and empties {len(emptied)}. Nobody notices."
    )
    result = stage.night("held")
    copy = stage.copy()
    stage.screen.text(f"It removed and replaced nothing and waits for a person (state: {result.state}), because")
    stage.screen.items(f"{printable(reason)}." for reason in result.hold_reasons)
    stage.check("it says why", result.state == "attention" and bool(result.hold_reasons), result.state, aloud=False)
    total, still, left = count(before).files, intact(before, copy), intact(before, after)
    stage.fact("files_before", total)
    stage.fact("intact_in_copy", still)
    stage.fact("intact_on_primary", left)
    stage.check(
        f"the copy still has all {total} files intact; a live mirror would have {left}, as the primary has",
        still == total and left < total and files(copy_before).items() <= copy.items(),
        f"{still} of {total} in the copy, {left} on the primary",
    )
    stage.check(
        f"the {len(new)} new takes were copied all the same, and retired/ is as it was",
        result.tally.added == len(new)
        and intact({os.fsencode(name): after[os.fsencode(name)] for name in new}, copy) == len(new)
        and stage.retired() == retired_before,
        f"{result.tally.added} copied",
    )


def recovery(stage: Stage) -> None:
    before = stage.copy()
    damaged = (*_DELETED, *_EMPTIED)
    with_what = copy_back(stage.place.copy, stage.place.primary, damaged)
    stage.screen.text(
        "In the morning somebody reads that the night was held. copy/ is a plain tree, and an ordinary tool"
        f" ({with_what}) brings the {len(damaged)} folders back from it, content and dates."
    )
    total, back = count(before).files, intact(before, stage.primary())
    stage.check(f"all {format_count(total)} files are back on the primary", back == total, f"{back} of them")
    result = stage.night()
    tally = result.tally
    is_open = hold_is_open(stage)
    stage.check(
        "nothing was removed or replaced, nothing had to be released, and the hold is over",
        tally.removed == tally.changed == 0 and not is_open,
        f"{tally.removed} removed, {tally.changed} replaced, hold {'open' if is_open else 'over'}",
    )
    _check_equal(stage)
    stage.screen.text(
        f"Had it been meant, `nightferry release {PAIR}` would have let the next night carry it out, with all that it"
        " removes and replaces kept in retired/."
    )


def checksums(stage: Stage) -> None:
    stage.screen.text("The checksums stand beside the copy, for any machine, with or without nightferry.")
    verdict = check_list(stage.place.secondary)
    with_content = {path for path, node in stage.copy().items() if node.kind == "file"}
    how = f"`{COMMAND}` in copy/" if verdict.with_tool else "our own reading of the list (xxhsum is not installed)"
    listed = len(verdict.names) - len(verdict.left_out)
    stage.fact("checked_by", "xxhsum" if verdict.with_tool else "nightferry")
    stage.fact("files", len(verdict.names))
    stage.check(
        f"{how} finds {listed} of {listed} files intact",
        not verdict.wrong and verdict.names == with_content,
        "; ".join(verdict.wrong[:_SHOWN_LINES]) or "a list that names other files than the copy has",
    )
    if verdict.left_out:
        stage.screen.text(
            f"{named(sorted(verdict.left_out))} has a name that this list cannot carry; it is in"
            " records/checksums.left-out.jsonl, and was checked from there."
        )


def audit(stage: Stage) -> None:
    day = stage.working_day
    assert day is not None, "the working day comes before"
    until, _ = kept(stage, day.run)
    stage.screen.text(f"What changed in the night to {stage.night_of(day.run):%A}? The manifest knows, days later:")
    found = changes(stage, day.run)
    stage.screen.table(
        (
            change.kind,
            (f"{show_name(change.source)} → " if change.source else "")
            + show_name(change.path)
            + (f" ({'old version ' * (change.kind == CHANGED)}kept until {until})" if change.kept else ""),
        )
        for change in found
    )
    if until > day.kept_until:
        stage.screen.text("A day longer than it was to be: only completed nights count, and one was held since.")
    stage.fact("run", day.run)
    stage.fact("kept_until", str(until))
    stage.fact(
        "changes",
        [
            {"change": each.kind, **json_name(each.path), **({"from": json_name(each.source)} if each.source else {})}
            for each in found
        ],
    )
    did = {(REMOVED, _REMOVED), (CHANGED, _EDITED), (MOVED, _RENAMED), *((ADDED, name) for name in _NEW)}
    stage.check(
        "that is what people did on that day, no more and no less",
        sorted((change.kind, change.path) for change in found)
        == sorted((kind, os.fsencode(name)) for kind, name in did),
    )


def rehearsal(stage: Stage) -> None:
    stage.screen.text(
        "A backup that nobody ever restored from is a hope. So a sample is restored for real, with nothing but the"
        " secondary and the manifest sealed there, as if the box were gone; in so small a tree, all of it."
    )
    copy_before, retired = stage.copy(), count(stage.retired()).files
    made = stage.rehearse()
    result, report = made.rehearsal, f"records/reports/rehearsal-{made.rehearsal.stamp}"
    with_content = {path for path, node in copy_before.items() if node.kind == "file"}
    tested = {each.pick.path for each in result.tested if each.is_right and each.pick.side == "secondary"}
    stage.check(
        f"all {len(with_content)} files came back right, in content, owner, mode, date and attributes",
        result.outcome == "passed" and with_content <= tested,
        result.impossible or "; ".join(show_name(each.path) + ": " + each.what for each in result.mismatches[:3]),
    )
    stage.check(
        f"so did the {retired} versions in retired/",
        sum(each.is_right and each.pick.side == "retired" for each in result.tested) == retired,
        named([each.path for each in result.mismatches if each.side == "retired"]),
    )
    stage.check(
        f"the copy is as it was, and the report stands in {report}.txt, and as JSON",
        stage.copy() == copy_before
        and all((stage.place.secondary / f"{report}{ending}").stat().st_size > 0 for ending in (".txt", ".json")),
        "another copy",
    )
    for assurance in result.assurances:
        stage.screen.text(proved(assurance))
    stage.screen.text(times(result))
    stage.fact("files", len(tested))
    stage.fact("outcome", result.outcome)
    stage.fact("report", f"{report}.json")


def rot(stage: Stage) -> None:
    copy, name = stage.place.copy / _DECAYED, os.fsencode(_DECAYED)
    good = digest(bytes(copy))
    turn_a_bit(copy)
    bad = digest(bytes(copy))
    stage.screen.text(
        f"Drives forget. One bit of {_DECAYED} is turned over in the copy, under its old date: nobody who compares"
        " sizes and dates would see it. So both drives are read, and each file is held against its checksum."
    )
    found = stage.verify()
    damaged = [(each.side, each.verdict, each.path) for each in found.open]
    stage.check(
        f"that finds it, and nothing else: {format_count(found.intact)} files of both drives intact, 1 decayed",
        damaged == [("secondary", "decayed", name)],
        named([path for _, _, path in damaged]) or "nothing",
    )
    result = stage.night()
    stage.check("the night mended the copy from the primary", digest(bytes(copy)) == good != bad, "other content")
    where = held(stage, result.number).get(name, b"retired/")
    stands = digest(os.path.join(bytes(stage.place.secondary), where)) == bad
    stage.check(f"its bad bytes stand in {show_name(where)}", stands, "other content, or none")
    _check_equal(stage)
    stage.fact("intact", found.intact)
    stage.fact("found", [{"side": side, "verdict": what, **json_name(path)} for side, what, path in damaged])
    stage.screen.text(
        "Nights read a share of both drives each, so that all of it comes round within a month. A file that decays on"
        f" the primary is reported and never copied; `nightferry mend {PAIR}` brings back what it was."
    )


def _check_equal(stage: Stage) -> None:
    different = differences(stage.primary(), stage.copy())
    stage.check("the copy is equal to the primary", not different, named(different))


@dataclass(frozen=True)
class Chapter:
    name: str  # in --json
    title: str
    tell: Callable[[Stage], None]


CHAPTERS = (
    Chapter("first_night", "The first night", first_night),
    Chapter("quiet_night", "A quiet night", quiet_night),
    Chapter("working_day", "A working day", working_day),
    Chapter("accident", "The accident", accident),
    Chapter("recovery", "Recovering", recovery),
    Chapter("checksums", "The checksum list", checksums),
    Chapter("audit", "Looking back", audit),
    Chapter("rehearsal", "Would it come back?", rehearsal),
    Chapter("rot", "Rot", rot),
)
