"""The last restore test in the status file, and in the report of its night."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from nightferry.errors import NightferryError
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.rehearsals import Rehearsals
from nightferry.night.preflight import lock_pair
from nightferry.recovery.rehearsing.result import Rehearsal
from nightferry.reporting.standing import status
from nightferry.reporting.standing.status import ATTENTION, SOUND, Reason, RehearsalFact
from nightferry.tree.effects import Effects
from nightferry.volumes.lock import REPORT

CODE = "rehearsal"
_FAILED = ("mismatches", "impossible")


def fact_of(summary: object) -> RehearsalFact | None:
    """From what a run or the manifest keeps of a rehearsal; None where that is none."""
    if not isinstance(summary, dict):
        return None
    try:
        return RehearsalFact(
            stamp=str(summary["stamp"]),
            ended=status.moment(float(summary["ended_s"])),
            outcome=str(summary["outcome"]),
            files=int(summary["files"]),
            bytes=int(summary["bytes"]),
            mismatches=int(summary["mismatches"]),
            confidence=_number(summary["confidence"]),
            files_share=_number(summary["files_share"]),
            bytes_share=_number(summary["bytes_share"]),
            rate_bytes_per_s=None if summary["rate_bytes_per_s"] is None else int(summary["rate_bytes_per_s"]),
            local_s=_number(summary["local_s"]),
            network_s=_number(summary["network_s"]),
        )
    except (KeyError, TypeError, ValueError, OverflowError, OSError):
        return None


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def last_fact(folder: Path, effects: Effects) -> RehearsalFact | None:
    """The pair's newest rehearsal by its manifest; None where there was none, or that cannot be read."""
    if not (folder / FILE_NAME).exists():
        return None
    with suppress(NightferryError, ValueError), Manifest.look(folder / FILE_NAME, effects, in_use=False) as manifest:
        for made in Rehearsals(manifest.database).newest():
            return fact_of(json.loads(made.summary))
    return None


def leave_rehearsal(state_dir: Path, pair: str, rehearsal: Rehearsal, now_s: float) -> None:
    """Enters one made by hand. Never makes a state better. Where the status cannot be written, the next night does."""
    fact = fact_of(rehearsal.summary())
    with suppress(NightferryError, OSError, ValueError), lock_pair(state_dir, pair, REPORT) as folder:
        found = status.read(folder)
        if found is None or found.run is not None:
            return
        others = tuple(reason for reason in found.reasons if reason.code != CODE)
        state, reasons = found.state, found.reasons
        if rehearsal.is_failure and fact is not None:
            state = ATTENTION if state == SOUND else state
            reasons = (*others, reason_of(pair, fact))
        status.write(folder, replace(found, state=state, reasons=reasons, rehearsal=fact, written=status.moment(now_s)))


def is_failure(fact: RehearsalFact | None) -> bool:
    """Whether somebody has to see to it."""
    return fact is not None and fact.outcome in _FAILED


def reason_of(pair: str, fact: RehearsalFact) -> Reason:
    """Why a pair wants attention after a rehearsal."""
    told = (
        "The restore test could not restore anything from the secondary alone"
        if fact.outcome == "impossible"
        else f"The restore test found {fact.mismatches} that did not come back right from the secondary"
    )
    return Reason(
        CODE,
        f"{told}: see records/reports/rehearsal-{fact.stamp}.txt there, and try again with `nightferry rehearse"
        f" {pair}` after the next night, which mends what it can.",
    )
