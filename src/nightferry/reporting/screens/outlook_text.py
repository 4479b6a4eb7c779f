"""Tonight on a terminal."""

from __future__ import annotations

from nightferry.night.outlook import ADDED, CHANGED, METADATA, MOVED, REMOVED, UNDECIDED, Expected, Outlook
from nightferry.reporting.audit.changes import counted
from nightferry.reporting.look import words
from nightferry.reporting.look.terminal import Screen
from nightferry.reporting.screens.forecast import Forecast, left_out_counts
from nightferry.reporting.screens.night_text import KIND_SHOWN, NAMES_SHOWN, show_folders
from nightferry.settings import PairSettings
from nightferry.units import format_count, format_duration, format_size, show_name, show_text

_LABELS = {
    ADDED: "to be added",
    CHANGED: "to be replaced",
    MOVED: "to be moved",
    REMOVED: "to be removed",
    METADATA: "other metadata",
    UNDECIDED: "to be looked at again",
}


def show_outlook(screen: Screen, outlook: Outlook, found: Forecast, *, with_names: bool) -> None:
    """What a night would do, and whether it could."""
    screen.heading(f"{outlook.pair}: what tonight would do")
    if outlook.is_first:
        screen.text("No night has run yet: this is the first copy.")
    if outlook.cut_off:
        screen.point("An earlier run was cut off; what it had begun is finished first.")
    rows = [
        (
            _LABELS[kind],
            format_count(files) if files else "",
            format_size(size_bytes) if files and kind != METADATA else "",
            format_count(found.folders[kind]) if found.folders[kind] else "",
        )
        for kind, (files, size_bytes) in outlook.totals.items()
        if files or found.folders[kind]
    ]
    if rows:
        screen.gap()
        screen.table(("", ">files", ">size", ">folders"), rows)
        screen.gap()
    else:
        screen.text("Nothing changed since the last night.")
    if outlook.totals[UNDECIDED][0]:
        screen.text(
            "To be looked at again: their size and date are as before and something else is not, such as owner or"
            " mode; the night reads them to tell."
        )
    _show_verdict(screen, outlook, found)
    screen.gap()
    if with_names:
        for expected in outlook.changes():
            screen.line(_line(expected))
    else:
        show_folders(screen, found.by_folder)
    _show_left_out(screen, outlook, with_names=with_names)


def show_away(screen: Screen, pair: PairSettings, age_s: float) -> None:
    """A night that would find the secondary away, as it may be."""
    screen.heading(f"{pair.name}: nothing tonight")
    screen.text(words.away(pair.name, age_s, pair.may_be_absent.total_seconds()))


def _show_verdict(screen: Screen, outlook: Outlook, found: Forecast) -> None:
    if outlook.hold_reasons:
        reasons = "; ".join(show_text(each) for each in outlook.hold_reasons)
        screen.point(f"It would be held, and would only add what is new: {reasons}.", state="attention")
    elif outlook.may_hold_reasons:
        screen.point("It would be held if the files that are to be looked at again turn out to have changed.")
    if outlook.released:
        screen.point("A held night was released: what it held back is carried out.")
    if not outlook.clock_ok:
        screen.point("The clock does not fit the dates of the last nights: nothing would expire.", state="attention")
    if outlook.room.missing_bytes:
        missing = format_size(outlook.room.missing_bytes)
        screen.point(f"It would not fit: {missing} are missing on the secondary, above keep_free.", state="failed")
    elif outlook.room.missing_inodes:
        screen.point(
            f"It would not fit: the secondary has no room for {counted(outlook.room.missing_inodes, 'more name')}.",
            state="failed",
        )
    else:
        freed = outlook.room_freed_bytes
        made = "" if not freed else f", once {format_size(freed)} of the oldest retired versions made room"
        screen.point(f"It fits{made}.")
    if found.takes_s is None:
        why = "no night has run" if outlook.is_first else "no night has copied anything"
        screen.point(f"How long it would take is not known yet: {why}.")
    else:
        screen.point(f"It would take about {format_duration(found.takes_s)}, at the pace of earlier nights.")


def _line(expected: Expected) -> str:
    slash = "/" if expected.is_folder else ""
    size = "" if expected.is_folder or expected.kind == METADATA else format_size(expected.size_bytes)
    source = "" if expected.source is None else f"{show_name(expected.source)}{slash} → "
    kind = KIND_SHOWN.get(expected.kind, expected.kind)
    return f"{kind:<10} {size:>11}  {source}{show_name(expected.path)}{slash}"


def _show_left_out(screen: Screen, outlook: Outlook, *, with_names: bool) -> None:
    for kind, count in left_out_counts(outlook.left_out).items():
        screen.text(f"Would not be copied, {kind}: {format_count(count)}")
        shown = [each for each in outlook.left_out if each.kind == kind]
        for each in shown if with_names else shown[:NAMES_SHOWN]:
            screen.line(f"    {show_name(each.path)}: {show_text(each.detail)}")
        if count > NAMES_SHOWN and not with_names:
            screen.text(f"    and {format_count(count - NAMES_SHOWN)} more; --all lists them.")
