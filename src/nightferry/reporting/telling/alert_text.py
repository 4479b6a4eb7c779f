"""An alert in words: a title that fits a telephone, and a text that says why and what to do."""

from __future__ import annotations

import os
from collections.abc import Sequence

from nightferry.planning.alerting import Kind
from nightferry.reporting.standing.status import FAILED, SOUND, Reason, Status, shown_moment
from nightferry.units import format_size, show_text

# Services cut long ones off, somewhere.
_REASONS_SAID = 12
_LONGEST_SENTENCE = 600


def title(pair: str, kind: Kind, state: str) -> str:
    """Which machine, which pair, what about it."""
    if kind == "well":
        said = "is well again"
    elif state == SOUND:
        said = "had a sound night"
    else:
        said = "has failed" if state == FAILED else "wants attention"
    return f"nightferry on {show_text(os.uname().nodename)}: {pair} {said}"


def text(pair: str, reasons: Sequence[Reason], found: Status | None) -> str:
    """The reasons, then how the pair stands."""
    lines = [f"- {_short(reason.sentence)}" for reason in reasons[:_REASONS_SAID]]
    if len(reasons) > _REASONS_SAID:
        lines.append(f"- and {len(reasons) - _REASONS_SAID} more reasons.")
    if lines:
        lines.append("")
    if found is not None:
        if found.last_run is not None:
            ended = found.last_run.ended or found.last_run.started
            outcome = show_text(found.last_run.outcome or "cut off")
            lines.append(f"Last night: {found.last_run.number}, {outcome}, {shown_moment(ended)}")
        as_of = "nothing yet" if found.protected_as_of is None else shown_moment(found.protected_as_of)
        lines.append(f"Protected as of: {as_of}")
        if found.secondary_room is not None:
            room = found.secondary_room
            lines.append(f"Free on the secondary: {format_size(room.free_bytes)} of {format_size(room.total_bytes)}")
    lines.append(f"More: `nightferry status {pair}`")
    return "\n".join(lines)


def _short(sentence: str) -> str:
    shown = sentence if sentence.isprintable() else show_text(sentence)
    return shown if len(shown) <= _LONGEST_SENTENCE else shown[:_LONGEST_SENTENCE] + " …"
