"""A process for which all is read-only but what its work writes.

Done when a night begins, with the drives mounted by then, which a service's own settings cannot do: those hold for
what was mounted when the service started. In one of two ways, both with mount_setattr(2) (Linux 5.12):

- :func:`confine`, anywhere: in a mount namespace of its own (unshare(2)) every mount is made read-only and the few
  places that are written are opened again. Mounts that come and go outside still do so inside (MS_SLAVE), so that a
  drive can be unmounted.
- :func:`open_secondary`, in a service whose mounts are its own and read-only already (ProtectSystem=strict): only the
  secondary is opened, for as long as the night lasts. Then the service needs no right to make namespaces.
"""

from __future__ import annotations

import ctypes
import errno
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from nightferry.volumes.mounts import is_mount_point, mount_of
from nightferry.volumes.readonly import _MountAttr, _syscall

_libc = ctypes.CDLL(None, use_errno=True)
_SYS_MOUNT_SETATTR = 442
_AT_FDCWD = -100
_AT_RECURSIVE = 0x8000
_RDONLY = 0x1
_MS_BIND, _MS_REC, _MS_SLAVE = 1 << 12, 1 << 14, 1 << 19
_CLONE_NEWNS = 0x00020000

_NOT_HERE = frozenset({errno.EPERM, errno.ENOSYS, errno.EINVAL})


def confine(writable: Sequence[Path]) -> bool:
    """From now on this process writes nowhere but below ``writable``; places that are not there are left out.

    Returns False where the kernel or the user's rights do not allow it: then nothing has changed that matters.

    Raises:
        OSError: something else went wrong half way; the process should end.
    """
    if _libc.unshare(ctypes.c_int(_CLONE_NEWNS)) != 0:
        if ctypes.get_errno() in _NOT_HERE:
            return False
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
    try:
        _set(b"/", _MountAttr(propagation=_MS_SLAVE), recursive=True)
        # Outer ones first: a bind over a folder hides what was bound inside it before.
        places = sorted(
            {Path(os.path.realpath(path)) for path in writable if path.is_dir()}, key=lambda path: path.parts
        )
        for place in places:
            if not is_mount_point(place):
                _bind(place)
        _set(b"/", _MountAttr(attr_set=_RDONLY), recursive=True)
    except OSError as error:
        if error.errno in _NOT_HERE:
            return False
        raise
    for place in places:
        _set(os.fsencode(place), _MountAttr(attr_clr=_RDONLY), recursive=False)
    os.chdir("/")  # the old working directory is of the mounts before
    return True


def is_read_only_by_itself() -> bool:
    """Whether the root of all is mounted read-only, as in a service that systemd confines."""
    return mount_of(Path("/")).read_only


@contextmanager
def open_secondary(primary: Path, secondary: Path) -> Iterator[None]:
    """For the time of the block, the mount of the secondary takes writes, and that of the primary does not.

    Of a drive that is not mounted nothing is changed: the night says that it is missing.

    Raises:
        OSError: the kernel refuses.
    """
    if is_mount_point(primary):
        _set(os.fsencode(primary), _MountAttr(attr_set=_RDONLY), recursive=False)
    if not is_mount_point(secondary):
        yield
        return
    _set(os.fsencode(secondary), _MountAttr(attr_clr=_RDONLY), recursive=False)
    try:
        yield
    finally:
        with suppress(OSError):  # still open for writing, or gone: the next night asks again
            _set(os.fsencode(secondary), _MountAttr(attr_set=_RDONLY), recursive=False)


def _bind(place: Path) -> None:
    path = ctypes.c_char_p(os.fsencode(place))
    if _libc.mount(path, path, None, ctypes.c_ulong(_MS_BIND | _MS_REC), None) != 0:
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))


def _set(path: bytes, attributes: _MountAttr, *, recursive: bool) -> None:
    _syscall(
        _SYS_MOUNT_SETATTR,
        ctypes.c_int(_AT_FDCWD),
        ctypes.c_char_p(path),
        ctypes.c_uint(_AT_RECURSIVE if recursive else 0),
        ctypes.byref(attributes),
        ctypes.c_size_t(ctypes.sizeof(attributes)),
    )
