"""What to do next about a pair: the command that gets one further, and what it is good for."""

from __future__ import annotations

from typing import NamedTuple

from nightferry.reporting.standing.status import SOUND, Reason, Status


class Step(NamedTuple):
    """A command to type, and what it does, as the end of "to …"."""

    command: str
    purpose: str


# By the code of a reason, what gets one out of it; "{}" is the pair. In the order in which they should be seen to: what
# keeps nights from running, what waits for a word, what a night does by itself once the rest is well.
_OUT_OF: dict[str, tuple[Step, ...]] = {
    **dict.fromkeys(
        ("absent_primary", "absent_secondary", "wrong_drive", "drive_hung", "secondary_away"),
        (
            Step("nightferry preflight {}", "see which drive is meant and what is wrong with it"),
            Step("nightferry run {}", "catch up, once it is there again"),
        ),
    ),
    **dict.fromkeys(
        ("stale_status", "missed", "given_up"),
        (
            Step("systemctl status nightferry", "see whether the service runs"),
            Step("nightferry run {}", "catch up now"),
        ),
    ),
    **dict.fromkeys(
        ("failed", "unexpected", "ended_early", "wrong_use", "status_not_written"),
        (
            Step("nightferry preflight {}", "see what stands in the way"),
            Step("nightferry run {}", "try again, once that is put right"),
        ),
    ),
    "clock": (Step("timedatectl", "see and set this machine's clock"),),
    "held": (
        Step("nightferry tonight {}", "see what would be removed and replaced"),
        Step("nightferry release {}", "let it go on, if that is what you want"),
    ),
    "surge": (Step("nightferry tonight {}", "see what the next night would do"),),
    "damage": (Step("nightferry mend {}", "see what is damaged, and put it right"),),
    "no_room": (Step("nightferry plan {}", "see what takes the room, and what would help"),),
    "unreadable": (Step("nightferry lastnight {}", "see which files, and why"),),
    "rehearsal": (Step("nightferry rehearse {}", "try again to restore a sample"),),
    "overdue": (Step("nightferry verify {}", "read what is overdue, now"),),
    "alert_failed": (Step("nightferry preflight {}", "see what is wrong with telling you"),),
    **dict.fromkeys(
        ("released", "interrupted", "bad_status", "first_run", "withheld", "refused", "taken_over"),
        (Step("nightferry run {}", "go on now; the next night does it too"),),
    ),
}
_MOST = 3


def steps(
    pair: str, status: Status | None, state: str, reasons: tuple[Reason, ...], *, is_paired: bool, is_busy: bool
) -> list[Step]:
    """The useful ones, the most urgent first; never none.

    Args:
        status: as it was written; None: there is none, or it cannot be read.
        is_busy: something is under way there.
    """
    if is_busy:
        return [Step(f"nightferry status --follow {pair}", "watch it until it ends")]
    if not is_paired:
        first = [Step(f"nightferry pair {pair}", "make its two drives a pair; it shows both and asks first")]
        if status is not None:  # somebody tried a run before
            first.append(Step(f"nightferry preflight {pair}", "see what stands in the way"))
        return first
    codes = [reason.code for reason in reasons]
    if status is None and "no_status" in codes:
        return [
            Step(f"nightferry tonight {pair}", "see what the first night would do, and how long it would take"),
            Step(f"nightferry run --without-window {pair}", "run it now, for as long as it takes"),
        ]
    found: dict[str, Step] = {}
    for code, ways in _OUT_OF.items():
        if code in codes:
            for way in ways:
                found.setdefault(way.command, way)
    chosen = [Step(way.command.format(pair), way.purpose) for way in found.values()][:_MOST]
    if state == SOUND or not chosen:
        chosen.append(Step(f"nightferry lastnight {pair}", "see what the last night did"))
    return chosen
