"""Whether tonight's date can be believed, and what is said about it."""

from __future__ import annotations

from datetime import UTC, datetime

from nightferry.manifest.manifest import Manifest
from nightferry.planning.dates import LONG_GAP_S, NIGHTS_ASKED, Judged, judge
from nightferry.units import format_duration, format_moment


def judge_date(manifest: Manifest, now_s: float) -> tuple[Judged, str]:
    """What the last nights say of it, and a sentence for a person, empty where there is nothing to say."""
    nights = manifest.runs.dates(NIGHTS_ASKED + 1)
    numbers, dates = [number for number, _ in nights], [date_s for _, date_s in nights]
    judged = judge(dates, now_s)
    if not judged.fits:
        latest = max(range(len(dates)), key=dates.__getitem__)
        return judged, (
            f"The clock says {_said(now_s)}, which is earlier than the date of night {numbers[latest]}"
            f" ({_said(dates[latest])}): one of the two is wrong. Nothing retired expires before more nights agree. If"
            " the clock is right now, nothing needs doing. If it is not, set it: a box without a battery for its clock"
            " should set it over the network before the night."
        )
    if judged.gap_s > LONG_GAP_S:
        return judged, (
            f"By its clock, this machine had no night for {format_duration(judged.gap_s)}. In case the clock is wrong,"
            " nothing retired expires tonight. If the machine was off for so long, nothing needs doing; otherwise set"
            " the clock."
        )
    if judged.odd and not judge(dates[:-1], dates[-1]).fits:
        told = ", ".join(f"{numbers[place]} ({_said(dates[place])})" for place in judged.odd)
        wrong = f"Night {told} has a wrong date" if len(judged.odd) == 1 else f"Nights {told} have wrong dates"
        return judged, f"{wrong}, as the nights around show. Old versions expire again. Nothing needs doing."
    return judged, ""


def _said(when_s: float) -> str:
    try:
        return format_moment(datetime.fromtimestamp(when_s, UTC).astimezone())
    except (ValueError, OverflowError, OSError):
        return "a date that is none"
