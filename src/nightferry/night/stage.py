"""Staging: one file of the primary written whole into ``staging/``, content and metadata."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from contextlib import closing
from typing import NamedTuple

from nightferry.manifest.plan import Item
from nightferry.manifest.records import Content, Entry
from nightferry.night.carry import in_copy
from nightferry.night.context import Night
from nightferry.night.failing import read_failed
from nightferry.night.reading import Decayed, Unreadable, Unsettled, check_settled, digest_of, open_settled
from nightferry.night.register import Known, as_before, check_decayed
from nightferry.night.whereabouts import Place, Whereabouts
from nightferry.planning.changes import needs_relink
from nightferry.tree.content import Buffers, ReadFailed, copy_content
from nightferry.tree.digests import by_id
from nightferry.tree.durability import Barrier
from nightferry.tree.metadata import (
    Kind,
    Stat,
    Xattrs,
    apply_to_open,
    apply_to_symlink,
    path_of_name,
    read_xattrs,
)
from nightferry.tree.root import Root


class Staged(NamedTuple):
    name: bytes | None  # in staging/; None where the secondary cannot hold such a thing and only the row is kept
    stat: Stat
    content: Content
    xattrs: Xattrs
    same_as_before: bool = False  # read and found to be what the copy holds already
    linked: bool = False  # no bytes were written
    same_content: bool = False  # as the copy has under that name, written anew for its links


class _Several:
    """Checksums of the same bytes in all algorithms that are asked for."""

    def __init__(self, algorithms: Iterable[int]) -> None:
        self._hashers = {each: by_id(each).new() for each in algorithms}

    def update(self, data: bytes | bytearray | memoryview, /) -> None:
        for hasher in self._hashers.values():
            hasher.update(data)

    def digest(self) -> bytes:
        return next(iter(self._hashers.values())).digest()

    def digests(self) -> dict[int, bytes]:
        return {algorithm: hasher.digest() for algorithm, hasher in self._hashers.items()}


def stage_file(night: Night, item: Item, then: Entry | None, *, anew: bool = False, relink: bool = False) -> Staged:
    """One read: the same bytes are hashed and written.

    ``then`` is what the copy has under that name; ``anew`` says that its file is missing or bad,
    ``relink`` that it shares its inode with names it should not: so that it is written also where
    the content is the same. What has the item's base for its row by inode and date has to have its content.

    Raises ``Unreadable``, ``Unsettled`` and ``Decayed`` for the primary, ``WriteFailed`` and ``OSError`` for
    the secondary, ``Interrupted``. Leaves nothing in ``staging/`` when it raises.
    """
    fd, before = open_settled(night, item.path)
    name = night.staging_name()
    try:
        out = night.secondary.create(name)
        try:
            staged = _fill(night, fd, before, out, name, item, then, anew=anew, relink=relink)
        except BaseException:
            night.secondary.unlink(name)
            raise
        finally:
            night.effects.close(out)
    except ReadFailed as error:
        read_failed(night, "primary", error)
        raise Unreadable(str(error)) from error
    finally:
        night.effects.close(fd)
    if staged.same_as_before:
        night.secondary.unlink(name)
        return staged._replace(name=None)
    return staged


def _fill(
    night: Night,
    fd: int,
    before: os.stat_result,
    out: int,
    name: bytes,
    item: Item,
    then: Entry | None,
    *,
    anew: bool,
    relink: bool,
) -> Staged:
    known = [] if then is None else [Known(then.id, then.stat, then.content)]
    if item.base is not None and (base := as_before(night, item.base)) is not None:
        known.append(base)
    others = {each.content.algorithm for each in known if each.content.algorithm is not None} - {night.algorithm.id}
    hasher = _Several([night.algorithm.id, *others]) if others else night.algorithm.new()
    copied = copy_content(
        fd,
        out,
        size_bytes=before.st_size,
        hasher=hasher,
        effects=night.effects,
        buffers=night.buffers,
        should_stop=night.stop,
        progress=night.bytes_passed,
        has_holes=before.st_blocks * 512 < before.st_size,
        past_cache=night.capabilities.direct_writes,
    )
    night.tally.read_bytes += copied.read_bytes
    night.tally.written_bytes += copied.written_bytes
    if copied.read_bytes != before.st_size:
        raise Unsettled("it changed while it was read")
    now = check_settled(night, fd, before)
    xattrs = read_xattrs(fd, night.effects)
    content, same_content = Content(night.algorithm.id, copied.digest), False
    digests = hasher.digests() if isinstance(hasher, _Several) else {night.algorithm.id: copied.digest}
    if then is not None and digests.get(then.content.algorithm or 0) == (then.content.digest or b""):
        if not anew:
            # A file of several names is put anew, so that its other names can be linked to it: inode numbers alone
            # do not tell which of them belong together, since they are given again.
            relink = relink or needs_relink(then.stat, now) or now.nlink > 1
            if not (relink and night.capabilities.hard_links):
                return Staged(name, now, then.content, xattrs, same_as_before=True)
            content, same_content = then.content, True
    else:
        check_decayed(night, item.path, now, digests, known)
    lost = apply_to_open(out, now, xattrs, night.effects, fresh=True, owner=night.owner_of_new.of(out))
    night.metadata_lost.update(lost)
    night.barrier.file_written(out)
    return Staged(name, now, content, xattrs, same_content=same_content)


def stage_right(night: Night, item: Item, found: Decayed) -> Staged | None:
    """The right content of a damaged file, from where it stands on the secondary, with the metadata that the primary's
    file has now; None where it stands nowhere.

    Raises ``Unreadable`` and ``Unsettled`` for the primary, ``WriteFailed`` and ``OSError`` for the secondary.
    """
    if found.right.algorithm is None or found.row is None:
        return None
    now, xattrs = _metadata_of(night, item.path)
    with closing(Whereabouts(night.manifest, night.secondary, None)) as known:
        for place in known.places(found.right, now):  # of the same size: else it would be another file
            name = night.staging_name()
            if stage_from_place(
                place, name, now, found.right, xattrs, night.secondary, night.barrier, night.buffers, night.stop
            ):
                return Staged(name, now, found.right, xattrs)
    return None


def _metadata_of(night: Night, path: bytes) -> tuple[Stat, Xattrs]:
    """What a file of the primary has now, its content unread. Raises ``Unreadable`` and ``Unsettled``."""
    fd, before = open_settled(night, path)
    try:
        return check_settled(night, fd, before), read_xattrs(fd, night.effects)
    finally:
        night.effects.close(fd)


def stage_symlink(night: Night, item: Item) -> Staged:
    """Raises as ``stage_file``."""
    try:
        folder_fd, link_name = night.primary.at(item.path)
        found = night.effects.stat(link_name, dir_fd=folder_fd, follow_symlinks=False)
        target = night.effects.readlink(link_name, dir_fd=folder_fd)
        stat = Stat.of(found)
        if stat.kind is not Kind.SYMLINK:
            raise Unsettled("it is not a symlink any more")
        xattrs = read_xattrs(path_of_name(folder_fd, link_name), night.effects)
    except FileNotFoundError as error:
        raise Unsettled("it went away after the folder was listed") from error
    except OSError as error:
        read_failed(night, "primary", error)
        raise Unreadable(error.strerror or str(error)) from error
    content = Content(target=target)
    if not night.capabilities.symlinks:
        return Staged(None, stat, content, xattrs, linked=True)
    name = night.staging_name()
    night.secondary.symlink(target, name)
    out_fd, out_name = night.secondary.at(name)
    night.metadata_lost.update(apply_to_symlink(out_fd, out_name, stat, xattrs, night.effects, fresh=True))
    night.barrier.names_changed(b"staging")
    return Staged(name, stat, content, xattrs)


def stage_link(night: Night, item: Item, leader: bytes, stat: Stat, content: Content, xattrs: Xattrs) -> Staged:
    """Another name for a file whose content is on the secondary: ``leader`` is its path there."""
    name = night.staging_name()
    night.secondary.link(leader, name)
    night.barrier.names_changed(b"staging")
    return Staged(name, stat, content, xattrs, linked=True)


def stage_from_base(night: Night, item: Item, base: Entry) -> Staged | None:
    """A renamed file whose old name was taken over: its content is linked from there, not copied.

    None where the copy of ``base`` is not that content, or cannot be linked.
    """
    if not night.capabilities.hard_links or base.content.digest is None or base.content.algorithm is None:
        return None
    if (base.stat.inode, base.stat.size_bytes, base.stat.mtime_ns) != (
        item.stat.inode,
        item.stat.size_bytes,
        item.stat.mtime_ns,
    ):
        return None
    leader = in_copy(night.manifest.entries.path(base.id))
    found = night.secondary.stat_or_none(leader)
    if found is None or found.st_size != base.stat.size_bytes:
        return None
    if not (night.inodes and base.stat.ctime_ns == item.stat.ctime_ns) and (
        digest_of(night, item.path, base.content.algorithm) != base.content.digest
    ):
        return None
    now, xattrs = _metadata_of(night, item.path)
    if (now.ctime_ns, now.size_bytes, now.inode) != (item.stat.ctime_ns, item.stat.size_bytes, item.stat.inode):
        raise Unsettled("it changed while it was looked at")
    staged = stage_link(night, item, leader, now, base.content, xattrs)
    assert staged.name is not None
    out = night.secondary.open_to_read(staged.name)
    try:
        night.metadata_lost.update(apply_to_open(out, now, xattrs, night.effects, fresh=False))
        night.barrier.file_written(out)
    finally:
        night.effects.close(out)
    return staged


def stage_from_place(
    place: Place,
    name: bytes,
    stat: Stat,
    content: Content,
    xattrs: Xattrs,
    secondary: Root,
    barrier: Barrier,
    buffers: Buffers,
    should_stop: Callable[[], bool],
) -> bool:
    """Writes a content that is known from wherever it stands into ``staging/``, with the metadata that it had.

    False, and nothing is left there, where that place does not have it or cannot be read. Raises ``OSError`` for the
    secondary, and ``Stopped``.
    """
    effects = secondary.effects
    assert content.algorithm is not None
    try:
        fd, before = place.root.open_and_stat(place.path)
    except OSError:
        return False
    try:
        out = secondary.create(name)
        try:
            copied = copy_content(
                fd, out, size_bytes=before.st_size, hasher=by_id(content.algorithm).new(), effects=effects,
                buffers=buffers, should_stop=should_stop, progress=lambda size_bytes: None,
                has_holes=before.st_blocks * 512 < before.st_size,
            )  # fmt: skip
            is_right = (copied.read_bytes, copied.digest) == (stat.size_bytes, content.digest)
            if is_right:
                apply_to_open(out, stat, xattrs, effects, fresh=True)
                barrier.file_written(out)
        except BaseException:
            secondary.unlink(name)
            raise
        finally:
            effects.close(out)
    except ReadFailed:
        return False
    finally:
        effects.close(fd)
    if not is_right:
        secondary.unlink(name)
    return is_right
