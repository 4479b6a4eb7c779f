"""The folder that a restore writes into: everything below it, nothing outside of it, nothing half written.

A file is written whole into a folder of our own at the top of the target, hashed as it is written, given its
metadata, and synced with the rest of its batch; only then does it get its name. So a name that is there is whole,
whenever the power goes, and a restore that is called again goes on where it stopped. Folders get their metadata last,
since every name in them moves their times. Names are resolved below an open folder, component by component: no symlink
that stands in the target, or is put there meanwhile, leads out of it.
"""

from __future__ import annotations

import errno
import os
import stat as stat_module
from collections.abc import Callable
from contextlib import suppress
from typing import Literal, NamedTuple

from nightferry.manifest.records import Content
from nightferry.recovery.restoring import staging
from nightferry.recovery.restoring.batch import BATCH_FILES_LIMIT, Batch, Pending, Tally
from nightferry.recovery.restoring.likeness import Likeness
from nightferry.recovery.restoring.refusals import Refused, failed, refusing
from nightferry.recovery.restoring.staging import Staging
from nightferry.tree.content import Buffers, ReadFailed, copy_content
from nightferry.tree.digests import XXH3_128, by_id
from nightferry.tree.durability import Barrier, SyncFailed
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import OwnerOfNew, Stat, Xattrs, apply_to_open, apply_to_symlink
from nightferry.tree.root import Root, split
from nightferry.volumes.capabilities import Capabilities

# A folder that we made and that has not got its metadata yet. Nobody gives a folder that only its owner may enter the
# bit that keeps others from deleting in it; so a call after a crash knows its own folders from those of before.
OURS_MODE = 0o1700
_MODE_MASK = 0o1777  # without the set-id bits, one of which may come from the folder above

_NO_LINK = {errno.EMLINK, errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.ENOENT}

FolderState = Literal["made", "ours", "there"]


class WrongContent(Exception):
    """What was read is not what the checksum says; no name was made."""


class Written(NamedTuple):
    """One file written. ``lost``: of owner, mode, attributes, time what the target could not hold."""

    size_bytes: int
    lost: list[str]
    verified: bool  # False: there was no checksum to compare with


class Target:
    """Use ``open_target``. Paths are relative to the target, as those of ``Root``.

    Whatever is written, its folder must be there: made with ``folder``. All methods raise ``Refused`` for one name, and
    ``Failed`` where the target as a whole gives up (full, unplugged, a failed sync); then nothing of the batch has a
    name, and calling the restore again writes it again.
    """

    def __init__(
        self,
        root: Root,
        buffers: Buffers,
        own: Staging,
        capabilities: Capabilities,
        *,
        is_ours: bool = False,
        should_stop: Callable[[], bool] = lambda: False,
        progress: Callable[[int], None] = lambda size_bytes: None,
        cold: bool = False,
    ) -> None:
        """``progress`` is told of content bytes. ``cold``: sources are read anew from their drive, not from memory.

        ``is_ours``: the target itself was made by a restore, and is to get its metadata.
        """
        self.root, self.can, self.is_ours, self.tally = root, capabilities, is_ours, Tally()
        self._effects: Effects = root.effects
        self._buffers, self._staging = buffers, own
        self._should_stop, self._progress, self._cold = should_stop, progress, cold
        self._likeness = Likeness(capabilities, root.effects)
        self._barrier = Barrier(root, syncfs_covers=capabilities.syncfs_covers)
        self._batch = Batch(root, self._barrier, capabilities, self.tally)
        self._dressed = 0
        self._owner_of_new = OwnerOfNew(root.effects)
        self._folders: list[tuple[bytes, Stat, Xattrs]] = []

    # --- folders

    def make_folder(self, path: bytes) -> FolderState:
        """A folder, made where missing; tells whether this made it, a call before it did, or it was there before."""
        with refusing():
            found = self.root.stat_or_none(path)
            if found is None:
                fd, name = self.root.at(path)
                self._effects.mkdir(name, OURS_MODE, dir_fd=fd)
                self._barrier.names_changed(split(path)[0])
                self.tally.folders += 1
                return "made"
            if not stat_module.S_ISDIR(found.st_mode):
                raise Refused("something else than a folder has its name there")
            self._batch.check_spelling(path)
            self.root.folder(path)  # one that cannot be entered is refused here, not at each file in it
            return "ours" if is_ours(found) else "there"

    def dress_folder(self, path: bytes, stat: Stat, xattrs: Xattrs) -> list[str]:
        """Gives a folder its metadata, when no name in it will change any more; returns what it could not hold."""
        with refusing():
            fd = self.root.folder(path)
            lost: list[str] = []
            if self.differs(fd, stat, xattrs):
                lost = self._dress(fd, stat, xattrs)
                self._barrier.names_changed(path)
            lost = self._lost(fd, stat, lost)
            self._dressed += 1
            if self._dressed % BATCH_FILES_LIMIT == 0:
                self._barrier.wait()  # which remembers each folder
        return lost

    def _dress(self, fd: int, stat: Stat, xattrs: Xattrs) -> list[str]:
        if not is_ours(self._effects.fstat(fd), stat):
            return apply_to_open(fd, stat, xattrs, self._effects, fresh=False)
        # Its mode is what tells the next call that it is ours: that goes last.
        lost = apply_to_open(fd, stat._replace(mode=OURS_MODE), xattrs, self._effects, fresh=False)
        with suppress(PermissionError):  # told as lost
            self._effects.chmod(fd, stat.mode)
        return lost

    def folder(self, path: bytes, stat: Stat, xattrs: Xattrs) -> FolderState:
        """As ``make_folder``; ``finish`` gives it its metadata, where it was not there before. Remembers each."""
        state = self.make_folder(path)
        if state != "there":
            self._folders.append((path, stat, xattrs))
        return state

    # --- files

    def file(
        self,
        path: bytes,
        stat: Stat,
        xattrs: Xattrs,
        content: Content,
        source_root: Root,
        source_path: bytes,
        *,
        replace: bool = False,
    ) -> Written:
        """One file with its content and metadata, from one read. It has its name after the next ``commit``.

        Args:
            content: the checksum; without a digest nothing is compared.
            replace: whether what has the name goes, in one step. Without, it stays, and the file is refused when its
                batch gets its names (``tally.late``).

        Raises:
            ReadFailed: the source. WrongContent: it is not what it should be. Refused, Stopped, Failed.
        """
        source, before = self._open_source(source_root, source_path)
        try:
            hasher = (XXH3_128 if content.algorithm is None else by_id(content.algorithm)).new()

            def fill(out: int) -> tuple[int, int]:
                copied = copy_content(
                    source, out, size_bytes=stat.size_bytes, hasher=hasher, effects=self._effects,
                    buffers=self._buffers, should_stop=self._should_stop, progress=self._progress,
                    has_holes=before.st_blocks * 512 < before.st_size, past_cache=self.can.direct_writes,
                )  # fmt: skip
                is_right = copied.read_bytes == stat.size_bytes and copied.digest == content.digest
                if content.digest is not None and not is_right:
                    raise WrongContent("its content is not what its checksum says")
                return copied.read_bytes, copied.written_bytes

            size_bytes, lost = self.fill_file(path, stat, xattrs, fill, replace=replace)
        finally:
            self._effects.close(source)
        return Written(size_bytes, lost, content.digest is not None)

    def fill_file(
        self, path: bytes, stat: Stat, xattrs: Xattrs, fill: Callable[[int], tuple[int, int]], *, replace: bool = False
    ) -> tuple[int, list[str]]:
        """A file whose content ``fill`` writes into an open one, returning its size and the bytes written.

        Returns the size, and what the target could not hold of the metadata. Raises as ``fill`` and as ``file``.
        """
        with refusing():
            self._batch.check_place(path)
            name = self._staging.new_name()
            out = self.root.create(name)
            try:
                size_bytes, written_bytes = fill(out)
                owner = self._owner_of_new.of(out)
                said = apply_to_open(out, stat, xattrs, self._effects, fresh=True, owner=owner)
                lost = self._lost(out, stat, said)
                self._barrier.file_written(out)
            except BaseException:
                with suppress(OSError):  # what stays is cleared away before our folder goes, or by the next call
                    self.root.unlink(name)
                raise
            finally:
                self._effects.close(out)
        self.tally.written_bytes += written_bytes
        self._batch.add(Pending(name, path, replace, "files", size_bytes))
        return size_bytes, lost

    def symlink(self, path: bytes, stat: Stat, target: bytes, xattrs: Xattrs, *, replace: bool = False) -> list[str]:
        """A symlink, with its owner, time and attributes."""
        if not self.can.symlinks:
            raise Refused("the target's file system has no symbolic links")
        with refusing():
            self._batch.check_place(path)
            name = self._staging.new_name()
            self.root.symlink(target, name)
            fd, last = self.root.at(name)
            lost = apply_to_symlink(fd, last, stat, xattrs, self._effects, fresh=True)
            self._barrier.names_changed(staging.NAME)
        self.tally.lost.update(set(lost))
        self._batch.add(Pending(name, path, replace, "symlinks", 0))
        return lost

    def link(self, existing: bytes, path: bytes, *, replace: bool = False) -> bool:
        """Another name for a file of this target, also one that waits for its name.

        False where the file system has no hard links, or can have no more of that file: then it has to be written.
        """
        if not self.can.hard_links:
            return False
        with refusing():
            self._batch.check_place(path)
            name = self._staging.new_name()
            try:
                self.root.link(self._batch.place_of(existing), name)
            except OSError as error:
                if error.errno in _NO_LINK:
                    return False
                raise
            self._barrier.names_changed(staging.NAME)
        self._batch.add(Pending(name, path, replace, "links", 0))
        return True

    def alter(self, path: bytes, stat: Stat, xattrs: Xattrs) -> list[str]:
        """Gives a file or symlink that has the right content its metadata, in place."""
        with refusing():
            if stat_module.S_ISLNK(self.root.stat(path).st_mode):
                fd, name = self.root.at(path)
                lost = apply_to_symlink(fd, name, stat, xattrs, self._effects)
                self.tally.lost.update(set(lost))
                self._barrier.names_changed(split(path)[0])
            else:
                out = self.root.open_to_read(path)
                try:
                    lost = self._lost(out, stat, apply_to_open(out, stat, xattrs, self._effects, fresh=False))
                    self._barrier.file_written(out)
                finally:
                    self._effects.close(out)
        self.tally.altered += 1
        return lost

    # --- what stands there

    def differs(self, place: int | bytes, stat: Stat, xattrs: Xattrs) -> list[str]:
        """In what the metadata of an open file or folder, or of a symlink (its path), is not as wanted.

        Only what the target's file system can hold counts. Raises ``OSError``.
        """
        return self._likeness.differs(place if isinstance(place, int) else self.root.at(place), stat, xattrs)

    def folder_state(self, path: bytes, wanted: Stat) -> FolderState | None:
        """As ``make_folder`` tells, without making it; None where no folder has that name. Raises ``Refused``."""
        with refusing():
            found = self.root.stat_or_none(path)
            if found is None or not stat_module.S_ISDIR(found.st_mode):
                return None
            if not path:
                return "ours" if self.is_ours else "there"
            return "ours" if is_ours(found, wanted) else "there"

    def is_same(self, path: bytes, found: os.stat_result) -> bool:
        """Whether a file of this target, also one that waits for its name, is the one that was looked at."""
        other = self.root.stat_or_none(self._batch.place_of(path))
        return other is not None and (other.st_dev, other.st_ino) == (found.st_dev, found.st_ino)

    def check_spelling(self, path: bytes) -> None:
        """Raises ``Refused`` where what was found at a path is another name, in upper and lower case."""
        self._batch.check_spelling(path)

    # --- the end

    def commit(self) -> None:
        """Makes the batch durable and gives its files their names. What is refused then stands in ``tally.late``."""
        self._batch.commit()

    def finish(self, stat: Stat | None = None, xattrs: Xattrs = ()) -> None:
        """Everything has its name and its metadata, durably, and our own folder is gone.

        ``stat`` and ``xattrs``: of the target itself, where that is to have them; ``Refused`` where it does not take
        them, with all else done.
        """
        self.commit()
        self.wait()
        for path, wanted, attributes in reversed(self._folders):
            with suppress(Refused):  # it was taken away again meanwhile
                self.dress_folder(path, wanted, attributes)
        self._folders.clear()
        self.wait()
        self._remove_staging()
        try:
            if stat is not None:
                self.dress_folder(b"", stat, xattrs)
        finally:
            self.wait()

    def settle(self) -> None:
        """What is complete gets its name, and our own folder goes; for a restore that stops before its end.

        Folders that it made stay without their metadata, so that the next call knows them.
        """
        if self._staging.is_there:
            self.commit()
            self.withdraw()

    def withdraw(self) -> None:
        """Our own folder goes, with all that has no name yet."""
        if self._staging.is_there:
            self._remove_staging()
            self.wait()

    def _remove_staging(self) -> None:
        self._staging.remove()
        self._barrier.names_changed(b"")

    def wait(self) -> None:
        """Returns when all names are durable: before folders get their metadata, which says that they are complete."""
        try:
            self._barrier.wait()
        except SyncFailed as error:
            raise failed(error) from error

    # --- steps

    def _open_source(self, root: Root, path: bytes) -> tuple[int, os.stat_result]:
        try:
            fd, found = root.open_and_stat(path)
        except OSError as error:
            raise ReadFailed(error.errno, error.strerror) from error
        if self._cold:
            with suppress(OSError):
                self._effects.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
        return fd, found

    def _lost(self, fd: int, wanted: Stat, said: list[str]) -> list[str]:
        lost = self._likeness.lost(fd, wanted, said)
        self.tally.lost.update(lost)
        return lost


def is_ours(found: os.stat_result, wanted: Stat | None = None) -> bool:
    """Whether a restore made a folder, and has not given it its metadata, or not all of it."""
    mode = stat_module.S_IMODE(found.st_mode) & _MODE_MASK
    # An access list, which comes before the mode, changes what the group may do.
    half_dressed = -1 if wanted is None or wanted.mode & 0o1000 else wanted.mode & 0o777 | 0o1000
    return mode in (OURS_MODE, half_dressed)
