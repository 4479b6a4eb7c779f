"""What a command by hand found or mended, in the status file: a monitor does not wait for the next night."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from nightferry.errors import NightferryError
from nightferry.night.preflight import lock_pair
from nightferry.reporting.audit.changes import counted
from nightferry.reporting.standing import status
from nightferry.reporting.standing.coverage import Covered
from nightferry.reporting.standing.status import ATTENTION, SOUND, Reason
from nightferry.volumes.lock import REPORT

_CODE = "damage"


def leave_damage(state_dir: Path, pair: str, open_count: int, now_s: float, *, coverage: Covered | None = None) -> None:
    """Enters how much damage is open. Never makes a state better: only a night that did its work writes ``sound``.

    ``coverage``: what was read back by now, where that is known. Where the status cannot be written, the next night
    writes it.
    """
    with suppress(NightferryError, OSError, ValueError), lock_pair(state_dir, pair, REPORT) as folder:
        found = status.read(folder)
        if found is None or found.run is not None:
            return
        if coverage:
            found = replace(found, coverage=dict(coverage))
        others = tuple(reason for reason in found.reasons if reason.code != _CODE)
        if open_count == 0:
            if others == found.reasons:
                if found.open_damage != 0 or coverage:
                    status.write(folder, replace(found, open_damage=0, written=status.moment(now_s)))
                return
            told = "The damage was mended or accepted since; the next night confirms it."
        else:
            told = (
                f"{counted(open_count, 'name is', 'names are')} damaged; `nightferry mend {pair}` shows each of them"
                " and what can be done."
            )
        state = ATTENTION if found.state == SOUND else found.state
        reasons = (*others, Reason(_CODE, told))
        status.write(
            folder,
            replace(found, state=state, reasons=reasons, open_damage=open_count, written=status.moment(now_s)),
        )
