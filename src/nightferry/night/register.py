"""The damage register: what is found is entered, and what has become right again is closed.

Damage belongs to content. It is closed by a reading that has the right checksum, or by a person's word; not by a
rename, a new date, a name that went, or a program that wrote to the file or saved it anew: what it read it may have
written again, wrong as it was.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from nightferry.manifest.fixity import Fixity
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.night_findings import FOUND_BY_COMMAND
from nightferry.manifest.plan import Item, Step
from nightferry.manifest.records import BadFile, Content, Damage, Entry
from nightferry.night.context import Night
from nightferry.night.reading import Decayed
from nightferry.night.verify import NOT_TOLD_APART
from nightferry.planning.changes import is_made_since, same_date
from nightferry.tree.metadata import Kind, Stat

RIGHT_AGAIN = "reads back right again"
GONE = "gone: neither drive is to have that name any more"
ELSEWHERE = "its right content was read on the primary under another name"
UNDER_OLD_DATE = (
    "it has other content under its old size and date: it has decayed, or somebody wrote to it and put the date back"
)
TURNED_UP = "it has the wrong content of a damaged file"
CANNOT_BE_READ = "it cannot be read any more; by its size and date it is the file that the copy has"


def is_same_file(night: Night, path: bytes, then: Stat, now: Stat) -> bool:
    """Whether a file of the primary is the one that a row tells of, by whatever name it was met.

    Then other content is damage, for a person to judge. Where inode numbers do not tell files apart, only the name
    does: ``then`` must be that of the same name.
    """
    if not same_date(then, now, inodes=night.inodes) or then.ctime_ns == 0:
        return False
    if then.ctime_ns == now.ctime_ns:
        return True
    try:
        return not is_made_since(then, night.primary.born_ns(path))
    except OSError:
        return True


def is_name_of_bad(night: Night, now: Stat) -> bool:
    """Whether a new name on the primary is one of a file that the register has as damaged there."""
    if now.kind is not Kind.FILE or now.nlink < 2:
        return False
    return any(
        known.stat.kind is Kind.FILE
        and night.bad.of_row(known.id) is not None
        and same_date(known.stat, now, inodes=night.inodes)
        for known in night.manifest.entries.by_inode(now.inode)
    )


# --- what a night finds on the primary


def bad_file(now: Stat, digest: bytes | None) -> BadFile:
    return BadFile(now.inode, now.size_bytes, now.mtime_ns, digest)


class Known(NamedTuple):
    """What the copy had of a file before tonight."""

    row: int
    stat: Stat
    content: Content


def as_before(night: Night, row: int) -> Known | None:
    """A row as it was when the night began; None where that is not known any more."""
    entry = night.manifest.entries.by_id(row)
    if entry is not None and entry.since < night.number:
        return Known(row, entry.stat, entry.content)
    found = night.manifest.past.before(row, night.number)
    return None if found is None else Known(row, *found)


def check_decayed(night: Night, path: bytes, now: Stat, digests: Mapping[int, bytes], known: Sequence[Known]) -> None:
    """Raises ``Decayed`` where content that was read from the primary is not what it should be there.

    ``digests``: of what was read, by algorithm. ``known``: the name's own row, which has another content, and the row
    of the file that was renamed to this name.
    """
    if not any(each.stat.ctime_ns == 0 for each in known):  # else a person has said that this content counts
        damage = night.bad.with_content(digests)
        if damage is not None and damage.bad is not None:
            right = Content(damage.algorithm, damage.digest)
            raise Decayed(damage.entry, right, bad_file(now, damage.bad.digest), damage)
    for each in known:
        found = None if each.content.algorithm is None else digests.get(each.content.algorithm)
        if each.stat.kind is not Kind.FILE or found is None or found == each.content.digest:
            continue
        if is_same_file(night, path, each.stat, now):
            raise Decayed(each.row, each.content, bad_file(now, found), night.bad.of_row(each.row))


def enter_found(night: Night) -> None:
    """Enters what comparing found damaged: under its own name, or under another by which its row moves."""
    for item in night.plan.items(Step.DECAYED):
        _enter_item(night, item)
        # What else the primary says of it (mode, date) is set on the good copy; its content stays as it is.
        night.plan.revise(item, Step.ALTERED, entry=item.entry)
    for item in night.plan.items(Step.MOVED):
        if item.digest is not None:
            _enter_item(night, item)


def _enter_item(night: Night, item: Item) -> None:
    digest = item.digest or None
    detail = CANNOT_BE_READ if digest is None else UNDER_OLD_DATE if night.inodes else NOT_TOLD_APART
    enter(night, item.path, detail, bad_file(item.stat, digest), entry=item.entry, found_by="compare")


def enter(
    night: Night, path: bytes, detail: str, bad: BadFile, *, entry: int | None = None, found_by: str = "copy"
) -> None:
    """Damage of the primary. ``entry``: the row that it is about, where that is not the one of ``path`` yet."""
    verdict = "unreadable" if bad.digest is None else "decayed"
    night.manifest.runs.find_damage(
        path, "primary", verdict, found_by, night.number, night.clock.now_s(), detail, bad=bad, entry=entry
    )
    night.bad.forget()
    night.progress.note("damage", path=path, side="primary", verdict=verdict, why=f"found by {found_by}")
    night.tally.damage += 1


def enter_turned_up(night: Night, path: bytes, found: Decayed) -> None:
    """A damaged file met under another name, which has a copy of the right content by now.

    Where the bad file is not at its old place any more, it is that damage, under its present name.
    """
    damage = found.damage
    if damage is None or not damage.is_open or _still_stands(night, damage):
        enter(night, path, TURNED_UP if damage is not None else UNDER_OLD_DATE, found.bad)
        return
    with night.manifest.database.transaction():
        night.manifest.runs.move_damage(damage.id, path, found.bad)
    night.bad.forget()
    night.progress.note("damage", path=path, side="primary", verdict=damage.verdict, why="met under another name")
    night.tally.damage += 1


def _still_stands(night: Night, damage: Damage) -> bool:
    """Whether the bad file stands where the register has it."""
    if damage.bad is None:
        return True
    try:
        found = night.primary.stat_or_none(damage.path)
        now = None if found is None else Stat.of(found)
    except (OSError, KeyError):
        return False
    if now is None or (now.size_bytes, now.mtime_ns) != (damage.bad.size_bytes, damage.bad.mtime_ns):
        return False
    return not night.inodes or now.inode == damage.bad.inode


# --- what is right again


def close_right_again(manifest: Manifest, run: int, now_s: float, *, by_command: bool = False) -> list[Damage]:
    """Closes damage of content that was read and found right since; returns it.

    ``by_command``: after the night ``run``, and not by it.

    Unlisted names are not read back: a walk over the copy tells of them.
    """
    fixity = Fixity(manifest.database)
    closed, elsewhere = [], []
    for damage in manifest.runs.damage():
        entry = _row(manifest, damage)
        if damage.side == "primary" and not _is_of(damage, entry):
            elsewhere.append(damage)  # its name is gone, or somebody has written another content there
            continue
        became = _became(fixity, damage, entry, now_s)
        if became is not None:
            _close(manifest, damage, run, became, by_command=by_command)
            closed.append(damage)
    for damage in fixity.read_right_since(elsewhere, now_s):
        _close(manifest, damage, run, ELSEWHERE, by_command=by_command)
        closed.append(damage)
    return closed


def _row(manifest: Manifest, damage: Damage) -> Entry | None:
    """The row that damage is about; None where its name is gone."""
    if damage.side == "retired":
        return None
    return manifest.entries.find(damage.path) if damage.entry is None else manifest.entries.by_id(damage.entry)


def _is_of(damage: Damage, entry: Entry | None) -> bool:
    """Whether a row has the content still that the damage is about."""
    if entry is None:
        return False
    return damage.digest is None or (entry.content.algorithm, entry.content.digest) == (damage.algorithm, damage.digest)


def _became(fixity: Fixity, damage: Damage, entry: Entry | None, now_s: float) -> str | None:
    if damage.verdict == "unlisted":
        return None
    if damage.side == "retired":
        return RIGHT_AGAIN if _read_since(fixity.last_read_s("secondary", None, damage.path), damage, now_s) else None
    if entry is None:
        return GONE
    return RIGHT_AGAIN if _read_since(fixity.last_read_s(damage.side, entry.id, None), damage, now_s) else None


def _read_since(read_s: int | None, damage: Damage, now_s: float) -> bool:
    # A reading of a future that the clock has taken back proves nothing.
    return read_s is not None and damage.found_s <= read_s <= now_s


def _close(manifest: Manifest, damage: Damage, run: int, became: str, *, by_command: bool) -> None:
    manifest.runs.close_one(damage.id, run, became + (FOUND_BY_COMMAND if by_command else ""))
