"""After the walk: what moved, what only looks changed, what is gone.

Here files are read where metadata alone cannot tell, on the primary and before anything is
written, so that the decision to hold knows what would really be replaced and removed.
"""

from __future__ import annotations

import os
from collections import Counter

from nightferry.manifest.plan import Item, Step
from nightferry.manifest.records import Damage, Entry
from nightferry.night.context import COPY, Night
from nightferry.night.reading import Unreadable, Unsettled, digest_of
from nightferry.night.register import is_same_file
from nightferry.planning.changes import needs_relink, put_back_date, same_date
from nightferry.planning.hold import Proposed, turned_to_noise
from nightferry.tree.metadata import Kind
from nightferry.tree.root import join, split

# Files to be replaced that are looked into, and how much of each.
SAMPLE_FILES = 64
SAMPLE_BYTES = 4096
# Different endings of new names that are counted: an attack has few.
SUFFIXES_LIMIT = 1_000
# Multiply linked files whose content is remembered while their other names are compared.
LINKED_DIGESTS_LIMIT = 10_000


def resolve(night: Night, *, read: bool = True) -> Proposed:
    """Completes the plan and says what it would do. ``read`` False: judges by metadata alone."""
    if night.manifest.entries.has_files():
        _match_moves(night, read=read)
        _read_touched(night, read=read)
    _list_removed(night)
    totals = night.plan.totals()
    replacements = totals.get(Step.TOUCHED, (0, 0, 0))[0] + totals.get(Step.RETYPED, (0, 0, 0))[0]
    removals = totals.get(Step.REMOVED, (0, 0, 0))[0]
    # Counting is a pass over all rows: only for a night that would displace something, which is judged by its share.
    files_before = night.manifest.entries.totals()[0] if removals or replacements else 0
    sampled, to_noise = _sample(night) if read and replacements else (0, 0)
    additions = totals.get(Step.ADDED, (0, 0, 0))[0]
    new_suffix, with_suffix = _new_suffix(night) if removals and additions else ("", 0)
    return Proposed(
        files_before=files_before,
        removals=removals,
        replacements=replacements,
        primary_files=night.tally.scanned_files,
        sampled=sampled,
        sampled_to_noise=to_noise,
        additions=additions,
        additions_with_new_suffix=with_suffix,
        new_suffix=new_suffix,
    )


# --- moves


def _match_moves(night: Night, *, read: bool) -> None:
    """Finds for each new name the row of the copy that has its inode."""
    linked: dict[int, int | None] = {}  # by inode of a multiply linked file: where its copy is, as an inode there
    for item in night.plan.items(Step.ADDED):
        night.stop.check()
        base = None
        candidates = night.manifest.entries.by_inode(item.stat.inode)
        for candidate in candidates:
            if candidate.stat.kind is not item.stat.kind or candidate.stat.size_bytes != item.stat.size_bytes:
                continue
            if night.plan.is_claimed(candidate.id):
                continue
            if not _is_gone(night, candidate):
                base = base or candidate
                continue
            if not _is_one_of_its_links(night, item, candidate, candidates, linked):
                continue
            is_it, wrong = _is_that_file(night, item, candidate, read=read)
            if is_it:
                night.plan.claim(candidate.id)
                night.plan.revise(item, Step.MOVED, entry=candidate.id, digest=wrong)
                break
        else:
            # Where numbers mean nothing, another file may have this one: its content is not that row's.
            if base is not None and (night.inodes or item.stat.nlink > 1):
                night.plan.revise(item, Step.ADDED, entry=None, base=base.id)


def _is_one_of_its_links(
    night: Night, item: Item, candidate: Entry, others: list[Entry], linked: dict[int, int | None]
) -> bool:
    """Whether a moved name keeps its links when its copy moves.

    Its copy may have been made by itself, in a night that held back the other names of the file:
    then it is linked anew to theirs instead, and its old name retired.
    """
    if item.stat.nlink <= 1 or not night.capabilities.hard_links:
        return True
    place = _inode_of_copy(night, candidate)
    if item.stat.inode not in linked:
        there = [other for other in others if not _is_gone(night, other)]
        if len(linked) < LINKED_DIGESTS_LIMIT:
            linked[item.stat.inode] = _inode_of_copy(night, there[0]) if there else place
    return linked.get(item.stat.inode, place) == place


def _inode_of_copy(night: Night, entry: Entry) -> int | None:
    found = night.secondary.stat_or_none(join(COPY, night.manifest.entries.path(entry.id)))
    return None if found is None else found.st_ino


def _is_gone(night: Night, candidate: Entry) -> bool:
    """Whether the primary no longer has the row's name, by itself or with a folder above it."""
    for entry in night.manifest.entries.ancestors(candidate.id):
        if night.plan.is_claimed(entry):
            return False  # that folder was compared where it stands now, and the name was met in it
        if night.plan.is_vanished(entry):
            return True
    return False


def _is_that_file(night: Night, item: Item, candidate: Entry, *, read: bool) -> tuple[bool, bytes | None]:
    """Whether a new name is one of the file that a row tells of; and its checksum where that is wrong, empty where it
    cannot be read.

    Rot does not cross under another name: inode, size and date say that it is that file, and its content is damage.
    """
    then = candidate.stat
    is_dated = then.mtime_ns == item.stat.mtime_ns
    if item.stat.kind is Kind.SYMLINK:
        return is_dated and _target(night, item) == candidate.content.target, None
    damage = night.bad.of_row(candidate.id) if read else None
    if not is_dated and damage is None:
        return False, None
    if not read or (night.inodes and is_dated and then.ctime_ns == item.stat.ctime_ns):
        return is_dated, None
    assert candidate.content.algorithm is not None
    try:
        digest = digest_of(night, item.path, candidate.content.algorithm)
    except Unsettled:
        return False, None  # the copy phase tries again
    except Unreadable:
        digest = b""
    if digest == candidate.content.digest:
        return True, None
    is_it = _is_bad_content(damage, digest) or (night.inodes and is_same_file(night, item.path, then, item.stat))
    return is_it, digest if is_it else None


def _is_bad_content(damage: Damage | None, digest: bytes) -> bool:
    return damage is not None and damage.bad is not None and damage.bad.digest == digest


def _target(night: Night, item: Item) -> bytes | None:
    try:
        return night.primary.readlink(item.path)
    except OSError:
        return None  # the copy phase names what cannot be read


# --- files whose metadata moved while size and mtime stayed


def _read_touched(night: Night, *, read: bool) -> None:
    linked: dict[int, bytes | None] = {}
    for item in night.plan.items(Step.TOUCHED):
        night.stop.check()
        assert item.entry is not None
        then = night.manifest.entries.by_id(item.entry)
        assert then is not None
        if item.stat.kind is Kind.SYMLINK:
            if _target(night, item) == then.content.target:
                night.plan.revise(item, Step.ALTERED, entry=then.id)
            continue
        if not read:
            continue
        base = _moved_here(night, item, then)
        if base is not None:
            night.plan.revise(item, Step.TOUCHED, entry=then.id, base=base)
        damage = night.bad.of_row(then.id)
        is_dated = then.stat.mtime_ns == item.stat.mtime_ns
        if then.stat.size_bytes != item.stat.size_bytes or not (is_dated or damage):
            continue
        if item.stat.nlink > 1 and item.stat.inode in linked:
            digest = linked[item.stat.inode]
        else:
            digest = _digest_or_none(night, item, then)
            if item.stat.nlink > 1 and len(linked) < LINKED_DIGESTS_LIMIT:
                linked[item.stat.inode] = digest
        if digest is not None:  # else the copy phase names it
            _judge_touched(night, item, then, digest, damage, was_moved=base is not None)


def _judge_touched(
    night: Night, item: Item, then: Entry, digest: bytes, damage: Damage | None, *, was_moved: bool
) -> None:
    """``was_moved``: another file was renamed to this name."""
    if digest == then.content.digest:
        if not needs_relink(then.stat, item.stat):
            night.plan.revise(item, Step.ALTERED, entry=then.id, digest=digest, algorithm=then.content.algorithm)
    elif _is_bad_content(damage, digest) or is_same_file(night, item.path, then.stat, item.stat):
        night.plan.revise(item, Step.DECAYED, entry=then.id, digest=digest, algorithm=then.content.algorithm)
    elif not was_moved and put_back_date(then.stat, item.stat):
        night.tally.put_back_dates += 1
        night.note(
            "Some files have other content under their old date: somebody or some program wrote them and set the"
            " date back."
        )


def _moved_here(night: Night, item: Item, then: Entry) -> int | None:
    """The row of the file that was renamed over another one, or changed places with it; None where none was.

    Its content is to be the one of that row.
    """
    if not night.inodes or item.stat.inode == then.stat.inode:
        return None
    for known in night.manifest.entries.by_inode(item.stat.inode):
        if known.id != then.id and known.stat.kind is item.stat.kind and same_date(known.stat, item.stat):
            return known.id
    return None


def _digest_or_none(night: Night, item: Item, then: Entry) -> bytes | None:
    """The file's checksum in the row's own algorithm; None where it cannot be had now."""
    assert then.content.algorithm is not None
    try:
        return digest_of(night, item.path, then.content.algorithm)
    except (Unreadable, Unsettled):
        return None  # the copy phase tries again, and names it if it must


# --- what is gone


def _list_removed(night: Night) -> None:
    """One planned removal for each name, folders before what they hold."""
    for top in night.plan.vanished():
        below = night.manifest.entries.below(top, night.manifest.entries.path(top), skip=night.plan.is_claimed)
        for path, entry in below:
            night.plan.add(Step.REMOVED, path, entry.stat, entry.id)


# --- marks of mass encryption


def _sample(night: Night) -> tuple[int, int]:
    """Looks at the first bytes of some files that would be replaced, on both drives."""
    sampled = to_noise = 0
    for item in night.plan.items(Step.TOUCHED):
        if item.stat.kind is not Kind.FILE or item.entry is None or item.stat.size_bytes == 0:
            continue
        before = _head(night, COPY, night.manifest.entries.path(item.entry))
        after = _head(night, b"", item.path)
        if before is None or after is None:
            continue
        sampled += 1
        to_noise += turned_to_noise(before, after)
        if sampled >= SAMPLE_FILES:
            break
    return sampled, to_noise


def _head(night: Night, where: bytes, path: bytes) -> bytes | None:
    root = night.secondary if where else night.primary
    try:
        fd = root.open_to_read(join(where, path))
        try:
            buffer = bytearray(SAMPLE_BYTES)
            return bytes(buffer[: night.effects.readv(fd, [buffer])])
        finally:
            night.effects.close(fd)
    except OSError:
        return None


def _new_suffix(night: Night) -> tuple[str, int]:
    """The most common ending among new names that none of the removed names has."""
    old = {_suffix(item.path) for item in night.plan.items(Step.REMOVED) if item.stat.kind is Kind.FILE}
    new: Counter[bytes] = Counter()
    for item in night.plan.items(Step.ADDED):
        suffix = _suffix(item.path)
        if suffix and suffix not in old and (suffix in new or len(new) < SUFFIXES_LIMIT):
            new[suffix] += 1
    if not new:
        return "", 0
    suffix, count = new.most_common(1)[0]
    return suffix.decode("utf-8", "replace"), count


def _suffix(path: bytes) -> bytes:
    return os.path.splitext(split(path)[1])[1].lower()
