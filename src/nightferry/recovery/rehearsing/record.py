"""What a rehearsal leaves in the pair's own manifest: its outcome, and the damage that it found."""

from __future__ import annotations

import json
import secrets
from datetime import UTC, datetime

from nightferry.manifest.fixity import Fixity
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.rehearsals import Rehearsals, Rehearsed
from nightferry.planning.rehearsal_due import TRIES, Last
from nightferry.recovery.rehearsing.result import FAILURES, Mismatch, Rehearsal
from nightferry.settings import PairSettings
from nightferry.tree.metadata import Kind

FOUND_BY = "rehearsal"
_VERDICTS = {"decayed": "decayed", "missing": "missing", "unreadable": "unreadable"}


def new_rehearsal(
    settings: PairSettings, run: int, now_s: float, share: float, *, seed: int | None = None, stamp: str | None = None
) -> Rehearsal:
    """One that is to begin. ``stamp``: of the run that it belongs to; made of the moment where it is made by hand."""
    if stamp is None:
        stamp = f"{run:06d}-{datetime.fromtimestamp(now_s, UTC):%Y-%m-%dT%H%M%SZ}"
    chosen = secrets.randbits(64) if seed is None else seed
    return Rehearsal(settings.name, stamp, run, now_s, chosen, share, settings.rehearse_limit)


def last_of(manifest: Manifest) -> Last | None:
    """What ``planning/rehearsal_due.py`` wants to know."""
    newest = Rehearsals(manifest.database).newest(TRIES)
    if not newest:
        return None
    in_vain = next(
        (number for number, made in enumerate(newest) if not made.out_of_time and made.outcome not in FAILURES),
        len(newest),
    )
    return Last(newest[0].ended_s, newest[0].run, in_vain)


def enter(manifest: Manifest, rehearsal: Rehearsal) -> int:
    """Enters the outcome, and in the damage register what is bad on the secondary; returns how much is new there."""
    Rehearsals(manifest.database).enter(
        Rehearsed(
            rehearsal.stamp, rehearsal.run, rehearsal.began_s, rehearsal.ended_s, rehearsal.outcome,
            rehearsal.out_of_time, json.dumps(rehearsal.summary()),
        )
    )  # fmt: skip
    return sum(_enter_damage(manifest, rehearsal, mismatch) for mismatch in rehearsal.mismatches)


def _enter_damage(manifest: Manifest, rehearsal: Rehearsal, mismatch: Mismatch) -> bool:
    verdict = _VERDICTS.get(mismatch.what)
    if verdict is None or not mismatch.name:
        return False  # nothing is wrong with the file on the secondary
    runs, fixity = manifest.runs, Fixity(manifest.database)
    if mismatch.side == "secondary":
        entry = manifest.entries.find(mismatch.name)
        if entry is None or entry.stat.kind is Kind.FOLDER:
            return False
        fixity.mark_bad("secondary", "entry", entry.id)
    if runs.is_damaged(mismatch.name, mismatch.side):
        return False
    runs.find_damage(mismatch.name, mismatch.side, verdict, FOUND_BY, rehearsal.run, rehearsal.ended_s, mismatch.detail)
    return True
