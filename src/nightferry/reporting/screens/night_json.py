"""A night as plain values, under the stable names of ``--json``."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from nightferry.manifest.night_findings import DamageStory
from nightferry.manifest.records import LeftOut
from nightferry.reporting.audit.changes import Change, NightReport, Totals
from nightferry.reporting.audit.folders import FolderSums
from nightferry.reporting.standing.coverage import coverage_as_json
from nightferry.reporting.standing.rehearsal_status import fact_of
from nightferry.reporting.standing.status import Reason, moment
from nightferry.units import json_name


def report_as_json(report: NightReport, reasons: tuple[Reason, ...]) -> dict[str, Any]:
    """All that is known of a night but its changes."""
    return {
        "pair": report.pair,
        "number": report.number,
        "outcome": report.outcome,
        "state": report.state,
        "started": _moment(report.started_s),
        "ended": _moment(report.ended_s),
        "not_copied": dict(sorted(report.left_out.items())),
        "not_copied_names": [left_out_as_json(each) for each in report.left_out_examples],
        "notes": report.notes,
        "hold_reasons": report.hold_reasons,
        "reasons": [reason._asdict() for reason in reasons],
        "open_damage": report.open_damage,
        "still_damaged": report.still_damaged,
        "damage": [_story(each) for each in report.damage],
        "damage_ended_count": report.damage_ended_count,
        "damage_ended": [_story(each) for each in report.damage_ended],
        "damage_since_count": report.damage_since_count,
        "damage_since": [_story(each) for each in report.damage_since],
        "drive_damage": [each._asdict() for each in report.drive_damage],
        "old_dates_count": report.old_dates_count,
        "old_dates": [{**json_name(each.path), "bytes_before": each.size_bytes} for each in report.old_dates],
        "kept_until": None if report.kept is None else _moment(report.kept.until_s),
        "kept_at_least_until": None if report.kept is None else _moment(report.kept.at_least_until_s),
        "coverage": coverage_as_json(report.coverage),
        "verify_cycle_s": report.verify_cycle_s or None,
        "rehearsal": None if (fact := fact_of(report.rehearsal)) is None else asdict(fact),
        "kept_nights": None if report.kept is None else report.kept.nights,
    }


def _story(each: DamageStory) -> dict[str, Any]:
    return {
        **json_name(each.path),
        "side": each.side,
        "verdict": each.verdict,
        "detail": each.detail,
        "closed_night": each.closed_run,
        "closed_by_command": each.by_hand,
        "became": each.became,
    }


def counts_of_tally(tally: dict[str, int]) -> dict[str, Any]:
    """Changes by kind, as the run counted them."""
    count = tally.get
    return {
        "added": _count(count("added", 0), count("added_bytes", 0), count("folders_added", 0)),
        "changed": _count(count("changed", 0), count("changed_bytes", 0), 0),
        "moved": _count(count("moved", 0), count("moved_bytes", 0), count("folders_moved", 0)),
        "removed": _count(count("removed", 0), count("removed_bytes", 0), count("folders_removed", 0)),
        "metadata": _count(count("metadata", 0), 0, count("folders_metadata", 0)),
    }


def counts_of_totals(totals: Totals, kinds: tuple[str, ...]) -> dict[str, Any]:
    """Changes by kind, as they stand in the manifest."""
    return {kind: _count(totals.files[kind], totals.size_bytes[kind], totals.folders[kind]) for kind in kinds}


def folders_as_json(sums: FolderSums) -> list[dict[str, Any]]:
    """Sums by folder, the largest first."""
    return [
        {**json_name(folder), "files": each.files, "bytes": each.size_bytes, "kinds": dict(sorted(each.kinds.items()))}
        for folder, each in sums.largest_first()
    ]


def change_as_json(change: Change) -> dict[str, Any]:
    """One change."""
    return {
        "kind": change.kind,
        **json_name(change.path),
        "from": None if change.source is None else json_name(change.source),
        "bytes": change.size_bytes,
        "bytes_before": change.before_bytes,
        "folder": change.is_folder,
        "kept": change.kept,
    }


def left_out_as_json(left: LeftOut) -> dict[str, Any]:
    """One name that was not copied."""
    return {"kind": left.kind, **json_name(left.path), "detail": left.detail}


def _count(files: int, size_bytes: int, folders: int) -> dict[str, int]:
    return {"files": files, "bytes": size_bytes, "folders": folders}


def _moment(unix_s: float | None) -> str | None:
    return None if unix_s is None else moment(unix_s)
