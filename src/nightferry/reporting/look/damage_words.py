"""Damage in sentences: what is wrong, what became of it, and what it says of the drive."""

from __future__ import annotations

from collections.abc import Iterable

from nightferry.manifest.night_findings import DamageStory
from nightferry.manifest.records import Damage
from nightferry.planning.recurring_damage import LOOK_BACK_S, DriveDamage
from nightferry.reporting.audit.changes import NightReport, counted
from nightferry.units import format_count, show_text


def damage_line(side: str, verdict: str, detail: str) -> str:
    """What is wrong with one file."""
    place = "in retired/" if side == "retired" else f"on the {side}"
    return show_text(f"{verdict} {place}: {detail}")


def count_names(damage: Iterable[Damage | DamageStory]) -> int:
    """How many names, each once, also where it is bad on both drives. A version in ``retired/`` is another file."""
    return len({(each.side == "retired", each.path) for each in damage})


def damaged(report: NightReport) -> str:
    """What was damaged when a night ended, what that means, and what to do."""
    number, still = report.open_damage, report.still_damaged
    mend = f"See what each place has, and put it right, with `nightferry mend {report.pair}`."
    if still is not None and still < number:
        told = f"{counted(number, 'name was', 'names were')} damaged when it ended"
        if still == 0:
            return f"{told}; all are mended or accepted since."
        return f"{told}, and {format_count(still)} still {'is' if still == 1 else 'are'}. {mend}"
    sides = {each.side for each in report.damage}
    if len(report.damage) >= number and len(sides) == 1:
        verdicts = {each.verdict for each in report.damage}
        return f"{_of_one_side(number, sides.pop(), verdicts)} {mend}"
    both = 0
    if len(report.damage) >= number:
        names = count_names(report.damage)
        both, number = number - names, names
    what = counted(number, "file is", "files are")
    on_both = "" if not both else " on both drives" if number == 1 else f", {format_count(both)} of them on both drives"
    return (
        f"{what} damaged{on_both}: the content changed and nobody changed it, or the copy reads back wrong. Nothing of"
        f" it was carried across. {mend}"
    )


def _of_one_side(number: int, side: str, verdicts: set[str]) -> str:
    if verdicts == {"unlisted"}:
        what = counted(number, "name on the secondary is", "names on the secondary are")
        return f"{what} from no night: somebody, or another program, put it there."
    if side == "retired":
        what = counted(number, "older version in retired/ is", "older versions in retired/ are")
        return f"{what} damaged. Today's files and their copies are not touched by that."
    if side == "secondary":
        what = counted(number, "copy on the secondary is", "copies on the secondary are")
        return f"{what} damaged or missing, and could not be mended yet."
    what = counted(number, "file on the primary is", "files on the primary are")
    they, have, them = ("it", "is", "it") if number == 1 else ("they", "are", "them")
    told = f"{they} cannot be read" if "unreadable" in verdicts else ""
    if verdicts != {"unreadable"}:
        told += f"{', or ' if told else ''}{they} {have} not what was written, and nobody changed {them}"
    return f"{what} damaged: {told}. Nothing of it was carried across."


def became_since(each: DamageStory) -> str:
    """What became of damage after a night that left it open; empty while it is open."""
    if each.closed_run is None:
        return ""
    when = f"after night {each.closed_run}" if each.by_hand else f"in night {each.closed_run}"
    return f"since then, {when}: {show_text(each.became or 'closed')}"


# --- what it says of the drive


def drive_signs(report: NightReport) -> list[str]:
    """What a night found bad on a drive, and what that says of the drive.

    Empty where it found nothing, and of a single file that is still bad: that is a reason by itself.
    """
    return [_sign(report.pair, each) for each in report.drive_damage if each.tonight and (each.mended or each.is_sign)]


def drive_record(found: DriveDamage) -> str:
    """What was found bad on a drive in the last months: "In 90 days 5 files went bad on it, found by 3 nights"."""
    return (
        f"In {_days()} {counted(found.lately, 'file')} went bad on it, found by"
        f" {counted(found.nights, 'night')}{': see how it is, and think of replacing it' if found.is_sign else ''}."
    )


def _sign(pair: str, found: DriveDamage) -> str:
    began = f"{counted(found.tonight, 'file')} on the {found.drive} had gone bad"
    them = "it" if found.tonight == 1 else "them"
    if found.mended == found.tonight:
        began += f", and the night mended {them} from the primary."
    elif found.mended:
        began += f", and the night mended {format_count(found.mended)} of {them} from the primary."
    else:
        began += "."
    if not found.is_sign:
        return f"{began} No other did there in {_days()}: one alone says little of a drive, and nothing has to be done."
    if found.nights == 1:
        since = f"None did there in the {_days()} before."
    else:
        since = f"In {_days()} that makes {format_count(found.lately)}, found by {format_count(found.nights)} nights."
    return (
        f"{began} {since} Where more than one goes bad, the drive itself may be failing: see how it is with"
        f" `nightferry preflight {pair}`, and think of replacing it."
    )


def _days() -> str:
    return f"{format_count(round(LOOK_BACK_S / 86_400))} days"
