"""How much of each place was read back within the cycle, and how long ago: as JSON, and back from it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from nightferry.manifest.covered import AGE_EDGES_S, PLACES, Coverage, Place
from nightferry.reporting.look.moments import moment, unix

Covered = Mapping[Place, Coverage]


def coverage_as_json(covered: Covered) -> dict[str, Any]:
    """By place, under the stable names; empty where nothing is known."""
    return {
        place: {
            "files": each.files,
            "files_total": each.files_total,
            "bytes": each.size_bytes,
            "bytes_total": each.total_bytes,
            "never_files": each.never_files,
            "overdue_files": each.overdue_files,
            "overdue_bytes": each.overdue_bytes,
            "oldest": None if each.oldest_s is None else moment(each.oldest_s),
            "ages": [
                {"younger_than_s": edge_s, "files": files, "bytes": size_bytes}
                for edge_s, (files, size_bytes) in zip((*AGE_EDGES_S, None), each.ages, strict=True)
            ],
        }
        for place, each in covered.items()
    }


def coverage_from_json(found: object) -> dict[Place, Coverage]:
    """What ``coverage_as_json`` gave. Raises ``TypeError``, ``ValueError`` and ``KeyError`` for anything else."""
    if found is None:
        return {}
    if not isinstance(found, dict):
        raise TypeError("coverage by place")
    covered: dict[Place, Coverage] = {}
    for place in PLACES:
        if (each := found.get(place)) is None:
            continue
        ages = tuple((_count(age["files"]), _count(age["bytes"])) for age in each["ages"])
        if len(ages) != len(AGE_EDGES_S) + 1:
            raise ValueError("other ages")
        covered[place] = Coverage(
            _count(each["files"]), _count(each["files_total"]), _count(each["bytes"]), _count(each["bytes_total"]),
            _count(each["never_files"]), _count(each["overdue_files"]), _count(each["overdue_bytes"]),
            None if each["oldest"] is None else unix(each["oldest"]), ages,
        )  # fmt: skip
    return covered


def _count(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or value < 0:
        raise TypeError("not a count")
    return value
