"""What a verification by hand came to: for a person, and under the stable names of ``--json``."""

from __future__ import annotations

from typing import Any

from nightferry.manifest.fixity import Side
from nightferry.manifest.records import Damage
from nightferry.recovery.verifying import ASKED, FAILING, VerifyResult
from nightferry.reporting.audit.changes import counted
from nightferry.reporting.look.damage_words import count_names, damage_line
from nightferry.reporting.look.terminal import Screen
from nightferry.reporting.screens.coverage_text import show_coverage
from nightferry.reporting.standing import status
from nightferry.reporting.standing.coverage import coverage_as_json
from nightferry.units import format_count, format_duration, format_rate, format_size, json_name, show_name

# Damaged names that are shown; the manifest has them all, and --json shows them.
NAMES_LIMIT = 50


def shown_path(side: str, path: bytes) -> str:
    """A name of the damage register, as `mend` takes it."""
    return show_name((b"retired/" if side == "retired" else b"") + path)


def show_verified(screen: Screen, result: VerifyResult) -> None:
    """All of it."""
    state = "attention" if result.exit_code else "sound"
    screen.heading(f"{result.pair}: {_headline(result)}", state)
    if sum(result.verified.files.values()):
        screen.table(("", ">files", ">size", ">rate"), [_row(result, side) for side in result.wanted.sides])
        screen.gap()
    screen.text(_verdicts(result))
    if result.verified.changed:
        screen.text(
            f"{counted(result.verified.changed, 'file', 'files')} on the primary changed or went since the last night,"
            " which is no damage: the next night sees to them."
        )
    if result.verified.indirect:
        screen.text(
            "Some files could not be read past the page cache; it was emptied before, as far as the kernel does that."
        )
    for damage in result.closed[:NAMES_LIMIT]:
        screen.point(f"no longer damaged: {shown_path(damage.side, damage.path)}")
    show_damage(screen, result.pair, result.open)
    if result.coverage:
        screen.gap()
        show_coverage(screen, result.coverage, result.cycle_s, result.now_s)
    _show_rest(screen, result)


def show_damage(screen: Screen, pair: str, found: list[Damage]) -> None:
    """The damaged names, and what to do."""
    if not found:
        return
    screen.gap()
    screen.heading(f"{counted(count_names(found), 'name is', 'names are')} damaged:", "attention")
    for damage in found[:NAMES_LIMIT]:
        told = damage_line(damage.side, damage.verdict, damage.detail)
        screen.point(f"{shown_path(damage.side, damage.path)}: {told}", state="attention")
    if len(found) > NAMES_LIMIT:
        screen.text(f"and {format_count(len(found) - NAMES_LIMIT)} more.")
    if any(damage.side == "secondary" and damage.verdict != "unlisted" for damage in found):
        screen.text("A bad copy is mended by the next night, from the primary, where that is intact.")
    screen.text(f"What each place has, and what can be done: `nightferry mend {pair}`")


def as_json(result: VerifyResult) -> dict[str, Any]:
    """Under the stable names."""
    verified = result.verified
    return {
        "stopped": result.stopped,
        "seconds": round(result.seconds, 3),
        "read": {
            side: {
                "files": verified.files[side],
                "bytes": verified.size_bytes[side],
                "seconds": round(verified.seconds[side], 3),
                "bytes_per_s": _rate(result, side),
                "left_files": result.left[side][0],
                "left_bytes": result.left[side][1],
            }
            for side in result.wanted.sides
        },
        "past_cache": not verified.indirect,
        "intact": result.intact,
        "changed": verified.changed,
        "found": [
            {"side": side, "verdict": verdict, "names": count}
            for (side, verdict), count in sorted(result.found.items())
        ],
        "looked_for_unlisted": result.looked_for_unlisted,
        "closed": [
            {**json_name(damage.path), "side": damage.side, "verdict": damage.verdict} for damage in result.closed
        ],
        "damage": [
            {
                **json_name(damage.path), "side": damage.side, "verdict": damage.verdict, "detail": damage.detail,
                "found_by": damage.found_by, "found": status.moment(damage.found_s),
            }
            for damage in result.open
        ],
        "coverage": coverage_as_json(result.coverage),
        "verify_cycle_s": result.cycle_s or None,
    }  # fmt: skip


# --- parts


def _headline(result: VerifyResult) -> str:
    took = format_duration(result.seconds)
    if result.stopped is not None:
        why = "it was asked to" if result.stopped == ASKED else "the time was over"
        if result.stopped == FAILING:
            why = f"too many reads of {_given_up(result)} failed"
        return f"verification stopped after {took}, since {why}"
    return f"verified in {took}"


def _given_up(result: VerifyResult) -> str:
    sides = result.verified.given_up
    return "both drives" if len(sides) > 1 else f"the {next(iter(sides))}"


def _row(result: VerifyResult, side: Side) -> tuple[str, str, str, str]:
    verified, rate = result.verified, _rate(result, side)
    return (
        side,
        format_count(verified.files[side]),
        format_size(verified.size_bytes[side]),
        "" if rate is None else format_rate(rate),
    )


def _rate(result: VerifyResult, side: Side) -> int | None:
    """Bytes per second of this drive while it was read; None where nothing was."""
    seconds = result.verified.seconds[side]
    return round(result.verified.size_bytes[side] / seconds) if seconds > 0 else None


def _verdicts(result: VerifyResult) -> str:
    if not sum(result.verified.files.values()) and not result.found:
        if result.stopped is not None:
            return "Nothing was read."
        return "There was nothing to read: all was read within the last 12 hours (--all reads it again)."
    bad = [
        f"{format_count(count)} {verdict}{' in retired/' if side == 'retired' else f' on the {side}'}"
        for (side, verdict), count in sorted(result.found.items())
    ]
    return f"{format_count(result.intact)} intact{''.join(f', {each}' for each in bad)}."


def _show_rest(screen: Screen, result: VerifyResult) -> None:
    if result.stopped is None:
        return
    parts = [
        f"{counted(files, 'file')} ({format_size(size_bytes)}) on the {side}"
        for side, (files, size_bytes) in result.left.items()
        if files
    ]
    if not parts:
        return
    left = f"Left to read: {' and '.join(parts)}."
    if result.stopped == FAILING:
        them, failing = ("them", "they are") if len(result.verified.given_up) > 1 else ("it", "it is")
        screen.text(
            f"{left} Nothing is known of that. Do not work {_given_up(result)} harder: {failing} failing. Copy what is"
            f" most precious and stands nowhere else off {them} by hand, then replace {them}."
        )
        return
    again = " without --all" if result.wanted.also_fresh else ""
    screen.text(f"{left} The same command{again} goes on from there.")
