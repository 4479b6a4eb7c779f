"""Measured rates with their spread, and whether they are what such drives should give."""

from __future__ import annotations

from typing import Any

from nightferry.manifest.rates import Spread
from nightferry.night.measuring import Measured
from nightferry.night.situation import Known
from nightferry.planning.expectation import judge
from nightferry.reporting.look.decimal_units import rate, rates
from nightferry.reporting.look.terminal import Screen
from nightferry.volumes.sysfs import Disk


def _parts(measured: Measured) -> list[tuple[str, str, Spread | None, str | None]]:
    """Key, words, rates, and of which drive they are."""
    return [
        ("primary_read", "Primary, read", measured.primary_read, "primary"),
        ("secondary_write", "Secondary, written", measured.secondary_write, "secondary"),
        ("secondary_read", "Secondary, read", measured.secondary_read, "secondary"),
        ("both_read", "Both read at once", measured.both_read, None),
        ("copy", "Read and written at once", measured.copy, None),
        ("hash", "Checksums, one core", measured.hash, None),
    ]


def show_measured(screen: Screen, measured: Measured, disks: dict[str, Disk]) -> None:
    """The spread is that of the quartiles of half seconds."""
    screen.table(
        ["Measured", ">rate", ">between"],
        [
            [words, "not known" if found is None else rate(found.median), _between(found)]
            for _, words, found, _ in _parts(measured)
        ],
    )
    for _, words, found, role in _parts(measured):
        if found is not None and role is not None:
            screen.point(f"{words}: {judge(found.median, disks.get(role))}.")
    if not measured.direct:
        screen.point("A cache could not be passed by; its pages were dropped before, which says a little less.")


def show_nights(screen: Screen, known: Known) -> None:
    """The same of the nights so far."""
    past = known.history
    found = [
        ("Copying, both drives", past.copy),
        ("Reading back", past.read_back),
        ("Verifying the primary", past.verify_primary),
        ("Verifying the secondary", past.verify_secondary),
    ]
    rows = [
        [words, rate(each.median), _between(each), str(each.count)] for words, each in found if each is not None
    ]  # fmt: skip
    if rows:
        screen.table(["Reached by nights", ">rate", ">between", ">nights"], rows)


def _between(found: Spread | None) -> str:
    return "" if found is None else rates(found.low, found.high)


def measured_as_json(measured: Measured | None, disks: dict[str, Disk]) -> dict[str, Any] | None:
    """Null where nothing was measured."""
    if measured is None:
        return None
    document: dict[str, Any] = {"measured_s": round(measured.measured_s), "direct": measured.direct}
    for key, _, found, role in _parts(measured):
        document[key] = spread_as_json(found)
        if role is not None:
            document[f"{key}_judged"] = None if found is None else judge(found.median, disks.get(role))
    return document


def nights_as_json(known: Known) -> dict[str, Any]:
    """Rates of nights, by phase."""
    past = known.history
    return {
        "copy": spread_as_json(past.copy),
        "read_back": spread_as_json(past.read_back),
        "verify_primary": spread_as_json(past.verify_primary),
        "verify_secondary": spread_as_json(past.verify_secondary),
    }


def spread_as_json(found: Spread | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {"median": round(found.median), "low": round(found.low), "high": round(found.high), "count": found.count}
