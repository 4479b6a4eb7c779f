"""The damage register: what is found is entered, and what has become right again is closed."""

from __future__ import annotations

from nightferry.manifest.fixity import Fixity
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.night_findings import FOUND_BY_COMMAND
from nightferry.manifest.records import Damage
from nightferry.tree.metadata import Kind, Stat

RIGHT_AGAIN = "reads back right again"
GONE = "gone: neither drive is to have that name any more"


def known_bad(manifest: Manifest, path: bytes, then: Stat, now: Stat) -> bool:
    """Whether a file of the primary is the damaged one of the register still, although its ctime moved.

    Another content under a new ctime is a change that somebody made; not so where the file is known to be bad, and
    only had its mode changed, or lost another of its names while `mend` put that right.
    """
    same = (then.size_bytes, then.mtime_ns, then.inode) == (now.size_bytes, now.mtime_ns, now.inode)
    return same and manifest.runs.is_damaged(path, "primary")


def is_name_of_bad(manifest: Manifest, now: Stat) -> bool:
    """Whether a new name on the primary is one of a file that the register has as damaged there."""
    if now.kind is not Kind.FILE or now.nlink < 2:
        return False
    return any(
        known.stat.kind is Kind.FILE and known_bad(manifest, manifest.entries.path(known.id), known.stat, now)
        for known in manifest.entries.by_inode(now.inode)
    )


def close_right_again(manifest: Manifest, run: int, now_s: float, *, by_command: bool = False) -> list[Damage]:
    """Closes damage of files that were read and found intact since, or that the copy no longer has; returns it.

    ``by_command``: after the night ``run``, and not by it.

    Unlisted names are not read back: a walk over the copy tells of them.
    """
    fixity = Fixity(manifest.database)
    closed = []
    for damage in manifest.runs.damage():
        became = _became(manifest, fixity, damage, now_s)
        if became is not None:
            became += FOUND_BY_COMMAND if by_command else ""
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
    return RIGHT_AGAIN if _read_since(fixity.last_read_s(damage.side, entry.id, None), damage, now_s) else None


def _read_since(read_s: int | None, damage: Damage, now_s: float) -> bool:
    # A reading of a future that the clock has taken back proves nothing.
    return read_s is not None and damage.found_s <= read_s <= now_s
