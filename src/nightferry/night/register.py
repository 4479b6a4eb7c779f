"""The damage register: what is found is entered, and what has become right again is closed."""

from __future__ import annotations

from nightferry.manifest.fixity import Fixity
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import Damage
from nightferry.tree.metadata import Kind

RIGHT_AGAIN = "reads back right again"
GONE = "gone: neither drive is to have that name any more"


def close_right_again(manifest: Manifest, run: int, now_s: float) -> list[Damage]:
    """Closes damage of files that were read and found intact since, or that the copy no longer has; returns it.

    Unlisted names, and folders that could not be listed, are not files to be read: a walk over the copy tells of them.
    """
    fixity = Fixity(manifest.database)
    closed = []
    for damage in manifest.runs.damage():
        became = _became(manifest, fixity, damage, now_s)
        if became is not None:
            manifest.runs.close_damage(damage.path, damage.side, run, became)
            closed.append(damage)
    return closed


def _became(manifest: Manifest, fixity: Fixity, damage: Damage, now_s: float) -> str | None:
    if damage.verdict == "unlisted":
        return None
    if damage.side == "retired":
        return RIGHT_AGAIN if _read_since(fixity.last_read_s("secondary", None, damage.path), damage, now_s) else None
    entry = manifest.entries.find(damage.path)
    if entry is None:
        return GONE
    if entry.stat.kind is not Kind.FILE:
        return None
    return RIGHT_AGAIN if _read_since(fixity.last_read_s(damage.side, entry.id, None), damage, now_s) else None


def _read_since(read_s: int | None, damage: Damage, now_s: float) -> bool:
    # A reading of a future that the clock has taken back proves nothing.
    return read_s is not None and damage.found_s <= read_s <= now_s
