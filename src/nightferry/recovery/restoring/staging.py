"""The folder of our own at the top of a restore's target, in which files are written before they get their names."""

from __future__ import annotations

import errno
import os
import stat
from contextlib import suppress

from nightferry.night import listing as night_listing
from nightferry.recovery.restoring.refusals import failed
from nightferry.tree.root import Root, join
from nightferry.volumes.lock import lock_descriptor

NAME = b".nightferry-restoring"
# What stands at the top of a drive, or of a target, and is never restored.
OWN_NAMES = night_listing.OWN_NAMES | {NAME}
_ACLS = (b"system.posix_acl_access", b"system.posix_acl_default")


class Staging:
    """Made, locked and emptied of what a call that was cut off left. ``close`` it after use."""

    def __init__(self, root: Root, shown: str) -> None:
        """``shown``: the target, for messages.

        Raises ``OSError`` where it cannot be made, ``Busy`` where another restore has it, and ``Failed``.
        """
        self._root, self._effects = root, root.effects
        self._count = 0
        self.is_there = True
        self.fd = self._open()  # of its own, since the lock goes with it
        try:
            lock_descriptor(self.fd, f"the folder {shown}")
            for name in _ACLS:
                # A default ACL of the target would be inherited by every file that is written here.
                with suppress(OSError):
                    self._effects.removexattr(self.fd, name)
            self.clear()
        except BaseException:
            self.close()
            raise

    def _open(self) -> int:
        found = self._root.stat_or_none(NAME)
        if found is None:
            self._root.mkdir(NAME)
        elif not stat.S_ISDIR(found.st_mode) or found.st_uid not in (os.geteuid(), 0):
            raise OSError(errno.EEXIST, f"there is a {NAME.decode()} in it that is not ours")
        fd, name = self._root.at(NAME)
        return self._effects.open(name, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=fd)

    def new_name(self) -> bytes:
        """A path that nothing has."""
        self._count += 1
        return b"%s/%d" % (NAME, self._count)

    def clear(self) -> None:
        """Raises ``Failed``."""
        try:
            for name in self._root.names(NAME):
                path = join(NAME, name)
                if stat.S_ISDIR(self._root.stat(path).st_mode):
                    self._root.remove_tree(path)  # where it was tried what the file system can hold
                else:
                    self._root.unlink(path)
        except OSError as error:
            raise failed(error) from error

    def remove(self) -> None:
        """Raises ``Failed``."""
        self.clear()
        try:
            self._root.rmdir(NAME)
        except OSError as error:
            raise failed(error) from error
        self.is_there = False

    def close(self) -> None:
        self._effects.close(self.fd)
