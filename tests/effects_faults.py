"""Stand-ins for the seam (tree/effects.py) that count what changes a drive or the manifest, fail or die at the n-th.

``CountingEffects`` counts; ``FailingEffects`` makes one call fail; ``ShortEffects`` writes less than asked, and
``ShortCall`` does in one call; ``KillingEffects`` ends the process; ``PowerCutEffects`` ends it and takes away what was
not yet durable. The last two are for a process of their own: ``in_child`` runs something in one.

``faults`` goes through all calls of a command and the ways in which a kernel fails them.
"""

from __future__ import annotations

import errno
import os
import signal
import sys
import traceback
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from nightferry.tree.effects import Effects
from sweeps import LONG

CHANGES = (
    "open", "mkdir", "rmdir", "unlink", "rename", "rename_new", "exchange", "link", "symlink", "write", "pwrite",
    "ftruncate",
    "chmod", "chown", "utime", "setxattr", "removexattr", "fsync", "syncfs", "commit",
    "checkpoint", "set_journal_mode",
)  # fmt: skip
READS = (
    "open_inside", "stat", "stat_all", "born_ns", "fstat", "fstatvfs", "scandir", "readlink", "readv", "preadv",
    "lseek", "write_back", "listxattr", "getxattr",
)  # fmt: skip
KILLED = 137  # as a shell reports SIGKILL
ERRORS = (
    errno.EIO, errno.ENOSPC, errno.EROFS, errno.EDQUOT, errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.EINTR,
    errno.EACCES, errno.EPERM,
)  # fmt: skip
NO_ROOM = (errno.ENOSPC, errno.EDQUOT)
# By which a file system says that it does not keep such a thing: named in the report, and no fault.
_NOT_KEPT = (errno.EACCES, errno.EPERM)
_METADATA_CALLS = ("chown", "chmod", "utime", "setxattr", "removexattr")
_RAISED = 99


class Call(NamedTuple):
    name: str
    args: tuple
    kwargs: dict


class CountingEffects(Effects):
    """Counts and keeps the calls that change something; with ``reads`` those that look, too.

    Opening counts where it makes a file; with ``reads`` always.
    """

    def __init__(self, *, reads: bool = False) -> None:
        self.calls: list[Call] = []
        self._reads = reads
        for name in (*CHANGES, *(READS if reads else ())):
            setattr(self, name, self._counting(name, getattr(Effects, name)))

    @property
    def count(self) -> int:
        return len(self.calls)

    def by_name(self) -> Counter[str]:
        return Counter(call.name for call in self.calls)

    def _counting(self, name: str, call: Callable) -> Callable:
        def counted(*args: object, **kwargs: object) -> object:
            if name == "open" and not self._reads and not args[1] & os.O_CREAT:
                return call(*args, **kwargs)
            self.calls.append(Call(name, args, kwargs))
            return self._perform(call, self.calls[-1])

        return counted

    def _perform(self, call: Callable, what: Call) -> object:
        return call(*what.args, **what.kwargs)


class FailingEffects(CountingEffects):
    """The n-th call (from 1) raises ``OSError``; ``times`` says how many after it do so too."""

    def __init__(self, n: int, number: int, *, times: int = 1, reads: bool = False) -> None:
        super().__init__(reads=reads)
        self._first, self._last, self._errno = n, n + times - 1, number

    def _perform(self, call: Callable, what: Call) -> object:
        if self._first <= self.count <= self._last:
            raise OSError(self._errno, os.strerror(self._errno))
        return super()._perform(call, what)


class FailingCalls(CountingEffects):
    """Those calls fail that ``chosen`` picks, which is told of each and of how many of its name came before."""

    def __init__(self, chosen: Callable[[Call, int], bool], number: int) -> None:
        super().__init__()
        self._chosen, self._errno = chosen, number
        self.failed: list[int] = []  # places in ``calls``

    def _perform(self, call: Callable, what: Call) -> object:
        before = sum(other.name == what.name for other in self.calls) - 1
        if self._chosen(what, before):
            self.failed.append(self.count - 1)
            raise OSError(self._errno, os.strerror(self._errno))
        return super()._perform(call, what)


class ShortEffects(CountingEffects):
    """Writes and reads at most ``most_bytes`` a call, as the kernel may."""

    def __init__(self, most_bytes: int) -> None:
        super().__init__(reads=True)
        self._most_bytes = most_bytes

    def _perform(self, call: Callable, what: Call) -> object:
        if what.name in ("write", "pwrite"):
            fd, data, *rest = what.args
            return call(fd, memoryview(data)[: self._most_bytes], *rest)
        if what.name in ("readv", "preadv"):
            fd, (buffer, *_), *rest = what.args
            return call(fd, [memoryview(buffer)[: self._most_bytes]], *rest)
        return super()._perform(call, what)


class ShortCall(CountingEffects):
    """The n-th call, a write, takes one byte of what it is given, as the kernel may."""

    def __init__(self, n: int) -> None:
        super().__init__()
        self._n = n

    def _perform(self, call: Callable, what: Call) -> object:
        if self.count == self._n and what.name in ("write", "pwrite"):
            fd, data, *rest = what.args
            return call(fd, memoryview(data)[:1], *rest)
        return super()._perform(call, what)


class Fault(NamedTuple):
    """How the ``k``-th call (from 1) fails. ``number`` None: a write that takes one byte."""

    k: int
    number: int | None
    label: str

    def effects(self) -> CountingEffects:
        return ShortCall(self.k) if self.number is None else FailingEffects(self.k, self.number)


def faults(calls: list[Call], first: int = 1, step: int = 1) -> list[Fault]:
    """Each call, from the ``first`` on, with one of ``ERRORS`` or a short write, taking turns.

    With HYPOTHESIS_PROFILE=long each with each. Where an error says of a call that a file system does not keep such
    metadata, which is named in a report and no fault, that call gets another.
    """
    found = []
    for k in range(first, len(calls) + 1, step):
        call = calls[k - 1]
        ways = [*ERRORS, None] if call.name in ("write", "pwrite") else list(ERRORS)
        ways = [number for number in ways if not _is_no_fault(call, number)]
        for number in ways if LONG else [ways[k % len(ways)]]:
            error = "a short write" if number is None else errno.errorcode[number]
            found.append(Fault(k, number, f"{k} of {len(calls)}, {call.name} {call.args}: {error}"))
    return found


def _is_no_fault(call: Call, number: int | None) -> bool:
    if number in _NOT_KEPT and call.name in _METADATA_CALLS:
        return True
    # With room left, that is how ext4 says that it has no place for an attribute.
    return number in NO_ROOM and call.name == "setxattr"


class KillingEffects(CountingEffects):
    """The process ends just before the n-th call, or just after it. Nothing is cleaned up, nothing flushed."""

    def __init__(self, n: int, *, after: bool = False) -> None:
        super().__init__()
        self._n, self._after = n, after

    def _perform(self, call: Callable, what: Call) -> object:
        if self.count == self._n and not self._after:
            self._die()
        result = super()._perform(call, what)
        if self.count == self._n:
            self._die()
        return result

    def _die(self) -> None:
        os._exit(KILLED)


class StateCalls:
    """The calls that change names or make files below a folder, also those that do not go through the seam.

    That is what the state's own disk sees beside commits. Python tells of each before it is made (PEP 578): the n-th
    raises ``OSError``, or ends the process. Cannot be taken away again, so it is for a process of its own, too.
    """

    def __init__(self, top: Path, n: int = 0, number: int | None = None) -> None:
        self.calls: list[str] = []
        self._top, self._n, self._number = os.fsencode(top), n, number
        sys.addaudithook(self._hear)

    def _hear(self, event: str, args: tuple) -> None:
        if event not in _STATE_CALLS or not isinstance(args[0], (str, bytes, os.PathLike)):
            return
        if not os.fsencode(args[0]).startswith(self._top + b"/"):
            return
        if event == "open" and not (args[2] or 0) & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
            return
        self.calls.append(f"{event} {os.path.basename(os.fsdecode(args[0]))}")
        if len(self.calls) == self._n:
            if self._number is None:
                os._exit(KILLED)
            raise OSError(self._number, os.strerror(self._number))


_STATE_CALLS = frozenset(
    {
        "open",
        "os.link",
        "os.mkdir",
        "os.remove",
        "os.rename",
        "os.rmdir",
        "os.symlink",
        "os.truncate",
        "sqlite3.connect",
    }
)


class PowerCutEffects(KillingEffects):
    """The process ends before the n-th call, and what no barrier made durable is gone with it.

    ``lose`` "names": every name and every metadata change since the last syncfs(2) is as it was before, newest first.
    "data": names stay, and the files written since hold zeros, as with delayed allocation. A kernel may leave either,
    or anything between; ``keep`` says how many of the oldest changes survive. Only what lies below ``top`` is lost: the
    manifest is on another disk, and its commits are durable when they return.
    """

    def __init__(self, n: int, top: bytes, *, lose: str, keep: int = 0) -> None:
        super().__init__(n)
        self._top, self._lose, self._keep = top, lose, keep
        self._undo: list[Callable[[], None]] = []
        self._written: dict[tuple[int, int], int] = {}
        self._graves = 0

    def _perform(self, call: Callable, what: Call) -> object:
        if self.count == self._n:
            self._lose_all()
            self._die()
        before = None
        if what.name in _UNDOABLE:
            before = self._prepare(what)
        result = call(*what.args, **what.kwargs)
        if before is not None:
            self._undo.append(before)
        if what.name in ("write", "pwrite", "ftruncate"):
            self._remember(what.args[0])
        elif what.name == "syncfs":
            self._undo.clear()
            self._forget_all()
        elif what.name == "fsync":
            self._forget(what.args[0])
        return result

    # --- data

    def _remember(self, fd: int) -> None:
        status = os.fstat(fd)
        key = (status.st_dev, status.st_ino)
        if key not in self._written and _path(fd).startswith(self._top):
            self._written[key] = os.dup(fd)

    def _forget(self, fd: int) -> None:
        status = os.fstat(fd)
        kept = self._written.pop((status.st_dev, status.st_ino), None)
        if kept is not None:
            os.close(kept)

    def _forget_all(self) -> None:
        for fd in self._written.values():
            os.close(fd)
        self._written.clear()

    # --- names and metadata

    def _prepare(self, what: Call) -> Callable[[], None] | None:
        """What takes the call back, seen before it is made."""
        args, kwargs = what.args, what.kwargs
        if what.name in _METADATA:
            return self._metadata(args[0], kwargs.get("dir_fd"))
        if what.name in ("rename", "rename_new", "link", "exchange"):
            src = _path(kwargs["src_dir_fd"]) + b"/" + args[0]
            dst = _path(kwargs["dst_dir_fd"]) + b"/" + args[1]
        else:
            src = dst = _path(kwargs["dir_fd"]) + b"/" + (args[1] if what.name == "symlink" else args[0])
        if not dst.startswith(self._top):
            return None
        times = _times(os.path.dirname(src)), _times(os.path.dirname(dst))
        undo = self._names(what.name, src, dst)

        def take_back() -> None:
            undo()
            for path, ns in times:
                os.utime(path, ns=ns)

        return take_back

    def _renamed(self, src: bytes, dst: bytes) -> Callable[[], None]:
        if not os.path.lexists(dst):
            return lambda: os.rename(dst, src)
        if os.path.isdir(dst) and not os.path.islink(dst):
            return lambda: (os.rename(dst, src), os.mkdir(dst))
        grave = self._bury(dst)
        return lambda: (os.rename(dst, src), os.rename(grave, dst))

    def _names(self, name: str, src: bytes, dst: bytes) -> Callable[[], None]:
        if name in ("rename", "rename_new"):
            return self._renamed(src, dst)
        if name == "unlink":
            grave = self._bury(dst)
            return lambda: os.rename(grave, dst)
        if name == "rmdir":
            status = os.lstat(dst)
            return lambda: (os.mkdir(dst), os.chmod(dst, status.st_mode & 0o7777), os.utime(dst, ns=_ns(status)))
        if name == "mkdir":
            return lambda: os.rmdir(dst)
        if name == "exchange":
            return lambda: Effects.exchange(src, dst, src_dir_fd=-100, dst_dir_fd=-100)
        return lambda: os.unlink(dst)  # link, symlink, open

    def _bury(self, path: bytes) -> bytes:
        """A second name outside the drive for what is about to lose its own."""
        self._graves += 1
        grave = self._top + b".lost/%d" % self._graves
        with suppress(FileExistsError):
            os.mkdir(os.path.dirname(grave))
        with suppress(FileNotFoundError):
            os.unlink(grave)
        os.link(path, grave, follow_symlinks=False)
        return grave

    def _metadata(self, target: int | bytes, dir_fd: int | None) -> Callable[[], None] | None:
        if isinstance(target, int):
            if not _path(target).startswith(self._top):
                return None
            status, attributes = os.fstat(target), {name: os.getxattr(target, name) for name in os.listxattr(target)}
            fd = os.dup(target)

            def restore() -> None:
                os.fchown(fd, status.st_uid, status.st_gid)
                os.fchmod(fd, status.st_mode & 0o7777)
                for name in os.listxattr(fd):
                    if name not in attributes:
                        os.removexattr(fd, name)
                for name, value in attributes.items():
                    os.setxattr(fd, name, value)
                os.utime(fd, ns=_ns(status))

            return restore
        if dir_fd is None:
            return None  # an attribute of a symlink: lost with the link itself
        path = _path(dir_fd) + b"/" + target
        if not path.startswith(self._top):
            return None
        status = os.lstat(path)
        return lambda: (
            os.lchown(path, status.st_uid, status.st_gid),
            os.utime(path, ns=_ns(status), follow_symlinks=False),
        )

    def _lose_all(self) -> None:
        if self._lose == "data":
            for fd in self._written.values():
                size_bytes = os.fstat(fd).st_size
                os.ftruncate(fd, 0)
                os.ftruncate(fd, size_bytes)
            return
        for undo in reversed(self._undo[self._keep :]):
            undo()


_METADATA = frozenset({"chmod", "chown", "utime", "setxattr", "removexattr"})
_UNDOABLE = _METADATA | {"open", "mkdir", "rmdir", "unlink", "rename", "rename_new", "exchange", "link", "symlink"}


def _path(fd: int) -> bytes:
    return os.readlink(b"/proc/self/fd/%d" % fd)


def _ns(status: os.stat_result) -> tuple[int, int]:
    return status.st_atime_ns, status.st_mtime_ns


def _times(folder: bytes) -> tuple[bytes, tuple[int, int]]:
    return folder, _ns(os.stat(folder))


def in_child(action: Callable[[], object]) -> bool:
    """Runs something in a process of its own. True: it ran to its end; False: an effect killed it.

    Raises:
        AssertionError: it raised, with its traceback; or it ended in another way.
    """
    reader, writer = os.pipe()
    pid = os.fork()
    if pid == 0:
        code = _RAISED
        try:
            os.close(reader)
            action()
            code = 0
        except BaseException:
            os.write(writer, traceback.format_exc().encode("utf-8", "backslashreplace")[-60_000:])
        finally:
            os._exit(code)
    os.close(writer)
    with os.fdopen(reader, "rb") as pipe:
        said = pipe.read()
    _, status = os.waitpid(pid, 0)
    assert not os.WIFSIGNALED(status), f"ended by {signal.Signals(os.WTERMSIG(status)).name}"
    code = os.WEXITSTATUS(status)
    assert code in (0, KILLED), f"the process raised:\n{said.decode()}"
    return code == 0
