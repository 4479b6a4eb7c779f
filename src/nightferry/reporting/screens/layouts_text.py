"""The same drives in other layouts, as a table to decide from: beside each other where that fits, else one by one."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from nightferry.planning.layouts import Layout, Sheet, Survives, Threat
from nightferry.reporting.look.decimal_units import chance, rates, size
from nightferry.reporting.look.terminal import Screen
from nightferry.reporting.screens import plan_notes as note
from nightferry.units import format_duration

_SHORT = {
    Layout.SINGLE: "single drive",
    Layout.STRIPE: "stripe (RAID 0)",
    Layout.MIRROR: "mirror (RAID 1)",
    Layout.MIRRORED_STRIPE: "RAID 10",
    Layout.TWO_DRIVES: "copied each night",
}
_SURVIVES = {
    Survives.YES: "yes",
    Survives.BUT_THE_DAY: "yes, but the day",
    Survives.IN_PART: "with luck",
    Survives.NO: "no",
}
_THREATS = {
    Threat.DRIVE: "Survives a drive that fails",
    Threat.DELETION: "  a deletion",
    Threat.OVERWRITE: "  an overwrite",
    Threat.ENCRYPTION: "  mass encryption",
    Threat.DECAY: "  silent decay",
    Threat.FAULT: "  a controller or power fault",
    Threat.SITE: "  fire, theft, surge",
}
# Four or five layouts and their labels need so many columns beside each other.
_BESIDE_COLUMNS = 112


def _rows() -> list[tuple[str, Callable[[Sheet], str]]]:
    rows: list[tuple[str, Callable[[Sheet], str]]] = [
        (f"Usable room [{note.USABLE}]", lambda each: size(each.usable_bytes)),
        (f"Written, on the box [{note.WRITE}]", lambda each: rates(each.write.low, each.write.high)),
        (f"Read, on the box [{note.READ}]", lambda each: rates(each.read.low, each.read.high)),
        (f"Written by a client [{note.CLIENT}]", lambda each: rates(each.network_write.low, each.network_write.high)),
        (f"Read by a client [{note.CLIENT}]", lambda each: rates(each.network_read.low, each.network_read.high)),
    ]
    rows += [(words, _survival(threat)) for threat, words in _THREATS.items()]
    rows += [
        ("New work at risk", lambda each: f"up to {each.at_risk_h:.0f} h" if each.at_risk_h else _none(each)),
        (f"Lost to drives, a year [{note.LOSS}]", lambda each: chance(each.drive_loss_per_year)),
        (f"Filling a new drive [{note.BACK}]", _back),
    ]
    return rows


def _none(each: Sheet) -> str:
    return "all of it" if each.layout in (Layout.SINGLE, Layout.STRIPE) else "none, by a drive"


def _back(each: Sheet) -> str:
    return "nothing to fill it from" if math.isinf(each.back_h) else format_duration(each.back_h * 3600)


def _survival(threat: Threat) -> Callable[[Sheet], str]:
    return lambda each: _SURVIVES[each.survives[threat]]


def show_layouts(screen: Screen, sheets: Sequence[Sheet]) -> None:
    """The table, and what it comes to."""
    rows = _rows()
    if screen.columns >= _BESIDE_COLUMNS:
        screen.table(
            ["", *(_SHORT[each.layout] for each in sheets)],
            [[label, *(value(each) for each in sheets)] for label, value in rows],
        )
    else:
        for each in sheets:
            drives = "1 drive" if each.drives == 1 else f"{each.drives} drives"
            screen.text(f"{each.layout.value}, {drives}", style="bold")
            screen.table(["", ""], [[label, value(each)] for label, value in rows])
    screen.gap()
    screen.heading("Which one")
    for sentence in verdict(sheets):
        screen.point(sentence)


def verdict(sheets: Sequence[Sheet]) -> list[str]:
    """What speaks for each, without taking sides."""
    has = {each.layout for each in sheets}
    found = []
    if Layout.TWO_DRIVES in has:
        found.append(
            "Two drives, copied each night: the only one here that brings back what somebody deleted, overwrote or"
            " encrypted, and what decayed. It can lose the work since the last night."
        )
    if has & {Layout.MIRROR, Layout.MIRRORED_STRIPE}:
        found.append(
            "A mirror is the better choice where not an hour of new work may be lost to a drive, or people must go on"
            " working when one fails: editing, recording, a database. It repeats every mistake at once."
        )
        found.append(
            "Both together are best where both matter: a mirror for the work, and one more drive that is copied to each"
            " night."
        )
    if Layout.STRIPE in has:
        found.append("A stripe is for what can be made again: any drive that fails takes everything along.")
    found.append("None of them survives fire, theft or a surge: keep a third copy elsewhere.")
    return found
