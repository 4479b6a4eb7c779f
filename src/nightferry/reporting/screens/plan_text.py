"""A plan for a person: what these drives can do, what limits it, and the same drives in other layouts."""

from __future__ import annotations

import math
from collections.abc import Sequence

from nightferry.planning import power
from nightferry.planning.capacity import DAY_S, Part
from nightferry.planning.prospect import Prospect, Situation
from nightferry.planning.trend import Full
from nightferry.reporting.look.decimal_units import chance, days, rate, size
from nightferry.reporting.look.terminal import Screen
from nightferry.reporting.screens import plan_notes as note
from nightferry.reporting.screens.layouts_text import show_layouts
from nightferry.units import format_count, format_duration

# A night that is shorter by less than this is no reason to change anything.
_WORTH_S = 60.0
# Narrower, and what limits each time would stand in a column of one word a line.
_THREE_COLUMNS = 72


def show_plan(screen: Screen, title: str, what: Situation, found: Prospect) -> None:
    """All of it."""
    rates = what.rates
    fits = found.night.margin_s >= 0
    screen.heading(title, "sound" if fits else "attention")
    screen.text(
        f"Primary read at {rate(rates.primary_read)}; secondary written at {rate(rates.secondary_write)}, read at"
        f" {rate(rates.secondary_read)}. {_how_much(what)}."
    )
    screen.gap()
    rows = _rows(what, found)
    if screen.columns >= _THREE_COLUMNS:
        screen.table(["", "", "limited by"], rows)
    else:
        screen.table(["", "limited by"], [[label, ", ".join(filter(None, values))] for label, *values in rows])
    screen.gap()
    for sentence in _advice(what, found):
        screen.point(sentence)
    screen.gap()
    drives = "drive" if what.drives == 1 else "drives"
    screen.heading(f"The same {what.drives} {drives} of {size(what.drive_bytes)} in other layouts")
    show_layouts(screen, found.sheets)
    screen.gap()
    screen.heading("Where the numbers come from")
    for number, sentence in note.notes(what).items():
        screen.point(sentence, mark=f"[{number}]".ljust(4))
    for sentence in found.assumptions:
        screen.point(sentence, mark="-".ljust(4))
    screen.text("MB, GB and TB are powers of 1,000 here.")


def _how_much(what: Situation) -> str:
    """Before the first night nobody has counted the files."""
    total = size(what.work.total_bytes)
    return f"{_count(what.work.files, 'file')}, {total}" if what.work.files else f"{total} in all"


def _count(number: int, word: str) -> str:
    return f"{format_count(number)} {word}" + ("" if number == 1 else "s")


def _rows(what: Situation, found: Prospect) -> list[list[str]]:
    work, night = what.work, found.night
    back = [f"  reading it back [{note.COPY}]", format_duration(found.first_read_back_s), _by(found.reading_back.by)]
    return [
        [f"First copy [{note.COPY}]", format_duration(found.first_copy_s), _by(found.copying.by)],
        *([back] if found.first_read_back_s else []),
        [f"  a full {size(what.drive_bytes)}", format_duration(found.full_drive_copy_s), _by(found.copying.by)],
        ["A usual night", format_duration(night.whole_s), ""],
        ["  looking", format_duration(night.scan_s), ""],
        [f"  copying {size(work.changed_bytes_per_day / work.nights_per_day)}", format_duration(night.copy_s),
         _by(night.limit)],
        ["  reading back", format_duration(night.read_back_s),
         _by(found.reading_back.by) if night.read_back_s else ""],
        [f"  verifying [{note.VERIFY}]", format_duration(night.verify_s), _by(found.verify_limit)],
        ["  left of the window" if night.margin_s >= 0 else "  missing in the window",
         format_duration(abs(night.margin_s)), f"of {format_duration(work.window_s)}"],
        ["All verified within", _cycle(found.possible_cycle_s), f"asked for: {days(work.verify_cycle_s / DAY_S)}"],
        [f"Restoring all, here [{note.RESTORE}]", format_duration(found.restore_s), _by(found.restore.by)],
        [f"  over the network [{note.NETWORK}]", format_duration(found.restore_network_s),
         f"{_by(found.restore_network.by)}, {rate(found.restore_network.rate_bytes_per_s)}"],
        [f"Old versions kept for [{note.KEPT}]", _kept(found.days_kept), "room on the secondary"],
        [f"Secondary full in [{note.FULL}]", _full(found.full), _bounds(found)],
        ["Work that can be lost", f"up to {format_duration(found.recovery_point_s)}", "one night to the next"],
        [f"A bad spot, reading all [{note.ERRORS}]", chance(found.read_error_chance), "the drives"],
    ]  # fmt: skip


_BY = {
    Part.PRIMARY: "the primary, reading",
    Part.SECONDARY: "the secondary",
    Part.LINK: "the shared link",
    Part.HASH: "the processor",
    Part.NETWORK: "the network",
    Part.NEW_DRIVE: "the new drive, writing",
}


def _by(part: Part) -> str:
    return _BY[part]


def _cycle(cycle_s: float) -> str:
    if math.isinf(cycle_s):
        return "not possible"
    return "1 night" if cycle_s <= DAY_S else days(cycle_s / DAY_S)


def _kept(length_days: float) -> str:
    if length_days <= 0:
        return "no time"
    return "without end" if math.isinf(length_days) else days(length_days)


def _full(found: Full | None) -> str:
    if found is None:
        return "not known"
    return days(found.likely_days) if found.latest_days > 0 else "full already"


def _bounds(found: Prospect) -> str:
    if found.full is None:
        return "too few nights"
    if found.trend is None:
        return "growth as assumed"
    soonest, latest = days(found.full.soonest_days), days(found.full.latest_days)
    return f"between {soonest} and {latest}, by {found.trend.nights} nights"


def _advice(what: Situation, found: Prospect) -> list[str]:
    said = []
    if what.work.free_bytes < 0:
        said.append(
            f"It does not all fit: on the secondary {size(-what.work.free_bytes)} are missing, with what is to be kept"
            " free. A larger secondary is needed, or something to exclude."
        )
    if found.night.margin_s < 0:
        said.append("A usual night does not fit its window: it stops at the end of it and goes on the next night.")
    if found.possible_cycle_s > what.work.verify_cycle_s:
        said.append("Not all bytes can be verified within the cycle that is asked for.")
    if found.best_change is not None and found.best_change.gained_s >= _WORTH_S:
        ample = found.night.margin_s > found.night.window_s / 2
        begin = "A usual night fits its window with room to spare. Should it be shorter: " if ample else (
            "What would help most: "
        )  # fmt: skip
        said.append(f"{begin}{found.best_change.what} makes it {format_duration(found.best_change.gained_s)} shorter.")
    else:
        said.append("No single change would make a usual night much shorter.")
    said.append(
        "After losing the primary: the copy is a plain tree and can be read at once; a whole primary is back after"
        f" {format_duration(found.restore_s)} of restoring, once a new drive is there."
    )
    said += power_sentences(what, found)
    return said


def power_sentences(what: Situation, found: Prospect) -> list[str]:
    """What there is to say of currents; a warning where the box cannot give them."""
    verdict, loads = found.power, what.loads
    if loads is None:
        return ["Power: not known, since what the drives draw cannot be found out."]
    if verdict is None:
        return ["Power: not known here. No USB port feeds these drives, but the box's own supply: see what it gives."]
    fed = [load for load in loads if not load.self_powered]
    if not fed:
        return ["Power: the drives have a supply of their own; the box feeds none of them."]
    port_ma = min(load.port_ma for load in fed)
    return [
        f"Power [{note.POWER}]: {verdict.peak_ma:,} mA at the worst moment, for {_count(len(fed), 'drive')}; a port"
        f" gives {port_ma} mA, many boards {verdict.total_ma:,} mA in all. {_power_words(verdict, fed)}"
    ]


def _power_words(verdict: power.Verdict, fed: Sequence[power.Load]) -> str:
    low_voltage = "Low voltage only: mains work belongs to licensed people."
    if any(load.port_ma < power.USB2_PORT_MA for load in fed if load.name in verdict.over_port):
        return f"A powered hub is needed, or drives with a supply of their own: this hub has none. {low_voltage}"
    if verdict.over_total and len(fed) > 2:
        return f"A powered hub is needed, or drives with a supply of their own. {low_voltage}"
    if verdict.over_total:
        return (
            "A powered hub is needed, or drives with a supply of their own; without one, two drives are touch and go."
            f" {low_voltage}"
        )
    if verdict.over_port:
        return "More than a port has to give: one such drive usually runs all the same (common practice)."
    return "That is enough."
