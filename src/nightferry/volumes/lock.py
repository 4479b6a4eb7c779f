"""One run of a pair at a time.

flock(2): the kernel drops the lock with the last descriptor of the process that holds it, so a crash leaves nothing to
clean up, and what the file says about a process that is gone means nothing. The file is never removed: a name
that comes and goes lets two processes lock two files under one name.
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
import socket
import struct
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from nightferry.errors import Busy, Failed
from nightferry.tree.effects import Effects
from nightferry.units import format_moment, show_text
from nightferry.volumes.card import CARD_NAME

_LIMIT_BYTES = 4096
_COMMAND_LIMIT = 200

# What a process calls itself that only writes down what is known. It needs the lock for a moment, and nobody is refused
# for that: a night that begins just then would be put off, and a person told of a run that is none.
REPORT = "report"
_REPORT_WAIT_S = 15.0
_LOOK_EVERY_S = 0.05

# The byte of the card that is locked: behind its end, since a server of CIFS keeps others from reading what is locked,
# and within what version 1 of NFS's lock protocol can say.
_LOCKED_BYTE = 1 << 30
_FLOCK = struct.Struct("hhqqi4x")  # struct flock64 of asm-generic/fcntl.h: type, whence, start, length, pid
# A file system that has no locks of this kind: folders over NFS; NFS mounted with nolock; some of those in user space.
_NO_LOCKS = frozenset({errno.EBADF, errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL})


def _flock(fd: int) -> bool:
    """Takes the lock of an open file; False where another has it."""
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in (errno.EWOULDBLOCK, errno.EACCES):
            return False
        raise
    return True


def _flock_behind_reports(fd: int) -> bool:
    """Takes the lock, behind a process that only writes a report; False where another has it, or that one is stuck.

    A holder signs a moment after it took the lock, so whom the file names is asked twice.
    """
    until_s = time.monotonic() + _REPORT_WAIT_S
    others = 0
    while not _flock(fd):
        found = _signature(fd)
        others = 0 if found.get("command") == REPORT or _is_of_the_dead(found) else others + 1
        if others == 2 or time.monotonic() >= until_s:
            return False
        time.sleep(_LOOK_EVERY_S)
    return True


def _is_of_the_dead(found: dict[str, object]) -> bool:
    """Whether a signature is of a process of this box that is gone: then whoever holds the lock is yet to sign."""
    pid = found.get("pid")
    return found.get("host") == socket.gethostname() and isinstance(pid, int) and not os.path.exists(f"/proc/{pid}")


def _signature(fd: int) -> dict[str, object]:
    """What the lock file says of its holder; it may be empty, half written or anything."""
    try:
        found = json.loads(os.pread(fd, _LIMIT_BYTES, 0))
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _holder(fd: int) -> str:
    """The holder in words, for a message."""
    found = _signature(fd)
    try:
        parts = [found[key] for key in ("pid", "command", "since", "host")]
    except KeyError:
        return "a process that did not say who it is"
    pid, command, since, host = (show_text(str(part)[:_COMMAND_LIMIT]) for part in parts)
    return f"process {pid} on {host} ({command}, since {_here(since)})"


def _here(since: str) -> str:
    """A moment in UTC in this machine's own zone; whatever else it is, as it is."""
    try:
        return format_moment(datetime.fromisoformat(since).astimezone())
    except (ValueError, OverflowError, OSError):
        return since


def holder(path: Path) -> str | None:
    """Who holds the lock of a pair now, in words; None where nobody does. Leaves the file as it is.

    Only for a look: the answer may be out of date when it is read.
    """
    try:
        fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return None  # no run was ever begun here, or it is not ours to look at
    try:
        # Shared and for an instant: two that look do not take each other for a run.
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError as error:
        return _holder(fd) if error.errno in (errno.EWOULDBLOCK, errno.EACCES) else None
    finally:
        os.close(fd)
    return None


class PairLock:
    """The lock of a pair, held inside a ``with`` block.

    Args:
        path: the lock file, in the pair's state directory, which exists.
        command: what this process does, for whoever is refused; :data:`REPORT` for what takes a moment, and is waited
            for.

    Raises, on entering:
        Busy: another process holds it.
        Failed: the file cannot be opened or locked.
    """

    def __init__(self, path: Path, command: str) -> None:
        self._path = path
        self._command = command
        self._fd = -1

    def __enter__(self) -> Self:
        flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
        try:
            fd = os.open(self._path, flags, 0o644)
        except OSError as error:
            raise Failed(
                f"The lock file {show_text(str(self._path))} cannot be opened: {error.strerror}; run as the user that"
                " began this pair or as root, or make room on that disk."
            ) from error
        try:
            if not _flock_behind_reports(fd):
                raise Busy(
                    f"Another run of this pair is in progress: {_holder(fd)} holds {show_text(str(self._path))}."
                    " Wait until it ends; `nightferry status --follow` shows how far it is."
                )
            self._sign(fd)
        except OSError as error:
            os.close(fd)
            raise Failed(
                f"The lock file {show_text(str(self._path))} cannot be locked: {error.strerror}; set state_dir to a"
                " folder on a disk of this box."
            ) from error
        except BaseException:
            os.close(fd)
            raise
        self._fd = fd
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)

    def _sign(self, fd: int) -> None:
        """Writes who holds the lock. Emptied first: then a full disk leaves no name rather than a wrong one."""
        os.ftruncate(fd, 0)
        text = json.dumps(
            {
                "pid": os.getpid(),
                "command": self._command[:_COMMAND_LIMIT],
                "since": datetime.now(UTC).isoformat(timespec="seconds"),
                "host": socket.gethostname(),
            }
        )
        try:
            os.pwrite(fd, text.encode("ascii"), 0)
        except OSError as error:
            # The lock holds all the same; only the one who is refused learns less.
            if error.errno not in (errno.ENOSPC, errno.EDQUOT):
                raise


@contextmanager
def lock_drive(root_fd: int, effects: Effects, what: str) -> Iterator[None]:
    """Holds the drive for one command, against other processes, other state directories and other boxes.

    Two locks. One of the root folder, with flock(2), as :func:`lock_descriptor`. And one byte of the drive's card, with
    an open file description lock (fcntl(2)): NFS and CIFS carry that to the server, where it is a lock of the server's
    file, so that a box with the drive in it and one that has it mounted over the network keep each other out.

    Args:
        root_fd: the drive's root, open. The locks end with the block; that of the folder also needs ``root_fd`` closed.
        what: the drive's name for the message.

    Raises:
        Busy: another process holds it.
        Failed: it cannot be locked.
    """
    lock_descriptor(root_fd, what)
    fd, is_writable = _open_card(root_fd, effects, what)
    try:
        if fd >= 0 and not _lock_byte(fd, what, exclusive=is_writable):
            raise Busy(
                f"Another run of nightferry, perhaps on another box that has it mounted over the network, is using"
                f" {what}; wait until it ends."
            )
        yield
    finally:
        if fd >= 0:
            with suppress(OSError):  # of a drive that left meanwhile; the descriptor is closed all the same
                effects.close(fd)


def _open_card(root_fd: int, effects: Effects, what: str) -> tuple[int, bool]:
    """The card, open to be locked, and whether for writing, as an exclusive lock needs it; -1 where there is none."""
    flags = os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK
    try:
        try:
            return effects.open(CARD_NAME, os.O_RDWR | flags, dir_fd=root_fd), True
        except OSError as error:
            if error.errno not in (errno.EACCES, errno.EPERM, errno.EROFS):
                raise
            return effects.open(CARD_NAME, os.O_RDONLY | flags, dir_fd=root_fd), False
    except FileNotFoundError:
        return -1, False
    except OSError as error:
        raise Failed(
            f"The identity card on {what} cannot be opened to lock it: {error.strerror}; run as the user that runs"
            " the nights or as root, or check cable and drive."
        ) from error


def _no_lock(what: str, error: OSError) -> Failed:
    return Failed(
        f"A lock on {what} cannot be taken: {error.strerror}; check how the drive is mounted, and cable and power."
    )


def _lock_byte(fd: int, what: str, *, exclusive: bool) -> bool:
    kind = fcntl.F_WRLCK if exclusive else fcntl.F_RDLCK
    try:
        fcntl.fcntl(fd, fcntl.F_OFD_SETLK, _FLOCK.pack(kind, os.SEEK_SET, _LOCKED_BYTE, 1, 0))
    except OSError as error:
        if error.errno in (errno.EAGAIN, errno.EACCES):
            return False
        if error.errno not in _NO_LOCKS:
            raise _no_lock(what, error) from error
    return True


def lock_descriptor(fd: int, what: str) -> None:
    """Locks a second thing that the caller has open, until ``fd`` is closed.

    Not over NFS, which locks no folders: there nothing is locked, and nothing said.

    Args:
        fd: an open file or folder, also one opened for reading only.
        what: its name for the message, such as "the drive at /srv/recordings-second".

    Raises:
        Busy: another process holds it.
        Failed: it cannot be locked.
    """
    try:
        taken = _flock(fd)
    except OSError as error:
        if error.errno in _NO_LOCKS and _is_open(fd):
            return
        raise _no_lock(what, error) from error
    if not taken:
        raise Busy(f"Another run of nightferry is using {what}; wait until it ends.")


def _is_open(fd: int) -> bool:
    try:
        fcntl.fcntl(fd, fcntl.F_GETFD)
    except OSError:
        return False
    return True
