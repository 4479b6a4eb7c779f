"""Opens the primary so that it cannot be written to, nor marked as read.

Opening files with O_RDONLY keeps nobody from writing through the same path, and reading alone leaves traces: O_NOATIME
(open(2)) covers files and directories of the caller, but nothing covers readlink(2). A mount that is read-only and
``noatime`` covers all of it, in the kernel. So with the right to do it, the root is opened through a private clone of
its mount that no other process sees and that vanishes with its descriptors:

- open_tree(2) with OPEN_TREE_CLONE: linux/mount.h, Linux 5.2
- mount_setattr(2) with MOUNT_ATTR_RDONLY and MOUNT_ATTR_NOATIME: linux/mount.h, Linux 5.12

Both need CAP_SYS_ADMIN. Called by number since glibc has had wrappers only since 2.36; the numbers are the same on
all architectures but alpha, as for all calls added since Linux 5.1 (asm-generic/unistd.h: 428, 442).
"""

from __future__ import annotations

import ctypes
import errno
import os
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Self

from nightferry.tree.effects import Effects

_libc = ctypes.CDLL(None, use_errno=True)

_SYS_OPEN_TREE = 428
_SYS_MOUNT_SETATTR = 442
_AT_FDCWD = -100
_AT_EMPTY_PATH = 0x1000
_AT_SYMLINK_NOFOLLOW = 0x100
_OPEN_TREE_CLONE = 1
_OPEN_TREE_CLOEXEC = os.O_CLOEXEC
_MOUNT_ATTR_RDONLY = 0x1
_MOUNT_ATTR_NOATIME = 0x10
_MOUNT_ATTR__ATIME = 0x70  # the field that NOATIME is one value of: it has to be cleared with it
_MS_PRIVATE = 1 << 18

# Not root; a kernel without the calls; a mount that cannot be cloned.
_NOT_HERE = frozenset({errno.EPERM, errno.ENOSYS, errno.EINVAL})


class _MountAttr(ctypes.Structure):
    """struct mount_attr of linux/mount.h."""

    _fields_ = (
        ("attr_set", ctypes.c_uint64),
        ("attr_clr", ctypes.c_uint64),
        ("propagation", ctypes.c_uint64),
        ("userns_fd", ctypes.c_uint64),
    )


@dataclass
class ReadOnlyView:
    """A root opened for reading. ``kernel_enforced``: through ``fd`` nothing can be written and no access time moves.

    While it is open the drive can be unmounted from its mount point, but stays busy until :meth:`close`.
    Mounts below the root are not in a view that the kernel enforces: the folders they cover are, usually empty.
    """

    fd: int
    kernel_enforced: bool
    _effects: Effects = field(repr=False)
    _tree_fd: int = field(default=-1, repr=False)

    def close(self) -> None:
        """Lets go of the drive; a second call does nothing."""
        fd, tree_fd = self.fd, self._tree_fd
        self.fd = self._tree_fd = -1
        try:
            if fd >= 0:
                self._effects.close(fd)
        finally:
            if tree_fd >= 0:
                os.close(tree_fd)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _syscall(number: int, *arguments: object) -> int:
    result: int = _libc.syscall(ctypes.c_long(number), *arguments)
    if result < 0:
        code = ctypes.get_errno()
        raise OSError(code, os.strerror(code))
    return result


def _clone_read_only(path: bytes) -> int:
    """A descriptor (O_PATH) of a detached, read-only, noatime clone of the mount, rooted at ``path``.

    Not recursive: mounts below are not entered anyhow. Private: what is mounted below later does not come in either.
    """
    flags = _OPEN_TREE_CLONE | _OPEN_TREE_CLOEXEC | _AT_SYMLINK_NOFOLLOW
    fd = _syscall(_SYS_OPEN_TREE, ctypes.c_int(_AT_FDCWD), ctypes.c_char_p(path), ctypes.c_uint(flags))
    attributes = _MountAttr(
        attr_set=_MOUNT_ATTR_RDONLY | _MOUNT_ATTR_NOATIME,
        attr_clr=_MOUNT_ATTR__ATIME,
        propagation=_MS_PRIVATE,
    )
    try:
        _syscall(
            _SYS_MOUNT_SETATTR,
            ctypes.c_int(fd),
            ctypes.c_char_p(b""),
            ctypes.c_uint(_AT_EMPTY_PATH),
            ctypes.byref(attributes),
            ctypes.c_size_t(ctypes.sizeof(attributes)),
        )
    except OSError:
        os.close(fd)
        raise
    return fd


def open_read_only(path: Path, effects: Effects) -> ReadOnlyView:
    """Opens a folder for reading; symlinks in its path are followed first, and never after.

    Raises:
        OSError: the path is absent, is no folder, or may not be read.
    """
    real = os.path.realpath(os.fsencode(path))
    flags = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
    try:
        tree_fd = _clone_read_only(real)
    except OSError as error:
        if error.errno not in _NOT_HERE:
            raise
        return ReadOnlyView(effects.open(real, flags), False, effects)
    try:
        fd = effects.open(b".", flags, dir_fd=tree_fd)
    except OSError:
        os.close(tree_fd)
        raise
    return ReadOnlyView(fd, True, effects, tree_fd)
