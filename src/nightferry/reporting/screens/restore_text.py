"""What a restore came to: for a person, and under the stable names of ``--json``."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

from nightferry.recovery.restoring.new_primary import NewPrimary
from nightferry.recovery.restoring.refusals import Refusal
from nightferry.recovery.restoring.result import Damaged, Named, RestoreResult
from nightferry.reporting.audit.changes import counted
from nightferry.reporting.look import words
from nightferry.reporting.look.drive_facts import drive_rows
from nightferry.reporting.look.terminal import Screen
from nightferry.units import format_count, format_duration, format_rate, format_size, json_name, show_name, show_text

# Names of one kind that are shown; --json has more.
NAMES_SHOWN = 20
_RANGES_SHOWN = 10
# Of less, the time went into names.
_LEAST_FOR_A_RATE_BYTES = 16 << 20

_LOST = {
    "owner": "owner and group", "mode": "permissions", "time": "exact time", "attributes": "extended attributes",
    "links": "hard links",
}  # fmt: skip


def show_restored(screen: Screen, result: RestoreResult) -> None:
    """All of it."""
    screen.heading(_headline(result), "attention" if result.exit_code else "sound")
    if result.night is not None or not result.is_primary:  # else nothing was restored, and a note says why
        screen.text(_from_when(result))
        screen.table(("", ">names", ">size"), _rows(result))
        if result.seconds:
            screen.text(_pace(result))
        if not (
            result.written.files
            or result.written.links
            or result.written.symlinks
            or result.right
            or result.stopped
            or result.unknown
        ):
            screen.point(
                f"There was no file in it as of that night. `nightferry history {result.pair}` with the same path says"
                " which nights had some; --as-of restores them.",
                state="attention",
            )
    for note in result.notes:
        screen.point(note, state="attention")
    _show_names(screen, result.refused, ("name", "names"), "the target would not take", _why)
    _show_names(
        screen, result.left, ("name", "names"), "left as found in the target, where something else stands", _why
    )
    if result.left.count:
        screen.text("To have these as the copy has them: the same command with --overwrite.")
    _show_names(
        screen, result.elsewhere, ("file", "files"), "restored right, but not from the copy, which is bad", _why
    )
    if result.elsewhere.count:
        # With --all: a file that a night read some hours ago is not due yet, and would be left out.
        screen.text(
            f"A restore enters nothing. Have the secondary read, so that the next night puts the copy right:"
            f" `nightferry verify --all --side secondary {result.pair}`"
        )
    _show_names(screen, result.bad, ("file", "files"), "not restored, since no place has the right content", _why)
    if result.bad.count:
        screen.text("To have what is left of these, under marked names: the same command with --bad.")
    _show_names(screen, result.damaged, ("file", "files"), "damaged, and restored under a marked name", _damaged)
    if result.unverified:
        screen.text(
            f"{counted(result.unverified, 'file has', 'files have')} no checksum on the secondary, so that the content"
            " could not be checked."
        )
    if result.written.lost:
        screen.text(_lost(result))
    if result.stopped:
        screen.text("It goes on from here when the same command is given again.")


def _headline(result: RestoreResult) -> str:
    into = show_text(str(result.into))
    if result.is_primary and not result.stopped:
        return f"{result.pair}: {into} is the primary of this pair"
    if result.stopped:
        return f"{result.pair}: stopped before everything was in {into}"
    if result.not_restored:
        return f"{result.pair}: restored into {into}, but not everything"
    return f"{result.pair}: restored into {into}"


def _from_when(result: RestoreResult) -> str:
    if result.night is None:
        return "As it stands in copy/ on the secondary."
    when = "" if result.night_s is None else f" on {words.when(result.night_s)}"
    newest = ", the newest," if result.newest else ""
    return f"As night {format_count(result.night)}{newest} found it{when}."


def _rows(result: RestoreResult) -> list[tuple[str, ...]]:
    done = result.written
    rows = [
        ("files written", format_count(done.files), format_size(done.content_bytes)),
        ("of them in place of another", format_count(done.replaced), ""),
        ("further names of the same file (hard links)", format_count(done.links), ""),
        ("symlinks written", format_count(done.symlinks), ""),
        ("folders made", format_count(done.folders), ""),
        ("right already", format_count(result.right), format_size(result.right_bytes)),
        ("given the right permissions, owner or times", format_count(done.altered), ""),
    ]
    return [row for row in rows if row[1] != "0" or row[0] == "files written"]


def _pace(result: RestoreResult) -> str:
    told = f"It took {format_duration(result.seconds)}"
    if result.content_bytes >= _LEAST_FOR_A_RATE_BYTES and result.writing_s > 0.5:
        told += f", {format_rate(result.content_bytes / result.writing_s)} of content written or compared"
    return f"{told}."


def _show_names(screen: Screen, named: Named[Any], unit: tuple[str, str], what: str, say: Callable[[Any], str]) -> None:
    if not named.count:
        return
    screen.gap()
    screen.heading(f"{counted(named.count, *unit)} {what}:", "attention")
    for each in named.kept[:NAMES_SHOWN]:
        screen.point(f"{show_name(each.path)}: {say(each)}", state="attention")
    if named.count > NAMES_SHOWN:
        screen.text(f"and {format_count(named.count - NAMES_SHOWN)} more.")


def _why(each: Refusal) -> str:
    return each.why


def _damaged(each: Damaged) -> str:
    told = f"{each.why}; it is {show_name(each.restored_as)}"
    if each.ranges:
        shown = ", ".join(f"{item.start}-{item.end - 1} ({item.filled_from})" for item in each.ranges[:_RANGES_SHOWN])
        more = f" and {len(each.ranges) - _RANGES_SHOWN} more" if len(each.ranges) > _RANGES_SHOWN else ""
        told += f"; bytes that could not be read, and what stands there now: {shown}{more}"
    return told


def _lost(result: RestoreResult) -> str:
    told = ", ".join(
        f"{_LOST[what]} of {format_count(count)}" for what, count in sorted(result.written.lost.items()) if count
    )
    why = "" if os.geteuid() == 0 else " Only root may set owners and some attributes."
    return f"What could not be put back of the metadata of files and folders: {told}.{why}"


def show_new_primary(screen: Screen, found: NewPrimary) -> None:
    """What is about to be done to a new primary, before anybody is asked."""
    screen.heading(f"The pair {found.pair}: a new primary")
    for side in (found.primary, found.secondary):
        screen.gap()
        screen.table((f"{'new ' if side is found.primary else ''}{side.role}", ""), drive_rows(side))
    screen.gap()
    if found.state != "none":
        what = "taken over from the secondary" if found.state == "adopt" else "built anew by reading the secondary"
        screen.point(f"This machine knows nothing (any more) of this pair: its state is {what} first.")
    if found.action == "join":
        screen.point(
            "The drive is the primary of another pair already and has its content: nothing is restored to it. The next"
            " night compares all of it with this pair's copy.",
            state="attention",
        )
    elif found.found is not None:
        what = counted(found.found.files, "file", "files")
        when = "" if found.found.ended_s is None else f", of {words.when(found.found.ended_s)}"
        night = "" if found.found.run is None else f", as night {format_count(found.found.run)}{when}, left them"
        screen.point(f"To be restored to it: {what}, {format_size(found.found.size_bytes)}{night}.")
        if found.action == "go on":
            screen.point("An earlier call began with this: it goes on where that one stopped.")
    screen.point(
        "Then both drives are the pair, and the next night goes on from there. The old primary is no part of it any"
        " more, should it come back.",
    )
    screen.gap()


# Where nothing was restored.
NO_RESULT: dict[str, Any] = dict.fromkeys(
    ("into", "night", "newest", "written", "right_already", "left", "refused", "elsewhere", "bad", "damaged",
     "unverified", "metadata_lost", "stopped", "seconds", "bytes_per_s", "is_primary")
) | {"notes": []}  # fmt: skip


def as_json(result: RestoreResult) -> dict[str, Any]:
    """Under the stable names."""
    done = result.written
    return {
        "into": json_name(os.fsencode(result.into)),
        "night": result.night,
        "newest": result.newest,
        "written": {
            "files": done.files, "links": done.links, "symlinks": done.symlinks, "folders": done.folders,
            "bytes": done.content_bytes, "replaced": done.replaced, "altered": done.altered,
        },
        "right_already": {"files": result.right, "bytes": result.right_bytes},
        "left": _named(result.left, _as_json),
        "refused": _named(result.refused, _as_json),
        "elsewhere": _named(result.elsewhere, _as_json),
        "bad": _named(result.bad, _as_json),
        "damaged": _named(result.damaged, _damaged_json),
        "unverified": result.unverified,
        "metadata_lost": {what: done.lost.get(what, 0) for what in _LOST},
        "notes": result.notes,
        "stopped": result.stopped,
        "seconds": result.seconds,
        "bytes_per_s": result.content_bytes / result.writing_s if result.writing_s and result.content_bytes else None,
        "is_primary": result.is_primary,
    }  # fmt: skip


def _named(named: Named[Any], say: Callable[[Any], dict[str, Any]]) -> dict[str, Any]:
    return {"count": named.count, "names": [say(each) for each in named.kept]}


def _as_json(each: Refusal) -> dict[str, Any]:
    return {**json_name(each.path), "why": each.why}


def _damaged_json(each: Damaged) -> dict[str, Any]:
    ranges = [{"start": item.start, "end": item.end, "from": item.filled_from} for item in each.ranges]
    return {**json_name(each.path), "restored_as": json_name(each.restored_as), "why": each.why, "filled": ranges}
