"""A released hold in the status file: until the next run it is no longer a person who is waited for."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from nightferry.reporting.standing import status
from nightferry.reporting.standing.status import Reason


def leave_released(folder: Path, night: int, now_s: float) -> None:
    """Enters in the pair's status that the hold of a night was released. To be called with the pair's lock.

    The state stays as it is: only a run that did its work writes ``sound``. Where the status cannot be read or written,
    the next night writes it.
    """
    with suppress(OSError, ValueError):
        found = status.read(folder)
        if found is None or not any(reason.code == "held" for reason in found.reasons):
            return
        released = Reason(
            "released", f"Night {night} was held, and somebody has released it since: the next run carries it out."
        )
        reasons = tuple(released if reason.code == "held" else reason for reason in found.reasons)
        hold = None if found.hold is None else replace(found.hold, released=True)
        status.write(folder, replace(found, reasons=reasons, hold=hold, written=status.moment(now_s)))
