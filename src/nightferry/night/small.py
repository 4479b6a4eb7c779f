"""The straight way for the file that there is most of: small, new, with one name, in a folder that is new too.

It does what the ordinary way does (stage.py) without what such a file cannot need: it displaces nothing, nothing can be
linked to it, its content is one read and one write. A file that is not as it was listed is left to the ordinary way,
which begins anew with it and can say what is the matter.
"""

from __future__ import annotations

import os
from typing import NamedTuple

from nightferry.manifest.plan import Item
from nightferry.night.context import Night
from nightferry.night.reading import COARSE_FRESH_S
from nightferry.tree.content import AT_ONCE_BYTES, ReadFailed
from nightferry.tree.metadata import Kind, Stat, Xattrs, apply_to_open, read_xattrs, signed
from nightferry.tree.writer import write_all

_COARSE_FRESH_NS = int(COARSE_FRESH_S * 1e9)


class Staged(NamedTuple):
    """A file in ``staging/`` whose state is the one that was listed."""

    name: bytes
    digest: bytes
    xattrs: Xattrs


def is_small(item: Item) -> bool:
    """Whether a planned file may go this way, as far as the plan can tell."""
    stat = item.stat
    return (
        item.entry is None and item.base is None and stat.nlink == 1 and stat.kind is Kind.FILE
        and 0 < stat.size_bytes <= AT_ONCE_BYTES
    )  # fmt: skip


def stage_small(night: Night, item: Item, opened: tuple[int, os.stat_result]) -> Staged | None:
    """Stages a file that was opened before its turn (ahead.py), and closes it; None where it needs the ordinary way.

    Raises ``ReadFailed`` for the primary, ``WriteFailed`` and ``OSError`` for the secondary; leaves nothing in
    ``staging/`` then.
    """
    fd, found = opened
    stat = item.stat
    size_bytes = stat.size_bytes
    effects = night.effects
    began_s = night.clock.monotonic_s()
    try:
        # Written to just now, it may be written to again without another ctime: the ordinary way waits for that.
        if not _is_as_listed(found, stat) or 0 <= night.clock.now_s() * 1e9 - stat.ctime_ns < _COARSE_FRESH_NS:
            return None
        effects.write_back(fd)  # a store into a mapped page moves its times from here on (reading.py)
        data = night.buffers.block[: size_bytes + 1]  # a byte more than there should be, so that this is all of it
        if effects.preadv(fd, [data], 0) != size_bytes or not _is_as_listed(effects.fstat(fd), stat):
            return None
        xattrs = read_xattrs(fd, effects)
    except OSError as error:
        failed = ReadFailed(error.errno, error.strerror)
        failed.lost_s = night.clock.monotonic_s() - began_s
        raise failed from error
    finally:
        effects.close(fd)
    data = data[:size_bytes]
    hasher = night.algorithm.new()
    hasher.update(data)
    name = _write(night, data, stat, xattrs)
    night.count_small(size_bytes)
    return Staged(name, hasher.digest(), xattrs)


def _write(night: Night, data: memoryview, stat: Stat, xattrs: Xattrs) -> bytes:
    """The name in ``staging/`` of what was written."""
    name = night.staging_name()
    out = night.secondary.create(name)
    try:
        write_all(out, data, 0, night.effects)
        lost = apply_to_open(out, stat, xattrs, night.effects, fresh=True, owner=night.owner_of_new.of(out))
        if lost:
            night.metadata_lost.update(lost)
        night.barrier.file_written(out)
    except BaseException:
        night.secondary.unlink(name)
        raise
    finally:
        night.effects.close(out)
    return name


def _is_as_listed(found: os.stat_result, stat: Stat) -> bool:
    """Whether an open file is what was compared: then ``stat`` is its state, and it has no holes."""
    return (
        found.st_ctime_ns == stat.ctime_ns
        and found.st_size == stat.size_bytes
        and found.st_mtime_ns == stat.mtime_ns
        and signed(found.st_ino) == stat.inode
        and found.st_mode & 0o7777 == stat.mode
        and (found.st_uid, found.st_gid, found.st_nlink) == (stat.uid, stat.gid, 1)
        and found.st_blocks * 512 >= stat.size_bytes
    )
