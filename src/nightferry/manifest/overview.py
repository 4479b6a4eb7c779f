"""What a manifest says of its pair in a few numbers: enough for a person to recognise it and to see how old it is."""

from __future__ import annotations

from typing import NamedTuple

from nightferry.manifest.manifest import Manifest


class Overview(NamedTuple):
    """``files`` and ``size_bytes`` are of the copy, symlinks included; ``kept_versions`` stand in ``retired/``.

    ``run`` is the number of the last run, None where none is known; ``ended_s`` when it ended, or began where it has
    no end, Unix time by the clock of the box that ran it. ``is_held``: a hold is open that nobody has released.
    """

    generation: int
    files: int
    size_bytes: int
    kept_versions: int
    run: int | None
    outcome: str | None
    ended_s: float | None
    open_damage: int
    is_held: bool


def overview(manifest: Manifest) -> Overview:
    """One pass over the names."""
    files, size_bytes = manifest.entries.totals()
    last, hold = manifest.runs.last(), manifest.runs.open_hold()
    kept = manifest.database.connection.execute("SELECT count(*) FROM past WHERE held IS NOT NULL").fetchone()[0]
    return Overview(
        generation=manifest.generation,
        files=files,
        size_bytes=size_bytes,
        kept_versions=kept,
        run=None if last is None else last.number,
        outcome=None if last is None else last.outcome,
        ended_s=None if last is None else last.ended_s or last.started_s,
        open_damage=len(manifest.runs.open_damage()),
        is_held=hold is not None and hold.released_s is None,
    )
