"""What a preflight found, for a person: the worst first, each with what it means and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from nightferry.planning.findings import Finding, State
from nightferry.reporting.look.terminal import Screen
from nightferry.units import format_count

_ORDER = (State.FAILURE, State.ATTENTION, State.NOTE, State.UNKNOWN, State.OK)
_COLOUR = {State.FAILURE: "failed", State.ATTENTION: "attention", State.OK: "sound"}
_HEADINGS = {
    State.FAILURE: "Keeps the night from running",
    State.ATTENTION: "Wants attention",
    State.NOTE: "Good to know",
    State.UNKNOWN: "Not known",
    State.OK: "Fine",
}


def show_findings(screen: Screen, title: str, findings: Sequence[Finding]) -> None:
    """All findings of one pair, or of the box."""
    worst = next((state for state in _ORDER if any(each.state is state for each in findings)), State.OK)
    screen.heading(f"{title}: {_summary(findings)}", _COLOUR.get(worst, "sound"))
    for state in _ORDER:
        chosen = [each for each in findings if each.state is state]
        if not chosen:
            continue
        screen.text(_HEADINGS[state], style="bold")
        for each in chosen:
            screen.point(_sentence(each), state=_COLOUR.get(state))


def _sentence(each: Finding) -> str:
    about = "" if each.about in ("box", "pair") else f"{each.about}: "
    if each.state is State.UNKNOWN:
        first = f"{about}{each.found}: {each.meaning}"
        return f"{first} {each.todo}".rstrip()
    said = " ".join(part for part in (f"{about}{each.found}", each.meaning) if part)
    return f"{said}\nWhat to do: {each.todo}" if each.todo else said


def _summary(findings: Sequence[Finding]) -> str:
    counts = {state: sum(each.state is state for each in findings) for state in _ORDER}
    if counts[State.FAILURE]:
        return "a night cannot run"
    parts = []
    if counts[State.ATTENTION]:
        what = "thing wants" if counts[State.ATTENTION] == 1 else "things want"
        parts.append(f"{format_count(counts[State.ATTENTION])} {what} attention")
    else:
        parts.append("ready")
    if counts[State.UNKNOWN]:
        parts.append(f"{format_count(counts[State.UNKNOWN])} not known")
    return ", ".join(parts)


def finding_as_json(each: Finding) -> dict[str, Any]:
    """One finding."""
    return {
        "state": each.state.value.replace(" ", "_"),
        "code": each.code,
        "about": each.about,
        "found": each.found,
        "meaning": each.meaning or None,
        "todo": each.todo or None,
    }
