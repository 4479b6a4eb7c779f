"""Reading one file of the primary so that the answer belongs to one state of it."""

from __future__ import annotations

import os

from nightferry.manifest.records import BadFile, Content, Damage
from nightferry.night.context import Night
from nightferry.night.failing import read_failed
from nightferry.tree.content import ReadFailed, hash_content
from nightferry.tree.digests import by_id
from nightferry.tree.metadata import Stat

# A file written within this time may be written again without its ctime moving, since file
# systems stamp times in steps: a timer tick (up to 10 ms) on those of Linux, two seconds on FAT.
# Read only after it is over, every later write has a later ctime.
FRESH_S = 0.05
COARSE_FRESH_S = 2.0


class Unreadable(Exception):
    """The file cannot be read; the message says why, in words."""


class Unsettled(Exception):
    """The file changed while it was read, or went away."""


class Decayed(Exception):
    """The file has another content than it should, by its name, inode and date, or by what is known to be damaged."""

    def __init__(self, row: int | None, right: Content, bad: BadFile, damage: Damage | None = None) -> None:
        """``row``: of the copy, whose content ``right`` is. ``damage``: what this is, open or over."""
        super().__init__("it has another content than it should")
        self.row, self.right, self.bad, self.damage = row, right, bad, damage


def open_settled(night: Night, path: bytes) -> tuple[int, os.stat_result]:
    """Opens a file of the primary once its newest change is older than the clock's step, and has it written back.

    Returns the descriptor and its state from before it was written back; raises ``Unreadable`` or ``Unsettled``.
    Whoever reads it then and finds it in the same state (``check_settled``) has read what anybody reads until its
    times move: no program can store into a mapped page of it any more without moving them (``Effects.write_back``).
    """
    try:
        fd, found = night.ahead.take(path) or night.primary.open_and_stat(path)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise Unsettled("it went away after the folder was listed") from error
    except OSError as error:
        read_failed(night, "primary", error)
        raise Unreadable(error.strerror or str(error)) from error
    # Whole seconds in both times speak of a file system that keeps no finer ones.
    coarse = found.st_mtime_ns % 1_000_000_000 == 0 and found.st_ctime_ns % 1_000_000_000 == 0
    limit_s = COARSE_FRESH_S if coarse else FRESH_S
    age_s = night.clock.now_s() - found.st_ctime_ns / 1e9
    if 0 <= age_s < limit_s:
        night.clock.sleep(limit_s - age_s)
    try:
        night.effects.write_back(fd)  # after the wait: a store since then has another ctime than ``found``
    except OSError as error:
        night.effects.close(fd)
        read_failed(night, "primary", error)
        raise Unreadable(
            f"what was written to it last did not reach the drive ({error.strerror}): save it again"
        ) from error
    except BaseException:
        night.effects.close(fd)
        raise
    return fd, found


def check_settled(night: Night, fd: int, before: os.stat_result) -> Stat:
    """The file's state after it was read; raises ``Unsettled`` where it is another than before."""
    after = night.effects.fstat(fd)
    if (before.st_size, before.st_mtime_ns, before.st_ctime_ns) != (
        after.st_size,
        after.st_mtime_ns,
        after.st_ctime_ns,
    ):
        raise Unsettled("it changed while it was read")
    return Stat.of(after)


def digest_of(night: Night, path: bytes, algorithm: int) -> bytes:
    """The checksum of a file of the primary; raises ``Unreadable``, ``Unsettled``, ``Interrupted``."""
    fd, before = open_settled(night, path)
    try:
        read_bytes, digest = hash_content(
            fd,
            hasher=by_id(algorithm).new(),
            effects=night.effects,
            buffers=night.buffers,
            should_stop=night.stop,
            progress=lambda size_bytes: None,
        )
        night.tally.read_bytes += read_bytes
        if read_bytes != before.st_size:
            raise Unsettled("it changed while it was read")
        check_settled(night, fd, before)
        return digest
    except ReadFailed as error:
        read_failed(night, "primary", error)
        raise Unreadable(str(error)) from error
    finally:
        night.effects.close(fd)
