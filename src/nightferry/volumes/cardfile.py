"""Reads and writes the identity card of a drive."""

from __future__ import annotations

import errno
import os
import stat
from contextlib import suppress
from dataclasses import replace

from nightferry.errors import WrongDrive
from nightferry.tree.effects import Effects
from nightferry.volumes.card import (
    CARD_LIMIT_BYTES,
    CARD_NAME,
    Card,
    NewerFormatError,
    decode,
    elsewhere,
    encode,
    path_in,
)
from nightferry.volumes.filesystem import keeps_inode_numbers

TEMPORARY_NAME = CARD_NAME + b".new"

# O_NONBLOCK: a FIFO under the card's name must not stop the night.
_READ_FLAGS = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK


def _open_to_read(root_fd: int, effects: Effects) -> int:
    try:
        # Leaves no access time on a primary; only the owner and root may ask for it (open(2)).
        return effects.open(CARD_NAME, _READ_FLAGS | os.O_NOATIME, dir_fd=root_fd)
    except PermissionError:
        return effects.open(CARD_NAME, _READ_FLAGS, dir_fd=root_fd)


def _read_all(fd: int, effects: Effects, limit_bytes: int) -> bytes:
    """Up to ``limit_bytes`` from the start of a file, with short reads put together."""
    content = bytearray()
    while len(content) < limit_bytes:
        buffer = bytearray(limit_bytes - len(content))
        count = effects.readv(fd, [buffer])
        if count == 0:
            break
        content += buffer[:count]
    return bytes(content)


def read_card(root_fd: int, effects: Effects, where: str = "the drive") -> Card | None:
    """The card of the drive whose root is open as ``root_fd``; None where there is none.

    Args:
        where: the root's path, for messages.

    Raises:
        WrongDrive: there is one, and it cannot be read or understood.
    """
    shown_path = path_in(where)
    try:
        fd = _open_to_read(root_fd, effects)
    except FileNotFoundError:
        return None
    except OSError as error:
        if error.errno == errno.ELOOP:
            raise _no_file(shown_path, "a symbolic link") from error
        raise _unreadable(shown_path, error) from error
    try:
        if not stat.S_ISREG(effects.fstat(fd).st_mode):
            raise _no_file(shown_path, "no ordinary file")
        content = _read_all(fd, effects, CARD_LIMIT_BYTES + 1)
    except OSError as error:
        raise _unreadable(shown_path, error) from error
    finally:
        effects.close(fd)
    try:
        return decode(content)
    except NewerFormatError as error:
        raise WrongDrive(
            f"The identity card {shown_path} was written by a newer nightferry; install that version on this box."
        ) from error
    except ValueError as error:
        raise WrongDrive(
            f"The identity card {shown_path} cannot be understood: {error}; check that it is the right drive, then "
            "restore the file or run `nightferry pair` again."
        ) from error


def _no_file(shown_path: str, what: str) -> WrongDrive:
    return WrongDrive(
        f"The identity card {shown_path} is {what}; check that it is the right drive, then move that away and run "
        "`nightferry pair` again."
    )


def _unreadable(shown_path: str, error: OSError) -> WrongDrive:
    return WrongDrive(
        f"The identity card {shown_path} cannot be read: {error.strerror}; check the permissions, the cable and the "
        "drive."
    )


def _sync_folder(fd: int, effects: Effects) -> None:
    try:
        effects.fsync(fd)
    except OSError as error:
        # fsync(2): EINVAL where the file system has no such call for a folder; then there is nothing more to do.
        if error.errno not in (errno.EINVAL, errno.EOPNOTSUPP):
            raise


def _write_all(fd: int, content: bytes, effects: Effects) -> None:
    rest = memoryview(content)
    while rest:
        rest = rest[effects.write(fd, rest) :]


def write_card(root_fd: int, card: Card, effects: Effects, *, file_system: str) -> Card:
    """Writes a drive's card durably, in place of one that is there; at every instant the old or the new one stands.

    Args:
        root_fd: the drive's root, open.
        card: its ``inode`` is not used.
        file_system: the type as mountinfo names it; decides whether the inode number is worth recording.

    Returns the card as written, with its inode number.

    Raises:
        OSError: the drive cannot be written; the card that was there still is.
        ValueError: the card holds something that a card may not.
    """
    encode(replace(card, inode=0))  # a card that cannot be written must not leave a trace on the drive
    # What a crash left: not reused, since it could be a link to somewhere.
    with suppress(FileNotFoundError):
        effects.unlink(TEMPORARY_NAME, dir_fd=root_fd)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    fd = effects.open(TEMPORARY_NAME, flags, 0o644, dir_fd=root_fd)
    try:
        try:
            inode = effects.fstat(fd).st_ino if keeps_inode_numbers(file_system) else 0
            written = replace(card, inode=inode)
            _write_all(fd, encode(written), effects)
            effects.fsync(fd)
        finally:
            effects.close(fd)
        effects.rename(TEMPORARY_NAME, CARD_NAME, src_dir_fd=root_fd, dst_dir_fd=root_fd)
    except BaseException:
        with suppress(OSError):
            effects.unlink(TEMPORARY_NAME, dir_fd=root_fd)
        raise
    _sync_folder(root_fd, effects)
    return written


def moved_from_elsewhere(card: Card, root_fd: int, effects: Effects, filesystem_uuid: str | None) -> str | None:
    """Why a card must be a copy from another drive; None where nothing speaks against it.

    Args:
        filesystem_uuid: the identifier of the file system that ``root_fd`` lies on, where known.

    Raises:
        OSError: the card file cannot be looked at.
    """
    inode = effects.stat(CARD_NAME, dir_fd=root_fd, follow_symlinks=False).st_ino
    return elsewhere(card, inode, filesystem_uuid)
