"""What is out of the ordinary about one night, found by queries: damage and what became of it, dates, new endings."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from nightferry.manifest.manifest import Manifest

# Longer ones are no kinds of file, but names with a dot in them.
_ENDING_BYTES = 10


class DamageStory(NamedTuple):
    """Damage that a night found, ended or left open. ``closed_run``, ``became`` are None while it is open."""

    path: bytes
    side: str
    verdict: str
    detail: str
    found_run: int
    closed_run: int | None
    became: str | None


class OldDate(NamedTuple):
    """A file whose content changed while its date did not grow newer. Dates are Unix time in nanoseconds."""

    path: bytes
    before_ns: int
    after_ns: int
    size_bytes: int  # before


def damage_around(manifest: Manifest, run: int, limit: int) -> tuple[int, list[DamageStory]]:
    """How much damage was open during a run or was found or ended by it, and the first ``limit`` of it."""
    return _damage(manifest, "found_run <= :run AND (closed_run IS NULL OR closed_run >= :run)", run, limit)


def damage_ended(manifest: Manifest, run: int, limit: int) -> tuple[int, list[DamageStory]]:
    """How much damage a run ended, also such as was found before it, and the first ``limit`` of it."""
    return _damage(manifest, "closed_run = :run", run, limit)


def _damage(manifest: Manifest, where: str, run: int, limit: int) -> tuple[int, list[DamageStory]]:
    one = manifest.database.connection.execute
    count = one(f"SELECT count(*) FROM damage WHERE {where}", {"run": run}).fetchone()[0]
    rows = one(
        f"SELECT path, side, verdict, detail, found_run, closed_run, became FROM damage WHERE {where}"
        " ORDER BY closed_run IS NOT NULL, id LIMIT :limit",
        {"run": run, "limit": limit},
    )
    return int(count), [DamageStory(*row) for row in rows]


def changed_under_old_date(manifest: Manifest, run: int) -> Iterator[OldDate]:
    """Files that a run replaced by other content with the same date, or an older one. Streamed."""
    rows = manifest.database.connection.execute(
        "SELECT was.entry, was.mtime_ns, was.size_bytes, coalesce("
        " (SELECT later.mtime_ns FROM past AS later WHERE later.entry = was.entry AND later.until > was.until"
        "  ORDER BY later.until, later.id LIMIT 1), (SELECT entry.mtime_ns FROM entry WHERE entry.id = was.entry))"
        " FROM past AS was WHERE was.until = ? AND was.reason = 'changed' AND was.kind = 2 AND was.since < was.until"
        " ORDER BY was.id",
        (run,),
    )
    for entry, before, size_bytes, after in rows:
        if after is None or int(after) > int(before):
            continue
        place = manifest.past.place_after(entry, run)
        if place is not None:
            yield OldDate(manifest.past.path_as_of(*place, run), int(before), int(after), int(size_bytes))


def ending_of(name: bytes) -> bytes | None:
    """What follows the last dot, in lower case: b"wav". None where a name has none, or one that says no kind."""
    stem, dot, ending = name.rpartition(b".")
    if not dot or not stem or not ending or len(ending) > _ENDING_BYTES or ending.isdigit():
        return None
    return ending.lower()


def endings_never_seen(manifest: Manifest, run: int, endings: set[bytes]) -> set[bytes]:
    """Those that no file had before a run. Reads names until each of the others has been met: mostly a few."""
    left = set(endings)
    rows = manifest.database.connection.execute(
        "SELECT name FROM entry WHERE kind = 2 AND born < ?1"
        " UNION ALL SELECT name FROM past WHERE kind = 2 AND born < ?1",
        (run,),
    )
    for (name,) in rows:
        if not left:
            break
        left.discard(ending_of(name) or b"")
    return left
