"""What is out of the ordinary about one night, found by queries: damage and what became of it, dates, new endings."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from nightferry.manifest.manifest import Manifest
from nightferry.planning.recurring_damage import LOOK_BACK_S, DriveDamage

# Longer ones are no kinds of file, but names with a dot in them.
_ENDING_BYTES = 10

# What a command by hand closes bears the number of the night before it, as what that night itself closed does. They are
# told apart by what it says: night/register.py, recovery/mending/mend.py, recovery/verifying.py, manifest/rebase.py.
FOUND_BY_COMMAND = ", as a command found"
_BY_HAND = (
    f"(became LIKE '%{FOUND_BY_COMMAND}'"
    " OR became LIKE 'mended: %' OR became LIKE 'accepted%' OR became LIKE 'a person chose %'"
    " OR became LIKE 'the primary was replaced%' OR became LIKE 'its names can be listed again%'"
    " OR became LIKE 'gone: it stands there no more%'"
    # As commands said it before they had words of their own.
    " OR (became = 'reads back right again' AND found_run = closed_run))"
)


class DamageStory(NamedTuple):
    """Damage that a night found, ended or left open. ``closed_run``, ``became`` are None while it is open.

    ``found_s``: when it was found, Unix time. ``by_hand``: a command closed it, after the night ``closed_run``.
    """

    path: bytes
    side: str
    verdict: str
    detail: str
    found_run: int
    closed_run: int | None
    became: str | None
    found_s: float
    by_hand: bool


class OldDate(NamedTuple):
    """A file whose content changed while its date did not grow newer. Dates are Unix time in nanoseconds."""

    path: bytes
    before_ns: int
    after_ns: int
    size_bytes: int  # before


def damage_around(manifest: Manifest, run: int, limit: int) -> tuple[int, list[DamageStory]]:
    """How much damage was open during a run or was found or ended by it, and the first ``limit`` of it."""
    return _damage(manifest, "found_run <= :run AND (closed_run IS NULL OR closed_run >= :run)", run, limit)


def damage_left(manifest: Manifest, run: int, ended_s: float, limit: int) -> tuple[int, list[DamageStory]]:
    """What was open when a run ended, whatever became of it since; how much of it is open now, and the first ``limit``.

    Args:
        ended_s: when it ended, Unix time: commands by hand enter what they find under the number of the last run.
    """
    found = "(found_run < :run OR (found_run = :run AND found_s <= :ended_s))"
    still, _ = _damage(manifest, f"{found} AND closed_run IS NULL", run, 0, ended_s)
    then_open = f"(closed_run IS NULL OR closed_run > :run OR (closed_run = :run AND {_BY_HAND}))"
    return still, _damage(manifest, f"{found} AND {then_open}", run, limit, ended_s)[1]


def damage_since(manifest: Manifest, run: int, ended_s: float, limit: int) -> tuple[int, list[DamageStory]]:
    """What commands by hand found after a run and before the next one; its number, and the first ``limit`` of it."""
    return _damage(manifest, "found_run = :run AND found_s > :ended_s", run, limit, ended_s)


def damage_ended(manifest: Manifest, run: int, limit: int) -> tuple[int, list[DamageStory]]:
    """How much damage a run itself ended, also such as was found before it, and the first ``limit`` of it."""
    return _damage(manifest, f"closed_run = :run AND NOT {_BY_HAND}", run, limit)


def _damage(
    manifest: Manifest, where: str, run: int, limit: int, ended_s: float = 0.0
) -> tuple[int, list[DamageStory]]:
    one = manifest.database.connection.execute
    given = {"run": run, "ended_s": ended_s, "limit": limit}
    count = one(f"SELECT count(*) FROM damage WHERE {where}", given).fetchone()[0]
    rows = one(
        "SELECT path, side, verdict, detail, found_run, closed_run, became, found_s,"
        f" coalesce({_BY_HAND}, 0) FROM damage WHERE {where}"
        # Not as they were found: both drives are read at once.
        " ORDER BY closed_run IS NOT NULL, path, side LIMIT :limit",
        given,
    )
    return int(count), [DamageStory(*row)._replace(by_hand=bool(row[-1])) for row in rows]


def drive_damage(manifest: Manifest, run: int, ended_s: float) -> list[DriveDamage]:
    """Of each drive that has any: files found bad up to the end of a run. Names that are missing say nothing of it."""
    mended = "coalesce(closed_run = :run AND became LIKE 'mended from the primary%', 0)"
    rows = manifest.database.connection.execute(
        "SELECT CASE side WHEN 'primary' THEN side ELSE 'secondary' END AS drive,"
        f" sum(found_run = :run OR {mended}), sum({mended}), count(*),"
        " count(DISTINCT found_run) FROM damage WHERE verdict IN ('decayed', 'unreadable') AND found_run <= :run"
        " AND found_s > :since_s AND found_s <= :ended_s GROUP BY drive ORDER BY drive",
        {"run": run, "since_s": ended_s - LOOK_BACK_S, "ended_s": ended_s},
    )
    return [DriveDamage(*row) for row in rows]


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
