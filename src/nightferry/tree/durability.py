"""Making writes durable: one barrier for all that was done since the last.

Where one syncfs(2) covers the data and the names of a whole file system, that is the barrier.
FUSE file systems do not pass it on, so there each file is synced as it is written and each
folder whose names changed is synced at the barrier.
"""

from __future__ import annotations

import errno

from nightferry.tree.effects import Effects
from nightferry.tree.root import Root


class SyncFailed(OSError):
    """What was written since the last barrier may be lost, whatever a second sync would say."""


class Barrier:
    """``syncfs_covers`` as probed; ``file_written`` before a file is closed, ``names_changed`` after a change."""

    def __init__(self, root: Root, *, syncfs_covers: bool) -> None:
        self._root = root
        self._effects: Effects = root.effects
        self._syncfs_covers = syncfs_covers
        self._folders: set[bytes] = set()
        self._pending = False

    def file_written(self, fd: int) -> None:
        """Raises ``SyncFailed`` where the file has to be synced here and that fails."""
        self._pending = True
        if not self._syncfs_covers:
            try:
                self._effects.fsync(fd)
            except OSError as error:
                raise SyncFailed(error.errno, error.strerror) from error

    def names_changed(self, folder: bytes) -> None:
        self._pending = True
        if not self._syncfs_covers:
            self._folders.add(folder)

    def wait(self) -> None:
        """Returns when everything since the last call is durable; raises ``SyncFailed`` otherwise.

        After a failure the same pages must not be trusted to a second sync: the kernel has
        marked them clean (Rebello et al., USENIX ATC 2020). The caller writes them again.
        """
        if not self._pending:
            return
        folders, self._folders = self._folders, set()
        self._pending = False
        try:
            if self._syncfs_covers:
                self._effects.syncfs(self._root.fd)
                return
            for folder in sorted(folders):
                self._sync_folder(folder)
        except OSError as error:
            raise SyncFailed(error.errno, error.strerror) from error

    def _sync_folder(self, folder: bytes) -> None:
        try:
            self._effects.fsync(self._root.folder(folder))
        except (FileNotFoundError, NotADirectoryError):
            return  # removed since: its own parent is in the list
        except OSError as error:
            if error.errno != errno.EINVAL:  # fsync(2): a file system that cannot sync folders
                raise
