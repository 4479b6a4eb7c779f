"""Nights of a range, and the nights before one: for the audit and for what is drawn over time."""

from __future__ import annotations

from collections.abc import Iterator

from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import Run

_RUN = "number, stamp, started_s, ended_s, outcome, summary"
_MOST = (1 << 63) - 1


def nights_between(manifest: Manifest, first: int | None, last: int | None) -> Iterator[Run]:
    """Runs by number, both ends included, oldest first; None: from the first, or to the newest. Streamed."""
    for row in manifest.database.connection.execute(
        f"SELECT {_RUN} FROM run WHERE number BETWEEN ? AND ? ORDER BY number",
        (0 if first is None else first, _MOST if last is None else last),
    ):
        yield Run(*row)


def nights_up_to(manifest: Manifest, number: int, limit: int) -> list[Run]:
    """The last ``limit`` runs up to and with this one, oldest first."""
    rows = manifest.database.connection.execute(
        f"SELECT {_RUN} FROM run WHERE number <= ? ORDER BY number DESC LIMIT ?", (number, limit)
    ).fetchall()
    return [Run(*row) for row in reversed(rows)]


def last_complete_up_to(manifest: Manifest, number: int) -> Run | None:
    """The newest complete run up to and with this one."""
    row = manifest.database.connection.execute(
        f"SELECT {_RUN} FROM run WHERE number <= ? AND outcome = 'complete' ORDER BY number DESC LIMIT 1", (number,)
    ).fetchone()
    return None if row is None else Run(*row)
