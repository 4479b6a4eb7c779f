"""What is said of tonight: the outlook, with the time it would take, as plain values."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nightferry.errors import NightferryError
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.records import LeftOut, Run
from nightferry.night.outlook import ADDED, CHANGED, KINDS, Expected, Outlook
from nightferry.night.preflight import state_folder
from nightferry.planning.absence import absence
from nightferry.planning.pace import NIGHTS, Measured, copy_seconds
from nightferry.reporting.audit.folders import FolderSums
from nightferry.reporting.look import exits
from nightferry.reporting.screens.night_json import folders_as_json, left_out_as_json
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects
from nightferry.units import json_name

_NAMES_LIMIT = 20
# What a night is never shorter than, and is not measured by the pace of copying: settling apart, these phases.
_COPYING = "copy"


@dataclass
class Forecast:
    """``takes_s``: the whole night, by what earlier nights took; None: no night has copied anything yet."""

    takes_s: float | None
    by_folder: FolderSums
    folders: dict[str, int]  # by kind
    exit_code: int


def forecast(outlook: Outlook, settings: PairSettings) -> Forecast:
    """One pass over what would change."""
    by_folder = FolderSums()
    folders = dict.fromkeys(KINDS, 0)
    for expected in outlook.changes():
        if expected.is_folder:
            folders[expected.kind] += 1
        else:
            by_folder.add(expected.kind, expected.path, expected.size_bytes)
    wants_attention = bool(outlook.hold_reasons) or not outlook.room.fits
    code = exits.ATTENTION if wants_attention else exits.SOUND
    return Forecast(_takes_s(outlook, settings), by_folder, folders, code)


def _takes_s(outlook: Outlook, settings: PairSettings) -> float | None:
    files = outlook.totals[ADDED][0]
    size_bytes = outlook.totals[ADDED][1]
    if not outlook.hold_reasons:
        files += outlook.totals[CHANGED][0]
        size_bytes += outlook.totals[CHANGED][1]
    earlier = [measured for _, measured in zip(range(NIGHTS), _measured(outlook.runs()), strict=False)]
    if not earlier:
        return None
    copy_s = copy_seconds(files, size_bytes, earlier) if files else 0.0
    if copy_s is None:
        return None
    # What a night does beside copying, as in the newest one that was timed.
    beside_s = max(0.0, earlier[0].whole_s - earlier[0].copy_s)
    return copy_s + max(beside_s, outlook.scan_s + settings.settle_quiet.total_seconds())


def _measured(runs: Iterator[Run]) -> Iterator[Measured]:
    for run in runs:
        try:
            summary = json.loads(run.summary)
            phases, tally = summary["phase_s"], summary["tally"]
            yield Measured(
                files=int(tally["added"]) + int(tally["changed"]),
                size_bytes=int(tally["written_bytes"]),
                copy_s=float(phases.get(_COPYING, 0.0)),
                whole_s=sum(float(each) for each in phases.values()),
            )
        except (ValueError, KeyError, TypeError, AttributeError):
            continue  # a run that was cut off has no summary


def copy_age(settings: PairSettings, state_dir: Path, now_s: float) -> float | None:
    """How old the copy on an absent secondary is, where it may be away; else None."""
    path = state_folder(state_dir, settings.name) / FILE_NAME
    if not path.exists():
        return None
    try:
        with Manifest.look(path, Effects(), in_use=False) as manifest:
            last = manifest.runs.last_complete()
    except NightferryError:
        return None
    found = absence(None if last is None else last.ended_s, now_s, settings.may_be_absent.total_seconds())
    return found.age_s if found.allowed else None


# --- as JSON


def expected_as_json(expected: Expected) -> dict[str, Any]:
    """One change that tonight would make."""
    return {
        "kind": expected.kind,
        **json_name(expected.path),
        "from": None if expected.source is None else json_name(expected.source),
        "bytes": expected.size_bytes,
        "folder": expected.is_folder,
    }


def outlook_as_json(outlook: Outlook | None, found: Forecast | None) -> dict[str, Any]:
    """All but the names; with empty values where no look was possible."""
    document: dict[str, Any] = {
        "pair": None, "exit_code": None, "error": None, "copy_age_s": None, "first_night": None, "cut_off": None,
        "counts": {}, "folders": [], "not_copied": {}, "not_copied_names": [], "would_be_held": None,
        "hold_reasons": [], "may_be_held": None, "may_hold_reasons": [], "released": None, "fits": None,
        "needed_bytes": None, "missing_bytes": None, "missing_inodes": None, "freed_bytes": None, "clock_ok": None,
        "takes_s": None,
    }  # fmt: skip
    if outlook is None or found is None:
        return document
    not_copied = left_out_counts(outlook.left_out)
    document |= {
        "pair": outlook.pair,
        "exit_code": found.exit_code,
        "first_night": outlook.is_first,
        "cut_off": outlook.cut_off,
        "counts": {
            kind: {"files": files, "bytes": size_bytes, "folders": found.folders[kind]}
            for kind, (files, size_bytes) in outlook.totals.items()
        },
        "folders": folders_as_json(found.by_folder),
        "not_copied": not_copied,
        "not_copied_names": [left_out_as_json(each) for each in outlook.left_out[:_NAMES_LIMIT]],
        "would_be_held": bool(outlook.hold_reasons),
        "hold_reasons": outlook.hold_reasons,
        "may_be_held": bool(outlook.may_hold_reasons),
        "may_hold_reasons": outlook.may_hold_reasons,
        "released": outlook.released,
        "fits": outlook.room.fits,
        "needed_bytes": outlook.need.room_bytes,
        "missing_bytes": outlook.room.missing_bytes,
        "missing_inodes": outlook.room.missing_inodes,
        "freed_bytes": outlook.room_freed_bytes,
        "clock_ok": outlook.clock_ok,
        "takes_s": None if found.takes_s is None else round(found.takes_s, 1),
    }
    return document


def left_out_counts(found: list[LeftOut]) -> dict[str, int]:
    """Names by kind."""
    counts: dict[str, int] = {}
    for each in found:
        counts[each.kind] = counts.get(each.kind, 0) + 1
    return dict(sorted(counts.items()))
