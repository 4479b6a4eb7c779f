"""The restore-test report as JSON; ``schemas/rehearsal.schema.json`` is its schema (JSON Schema 2020-12)."""

from __future__ import annotations

import json
from collections import Counter
from importlib.resources import files
from typing import Any

from nightferry.planning.assurance import Assurance
from nightferry.planning.restore_time import GIGABIT_SHARE_BYTES_PER_S
from nightferry.recovery.rehearsing.result import Rehearsal, Tested
from nightferry.reporting.look.moments import moment
from nightferry.reporting.screens import rehearsal_words
from nightferry.units import json_name

FORMAT = 1
# Restored names that are listed one by one; more are counted.
NAMES_LIMIT = 2_000


def schema() -> dict[str, Any]:
    """The published schema. It is part of the package, so that a report can be checked without a network."""
    text = files("nightferry.reporting").joinpath("schemas/rehearsal.schema.json").read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(text)
    return found


def as_json(rehearsal: Rehearsal) -> dict[str, Any]:
    """Under the stable names."""
    pace, whole, population = rehearsal.pace, rehearsal.whole, rehearsal.population
    restored, streamed = rehearsal.restored(streamed=False), rehearsal.restored(streamed=True)
    return {
        "format": FORMAT,
        "pair": rehearsal.pair,
        "stamp": rehearsal.stamp,
        "run": rehearsal.run,
        "began": moment(rehearsal.began_s),
        "ended": moment(rehearsal.ended_s),
        "outcome": rehearsal.outcome,
        "secondary_alone_was_enough": rehearsal.impossible is None and not rehearsal.mismatches,
        "impossible": rehearsal.impossible,
        "stopped": rehearsal.stopped,
        "secondary": {
            "file_system": rehearsal.found.file_system,
            "manifest": rehearsal.found.which,
            "generation": rehearsal.found.generation,
            "last_run": rehearsal.found.last_run,
            "notes": rehearsal.found.notes,
        },
        "population": {
            "files": population.files,
            "bytes": population.size_bytes,
            "retired_files": population.retired_files,
            "retired_bytes": population.retired_bytes,
        },
        "wanted": {
            "share": rehearsal.share,
            "confidence": next((each.confidence for each in rehearsal.assurances), None),
            "limit_bytes": rehearsal.limit_bytes,
            "seed": str(rehearsal.seed),
        },
        "reasons": [{"why": why, "files": n} for why, n in sorted(_reasons(rehearsal).items())],
        "restored": {
            "files": restored[0],
            "bytes": restored[1],
            "streamed_files": streamed[0],
            "streamed_bytes": streamed[1],
            "folders": rehearsal.folders,
            "scratch": {
                "file_system": rehearsal.place.file_system,
                "room_bytes": rehearsal.place.room_bytes,
                "in_memory": rehearsal.place.in_memory,
                "why_none": rehearsal.place.why_none,
                "cannot_hold": dict(sorted(rehearsal.lost.items())),
            },
        },
        "names": [_tested(each) for each in rehearsal.tested[:NAMES_LIMIT]],
        "names_not_listed": max(0, len(rehearsal.tested) - NAMES_LIMIT),
        "mismatches": [
            {**json_name(each.path), "side": each.side, "what": each.what, "detail": each.detail}
            for each in rehearsal.mismatches
        ],
        "statements": [_statement(each) for each in rehearsal.assurances],
        "rate": {
            "bytes_per_s": None if pace.rate_bytes_per_s is None else round(pace.rate_bytes_per_s),
            "per_file_s": round(pace.per_file_s, 6),
            "measured_s": round(rehearsal.read_s, 3),
            "past_cache": rehearsal.past_cache,
        },
        "whole_restore": None
        if whole is None
        else {
            "files": whole.files,
            "bytes": whole.size_bytes,
            "local_s": _rounded(whole.local_s),
            "network_s": _rounded(whole.network_s),
            "network_bytes_per_s": round(GIGABIT_SHARE_BYTES_PER_S),
            "assumptions": rehearsal_words.assumptions(rehearsal),
        },
        "not_covered": rehearsal_words.not_covered(rehearsal),
    }


def _reasons(rehearsal: Rehearsal) -> Counter[str]:
    return Counter(why for each in rehearsal.tested for why in each.pick.why)


def _tested(tested: Tested) -> dict[str, Any]:
    pick = tested.pick
    return {
        **json_name(pick.path),
        "side": pick.side,
        "why": pick.why,
        "bytes": pick.size_bytes,
        "streamed": tested.streamed,
        "seconds": round(tested.seconds, 6),
        "right": tested.is_right,
    }


def _statement(assurance: Assurance) -> dict[str, Any]:
    return {
        "counted": assurance.counted,
        "population": assurance.population,
        "planned": assurance.planned,
        "done": assurance.done,
        "failed": assurance.failed,
        "confidence": assurance.confidence,
        "at_most": assurance.most,
        "at_most_share": assurance.share,
        "wanted_share": assurance.wanted_share,
        "reached": assurance.is_reached,
        "sentence": rehearsal_words.proved(assurance),
        "formula": rehearsal_words.formula(assurance),
        "source": rehearsal_words.source(assurance),
    }


def _rounded(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 3)
