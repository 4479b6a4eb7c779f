"""What a restore's target refuses: one name, and all else goes on; or everything, and the restore ends."""

from __future__ import annotations

import errno
from types import TracebackType
from typing import NamedTuple

from nightferry.errors import Failed
from nightferry.tree.content import ReadFailed
from nightferry.tree.durability import SyncFailed
from nightferry.tree.root import OtherMountError

_OF_THE_DRIVE = {
    errno.EIO, errno.EROFS, errno.ENODEV, errno.ENXIO, errno.ENOTCONN, errno.ESHUTDOWN, errno.ENOMEDIUM,
    errno.EMFILE, errno.ENFILE, errno.ENOMEM,
}  # fmt: skip
_NO_ROOM = {errno.ENOSPC, errno.EDQUOT}
_BY_NUMBER = {
    errno.EINVAL: "the target's file system cannot hold this name",
    errno.EILSEQ: "the target's file system cannot hold this name",
    errno.ENAMETOOLONG: "the target's file system cannot hold this name",
    errno.EFBIG: "the target's file system cannot hold a file of this size",
    errno.ELOOP: "a symlink stands where its folder should be; nothing is followed",
    errno.ENOTDIR: "something else than a folder stands where its folder should be",
    errno.ENOENT: "its folder is not there",
    errno.EISDIR: "a folder has its name there",
    errno.ENOTEMPTY: "a folder has its name there",
    errno.EEXIST: "something has its name there already",
}


class Refused(Exception):
    """The target would not take this one name; the message says why, in words. All else can go on."""


class Refusal(NamedTuple):
    path: bytes
    why: str


class refusing:  # noqa: N801 (read as a word: ``with refusing():``)
    """Turns errors of the target into ``Refused`` where they are about one name, into ``Failed`` else.

    Errors of the source (``ReadFailed``) pass.
    """

    def __enter__(self) -> None:
        return None

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if not isinstance(error, OSError) or isinstance(error, ReadFailed):
            return
        if isinstance(error, SyncFailed):
            raise failed(error) from error
        if isinstance(error, OtherMountError):
            raise Refused("another drive is mounted there, which is not entered") from error
        if error.errno in _OF_THE_DRIVE or error.errno in _NO_ROOM:
            raise failed(error) from error
        said = _BY_NUMBER.get(error.errno or 0, f"the target refused it ({error.strerror or error})")
        raise Refused(said) from error


def failed(error: OSError) -> Failed:
    """The target as a whole gave up."""
    if error.errno in _NO_ROOM:
        return Failed(
            "The target is full: make room there, or restore less, then give the same command again, which goes on"
            " where this one stopped."
        )
    return Failed(
        f"The target reports an error that is not about one file ({error.strerror or error}): see the system log for"
        " that drive, check cable and power, then give the same command again, which goes on where this one stopped."
    )
