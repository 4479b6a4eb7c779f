"""What a night came to, in sentences: what happened, what it means, what to do."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from nightferry.reporting.audit.changes import NightReport, counted
from nightferry.reporting.look import moments
from nightferry.reporting.look.damage_words import damaged
from nightferry.reporting.standing.rehearsal_status import fact_of, is_failure, reason_of
from nightferry.reporting.standing.status import Reason
from nightferry.units import format_duration, format_moment, format_size, show_text

# What a night leaves uncopied, in its tally.
NOT_COPIED = ("unreadable", "unsettled", "refused", "no_room", "withheld")


def when(unix_s: float) -> str:
    """A moment in the machine's own zone, to the minute: "2026-05-03 02:30 +02:00"."""
    return moments.shown(unix_s)


def day(unix_s: float) -> str:
    """Its date."""
    return datetime.fromtimestamp(unix_s).strftime("%Y-%m-%d")


def zoned(unix_s: float) -> str:
    """With seconds and the machine's offset from UTC: "2026-05-03 02:30:07 +02:00"."""
    return format_moment(datetime.fromtimestamp(unix_s).astimezone())


def ago(age_s: float) -> str:
    """How old something is: "3 d 04 h old" reads well for copies, and minutes for young ones."""
    return f"{format_duration(age_s)} old"


_OUTCOMES = {
    "complete": "complete",
    "partial": "partial",
    "held": "held",
    "interrupted": "interrupted",
    "failed": "failed",
}


def headline(report: NightReport) -> str:
    """ "recordings: night 12, complete"."""
    outcome = "without an end" if report.outcome is None else _OUTCOMES.get(report.outcome, show_text(report.outcome))
    return f"{report.pair}: night {report.number}, {outcome}"


def took(report: NightReport) -> str:
    """When it ran, and for how long."""
    if report.started_s is None:
        return ""
    if report.ended_s is None:
        return f"The night began at {zoned(report.started_s)}."
    took_s = max(0.0, report.ended_s - report.started_s)
    return f"The night began at {zoned(report.started_s)} and took {format_duration(took_s)}."


_CARRIES_ON = "What was finished is safe, and the next run carries on from there."
_MEANINGS = {
    "partial": "Most is on the secondary; what is not is named below, and older copies of it are kept as they were.",
    "held": "Nothing on the secondary was removed, replaced, moved or altered; only new files were copied.",
    "interrupted": f"The night stopped before its end. {_CARRIES_ON}",
    "failed": f"The night failed. {_CARRIES_ON}",
}


def meaning(report: NightReport) -> str:
    """What an outcome means for the files."""
    if report.outcome == "complete":
        as_of = "" if report.started_s is None else f", as of {when(report.started_s)}"
        return f"Everything that is to be copied is on the secondary{as_of}."
    if report.outcome == "partial" and report.open_damage and not any(report.tally.get(each) for each in NOT_COPIED):
        return "Everything but what is damaged is on the secondary; of what is damaged, nothing was carried across."
    return _MEANINGS.get(report.outcome or "", f"It was cut off, or is still under way. {_CARRIES_ON}")


def reasons(report: NightReport) -> tuple[Reason, ...]:
    """Why a run is not ``sound``, each with what to do; empty for one that is."""
    found: list[Reason] = []
    tally = report.tally
    if report.failure is not None:
        found.append(Reason("failed", sentence(report.failure)))
    if report.outcome == "held":
        found.append(Reason("held", held(report.pair, report.hold_reasons)))
    if report.open_damage:
        found.append(Reason("damage", damaged(report)))
    if (fact := fact_of(report.rehearsal)) is not None and is_failure(fact):
        found.append(reason_of(report.pair, fact))
    found += _overdue(report)
    found += _not_copied(tally, is_held=report.outcome == "held")
    if report.outcome == "interrupted":
        found.append(
            Reason(
                "interrupted",
                "The night stopped before its end; the next run carries on. If that happens night after night, make"
                " finish_by later.",
            )
        )
    return tuple(found)


def _overdue(report: NightReport) -> list[Reason]:
    """What was not read back within the cycle, though it was there; what is damaged is said as damage."""
    found = [(place, each) for place, each in report.coverage.items() if each.overdue_files]
    if sum(each.overdue_files for _, each in found) <= report.open_damage:
        return []
    told = ", ".join(
        f"{counted(each.overdue_files, 'file')} ({format_size(each.overdue_bytes)}) on the {place}"
        if place != "retired"
        else f"{counted(each.overdue_files, 'retired version')} ({format_size(each.overdue_bytes)})"
        for place, each in found
    )
    days = format_duration(report.verify_cycle_s)
    return [
        Reason(
            "overdue",
            f"Not read back within verify_cycle ({days}): {told}. The oldest come first each night; give it more time"
            " (finish_by, verify_share), lengthen verify_cycle, or read them now with"
            f" `nightferry verify {report.pair}`.",
        )
    ]


def held(pair: str, why: Iterable[str]) -> str:
    """Why a night was held, and how it goes on."""
    told = "; ".join(show_text(each) for each in why) or "too much changed at once"
    return (
        f"Held back: {told}. `nightferry tonight {pair}` shows what waits. If somebody meant to do that, let the next"
        f" night carry it out with `nightferry release {pair}`; if not, put the files back on the primary."
    )


def _not_copied(tally: dict[str, int], *, is_held: bool) -> list[Reason]:
    found = []
    count = tally.get
    if n := count("unreadable", 0):
        found.append(
            Reason(
                "unreadable",
                f"{counted(n, 'name')} could not be read; copies from earlier nights are kept. See to the rights on"
                " them, or to the primary drive.",
            )
        )
    if n := count("unsettled", 0):
        found.append(Reason("unsettled", f"{counted(n, 'name')} changed while being read; the next run tries again."))
    if n := count("refused", 0):
        found.append(
            Reason(
                "refused",
                f"{counted(n, 'name')} the secondary would not take; the list says why for each. Where its file system"
                " cannot hold a name, rename it or exclude it.",
            )
        )
    if n := count("no_room", 0):
        found.append(
            Reason(
                "no_room",
                f"There was no room for {counted(n, 'file')}: use a larger secondary, or lower keep_free or"
                " keep_retired.",
            )
        )
    n = count("withheld", 0)
    if n and not is_held:
        found.append(Reason("withheld", f"{counted(n, 'change')} had to wait for the next run."))
    return found


def kept(report: NightReport) -> str | None:
    """Until when what a run displaced is kept; None where nobody can tell yet."""
    if report.kept is None:
        return None
    until, at_least = day(report.kept.until_s), day(report.kept.at_least_until_s)
    early = "" if at_least >= until else f" (from {at_least} on, should the secondary need room)"
    return (
        f"Removed and replaced versions are kept until {until} at the earliest{early}, and for"
        f" {counted(report.kept.nights, 'completed night')} after this one."
    )


def room(free_bytes: int, total_bytes: int) -> str:
    """The room on the secondary."""
    return f"{format_size(free_bytes)} of {format_size(total_bytes)} free on the secondary"


def away(pair: str, age_s: float, may_be_absent_s: float) -> str:
    """A secondary that may be away."""
    return (
        f"The secondary of {pair} is away, as it may be: its copy is {ago(age_s)}, and it has to be back before the"
        f" copy is {format_duration(may_be_absent_s)} old."
    )


def away_too_long(age_s: float | None, may_be_absent_s: float) -> str:
    """What follows the error on an absent secondary that is not allowed to be away."""
    if may_be_absent_s <= 0:
        return ""
    if age_s is None:
        return " It may only be away once a night was completed on it, and while the clock is right."
    return f" Its copy is {ago(age_s)}, and may_be_absent allows {format_duration(may_be_absent_s)}."


def sentence(text: str) -> str:
    """With a capital at its start and a full stop at its end."""
    text = text.strip()
    if not text:
        return text
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?:" else ".")
