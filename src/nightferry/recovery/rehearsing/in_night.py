"""The rehearsal's place in a night: whether one is due, and what is done about what it finds."""

from __future__ import annotations

from pathlib import Path

from nightferry.night.context import Night
from nightferry.night.mending import mend_open
from nightferry.night.seal import seal
from nightferry.planning.rehearsal_due import is_due
from nightferry.recovery.rehearsing.record import enter, last_of, new_rehearsal
from nightferry.recovery.rehearsing.rehearsal import rehearse
from nightferry.recovery.rehearsing.reports import Render, leave_reports
from nightferry.recovery.rehearsing.result import Rehearsal
from nightferry.recovery.rehearsing.scratch import clear_scratch
from nightferry.units import format_size

_MORE_TIME = "Make finish_by later, or run `nightferry rehearse {pair}` by day."


def rehearse_if_due(night: Night, state_folder: Path, render: Render | None, *, mend: bool) -> Rehearsal | None:
    """Rehearses within what is left of the window; None where none is due.

    The records are sealed first: what is on the drive tonight is what its own manifest has to speak of. Bad copies are
    entered as damage, and mended at once from an intact primary where ``mend`` allows. Raises ``Interrupted`` and
    ``Failed`` as sealing and mending do.
    """
    pair_id = night.manifest.pair_id or ""
    clear_scratch(night.settings, pair_id, night.effects)
    if night.settings.rehearse_share <= 0.0 or not _is_due(night):
        return None
    if night.stop():
        night.note(f"A rehearsal is due, and no time was left for it. {_MORE_TIME.format(pair=night.settings.name)}")
        return None
    night.progress.phase("rehearse")
    seal(night)
    rehearsal = new_rehearsal(
        night.settings, night.number, night.clock.now_s(), night.settings.rehearse_share, stamp=night.stamp
    )
    rehearse(night.settings, rehearsal, night.effects, night.clock, night.progress, night.stop)
    new = enter(night.manifest, rehearsal)
    night.tally.damage += new
    if new and mend:
        mend_open(night)
    if render is not None:
        for problem in leave_reports(rehearsal, render, night.secondary, state_folder, night.effects):
            night.note(problem)
    _say(night, rehearsal)
    return rehearsal


def _is_due(night: Night) -> bool:
    complete = night.manifest.runs.last_complete()
    return is_due(
        last_of(night.manifest), None if complete is None else complete.number, night.number,
        night.clock.now_s(), night.settings.rehearse_every.total_seconds(),
    )  # fmt: skip


def _say(night: Night, rehearsal: Rehearsal) -> None:
    """What a person could do about a rehearsal that showed less than it was to show."""
    if rehearsal.outcome != "short":
        return
    if rehearsal.stopped == "limit":
        night.note(
            f"The rehearsal restored {format_size(rehearsal.limit_bytes or 0)} at the most (rehearse_limit) and so"
            " could not show what rehearse_share asks for; its report says what it shows."
        )
    elif rehearsal.out_of_time:
        night.note(
            "The rehearsal ran out of time, and shows less than rehearse_share asks for."
            f" {_MORE_TIME.format(pair=night.settings.name)}"
        )
