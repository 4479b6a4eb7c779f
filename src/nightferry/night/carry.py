"""Carrying out an intent on the secondary: every step may be done already, since a crash can
fall between any two, and is then only checked.

Where an old version is displaced, three ways, by what the file system has:

- hard links: the old content gets its second name below ``retired/`` first, then the new file
  is renamed over the old name. No name is ever missing.
- an atomic exchange of names: the new file is put where the old one is to go, then both swap.
- neither: two renames. The name is missing for the instant between them.
"""

from __future__ import annotations

import errno
import os
import stat as stat_module
from collections.abc import Callable

from nightferry.manifest.records import Intent
from nightferry.night.context import COPY, RETIRED
from nightferry.planning.drive_health import DRIVE_ERRORS
from nightferry.tree.durability import Barrier
from nightferry.tree.metadata import Kind
from nightferry.tree.root import NO_RENAME_NEW, Root, join, split
from nightferry.volumes.capabilities import Capabilities

# Actions that name a staged file below ``retired/``, where nothing had that name.
INTO_RETIRED = ("displaced", "bring_back")


def in_copy(path: bytes) -> bytes:
    return join(COPY, path)


def in_retired(path: bytes) -> bytes:
    return join(RETIRED, path)


def free_in_retired(root: Root, stamp: bytes, path: bytes) -> bytes:
    """A name below ``retired/`` under a run's stamp, or beside it, that nothing has. Raises ``OSError``."""
    for attempt in range(1, 1_000):
        held = join(stamp + (b"" if attempt == 1 else b"~%d" % attempt), path)
        if root.stat_or_none(in_retired(held)) is None and _is_way_free(root, in_retired(split(held)[0])):
            return held
    raise OSError(errno.EEXIST, "no free name below retired/")


def _is_way_free(root: Root, folder: bytes) -> bool:
    """Whether all above a name are folders, as far as they are there."""
    while (found := root.stat_or_none(folder)) is None:
        folder = split(folder)[0]
    return stat_module.S_ISDIR(found.st_mode)


class Carrier:
    """All methods raise ``OSError`` where the secondary refuses."""

    def __init__(
        self,
        root: Root,
        barrier: Barrier,
        capabilities: Capabilities,
        *,
        holds: Callable[[bytes, Intent], bool] | None = None,
    ) -> None:
        """``holds`` is given after a crash, when any step may be done: whether a file has an intent's new content."""
        self._holds = holds
        self._root = root
        self._barrier = barrier
        self._can = capabilities
        self._never_over = True  # whether the file system has a rename that replaces nothing, as far as is known

    # --- before the barrier

    def keep(self, intent: Intent) -> None:
        """Gives the old content its name below ``retired/``, where links allow that beside the old name."""
        if intent.action != "place" or intent.held is None or not self._can.hard_links:
            return
        if intent.staged is not None and not self._is_staged(intent.staged):
            return  # after a crash: the new file is placed, and the old one was kept before that
        old, held = in_copy(intent.path), in_retired(intent.held)
        self._make_folder_for(held)
        try:
            self._root.link(old, held)
        except FileExistsError:
            if not self._same_file(old, held):
                raise
            if not self._is_counted(held):
                raise OSError(errno.EUCLEAN, os.strerror(errno.EUCLEAN), os.fsdecode(held)) from None
        self._barrier.names_changed(split(held)[0])

    # --- after the barrier

    def carry_out(self, intent: Intent) -> None:
        if intent.action == "place":
            self._place(intent)
        elif intent.action == "folder":
            self._make_folder(intent)
        elif intent.action == "move":
            self._move(intent)
        elif intent.action in ("retire", "unlisted"):
            assert intent.held is not None
            self._rename_into(in_copy(intent.path), in_retired(intent.held))
        elif intent.action == "remove_folder":
            self._remove_folder(in_copy(intent.path))
        elif intent.action == "expire":
            self._expire(in_retired(intent.path))
        elif intent.action in INTO_RETIRED:
            self._put_into_retired(intent)
        else:
            assert intent.action in ("note", "forget", "move_row"), intent.action  # rows only

    def withdraw(self, intent: Intent) -> None:
        """Undoes what was prepared for an intent that will not be carried out."""
        if intent.action == "folder":
            self._withdraw_folder(intent)
        if intent.action in INTO_RETIRED:
            self._withdraw_from_retired(intent)
        if intent.action != "place":
            return
        new = in_copy(intent.path)
        if intent.held is not None:
            held = in_retired(intent.held)
            if self._root.stat_or_none(new) is None:
                if self._root.stat_or_none(held) is not None:
                    self._root.rename(held, new)
                    self._changed(held, new)
            elif self._same_file(new, held) and self._is_counted(held):
                self._root.unlink(held)
                self._changed(held)
            self.prune(held)
        if intent.staged is not None and self._root.stat_or_none(intent.staged) is not None:
            if not self._is_staged(intent.staged):
                self._root.exchange(intent.staged, new)  # the folder that the new file was to replace
            self._root.unlink(intent.staged)
            self._changed(intent.staged, new)

    def _withdraw_folder(self, intent: Intent) -> None:
        if intent.held is None:
            return
        new, held = in_copy(intent.path), in_retired(intent.held)
        found = self._root.stat_or_none(held)
        if found is not None and self._root.stat_or_none(new) is None:
            self._root.rename(held, new)
            self._changed(held, new)
        elif found is not None and stat_module.S_ISDIR(found.st_mode):
            self._root.rmdir(held)  # the new folder, which was to change places with the file
            self._changed(held)
        self.prune(held)

    def prune(self, path: bytes) -> None:
        """Removes the folders above a name below ``retired/`` that hold nothing any more.

        One that cannot go stays, for whatever reason: no version depends on it.
        """
        folder = split(path)[0]
        while folder not in (b"", RETIRED):
            try:
                self._root.rmdir(folder)
            except OSError as error:
                if error.errno in DRIVE_ERRORS:
                    raise
                return
            self._changed(folder)
            folder = split(folder)[0]

    # --- the steps

    def _place(self, intent: Intent) -> None:
        assert intent.staged is not None
        new, staged = in_copy(intent.path), intent.staged
        if intent.entry is None and intent.held is None and self._never_over and self._place_new(staged, new):
            return
        is_staged = self._is_staged(staged)
        if not is_staged and self._holds is None:  # only a crash leaves a file placed already
            raise FileNotFoundError(errno.ENOENT, "what was staged is gone", os.fsdecode(staged))
        if is_staged and intent.entry is None:
            self._check_free(new)
        if intent.held is None or self._can.hard_links:
            if is_staged:
                self._rename_over(staged, new)
            return
        held = in_retired(intent.held)
        self._make_folder_for(held)
        if self._can.exchange:
            if is_staged:
                self._root.rename(staged, held)
            if is_staged or (self._holds is not None and not self._holds(new, intent)):
                self._swap_in(held, new, staged)
        elif is_staged:
            if self._root.stat_or_none(new) is not None and self._root.stat_or_none(held) is None:
                self._root.rename(new, held)
            self._root.rename(staged, new)
        self._changed(staged, held, new)

    def _place_new(self, staged: bytes, new: bytes) -> bool:
        """A name that replaces nothing, in one call; False where it is for the ordinary way to say what is the matter.

        That is after a crash too, where it may be placed already.
        """
        try:
            self._root.rename_new(staged, new)
        except OSError as error:
            if error.errno in NO_RENAME_NEW:
                self._never_over = False
            elif error.errno not in (errno.EEXIST, errno.ENOENT):
                raise
            return False
        self._changed(staged, new)
        return True

    def _swap_in(self, held: bytes, new: bytes, staged: bytes) -> None:
        try:
            self._root.exchange(held, new)
        except OSError:
            # What stands below retired/ is not an old version: it must not stay there.
            self._root.rename(held, staged)
            raise

    def _is_staged(self, path: bytes) -> bool:
        """Whether the new file still waits there. A folder is what it replaced: it has changed places with it."""
        found = self._root.stat_or_none(path)
        return found is not None and not stat_module.S_ISDIR(found.st_mode)

    def _rename_over(self, staged: bytes, new: bytes) -> None:
        found = self._root.stat_or_none(new)
        if found is not None and stat_module.S_ISDIR(found.st_mode):
            # A folder that became a file. It is empty by now: what it held was retired before.
            if self._can.exchange:
                self._root.exchange(staged, new)
                self._root.rmdir(staged)
                self._changed(staged, new)
                return
            self._root.rmdir(new)
        self._root.rename(staged, new)
        self._changed(staged, new)

    def _make_folder(self, intent: Intent) -> None:
        new = in_copy(intent.path)
        found = self._root.stat_or_none(new)
        if found is not None and stat_module.S_ISDIR(found.st_mode):
            if not self._can.case_sensitive and split(new)[1] not in self._root.names(split(new)[0]):
                self._check_free(new)
            return
        if found is not None:
            # A file that became a folder.
            if intent.held is None:
                self._check_free(new)
            assert intent.held is not None
            held = in_retired(intent.held)
            self._make_folder_for(held)
            if self._can.exchange:
                if self._root.stat_or_none(held) is None:
                    self._root.mkdir(held)
                self._root.exchange(held, new)
                self._changed(held, new)
                return
            self._root.rename(new, held)
            self._changed(held)
        self._root.mkdir(new)
        self._changed(new)

    def _move(self, intent: Intent) -> None:
        assert intent.source is not None and intent.stat is not None
        old, new = in_copy(intent.source), in_copy(intent.path)
        found = self._root.stat_or_none(old)
        there = self._root.stat_or_none(new)
        if found is None:
            if there is None:
                raise FileNotFoundError(errno.ENOENT, "missing on the secondary", os.fsdecode(old))
            return
        if there is not None and not same_but_for_case(self._root, old, new):
            raise FileExistsError(errno.EEXIST, "the new name is taken on the secondary", os.fsdecode(new))
        if intent.stat.kind is Kind.FOLDER:
            self._root.rename_folder(old, new)
        else:
            self._root.rename(old, new)
        self._changed(old, new)

    def _check_free(self, new: bytes) -> None:
        """A new name replaces nothing: neither what could not be moved out of its way, nor, on a file system that
        does not tell case apart, another new name."""
        if self._root.stat_or_none(new) is not None:
            raise FileExistsError(errno.EEXIST, "another file has this name there", os.fsdecode(new))

    def _rename_into(self, old: bytes, held: bytes) -> None:
        found = self._root.stat_or_none(old)
        if found is None:
            if self._root.stat_or_none(held) is None:
                raise FileNotFoundError(errno.ENOENT, "missing on the secondary", os.fsdecode(old))
            return
        self._make_folder_for(held)
        if self._root.stat_or_none(held) is not None:
            if self._holds is not None:
                return  # that name was free before the crash: it is done, and something new has the old name
            raise FileExistsError(errno.EEXIST, "the name is taken", os.fsdecode(held))
        if stat_module.S_ISDIR(found.st_mode):
            self._root.rename_folder(old, held)
        else:
            self._root.rename(old, held)
        self._changed(old, held)

    def _remove_folder(self, path: bytes) -> None:
        try:
            self._root.rmdir(path)
        except (FileNotFoundError, NotADirectoryError):
            return  # gone, and what it was in may be a file by now
        self._changed(path)

    def _put_into_retired(self, intent: Intent) -> None:
        assert intent.staged is not None and intent.held is not None
        held = in_retired(intent.held)
        if self._is_staged(intent.staged):
            self._make_folder_for(held)
            self._root.rename_unless_taken(intent.staged, held)
        elif self._holds is None or not self._holds(held, intent):  # only a crash leaves it there already
            raise FileNotFoundError(errno.ENOENT, "what was staged is gone", os.fsdecode(intent.staged))
        self._changed(intent.staged, held)

    def _withdraw_from_retired(self, intent: Intent) -> None:
        assert intent.staged is not None and intent.held is not None
        held = in_retired(intent.held)
        if self._root.stat_or_none(intent.staged) is not None:
            self._root.unlink(intent.staged)
            self._changed(intent.staged)
        elif self._holds is not None and self._root.stat_or_none(held) is not None:
            self._root.unlink(held)  # the name was free, and what stands there is not whole
            self._changed(held)
        self.prune(held)

    def _expire(self, path: bytes) -> None:
        found = self._root.stat_or_none(path)
        if found is not None:
            if stat_module.S_ISDIR(found.st_mode):
                self._root.remove_tree(path)
            else:
                self._root.unlink(path)
            self._changed(path)
        self.prune(path)

    def _make_folder_for(self, path: bytes) -> None:
        for made in self._root.make_folders(split(path)[0]):
            self._changed(made)

    def _is_counted(self, path: bytes) -> bool:
        """False for a file of two names whose file system knows of one, as a drive leaves that lost what it had called
        durable: were one of them replaced or removed, the file would be deleted under the other.

        Only those of which syncfs is trusted keep counts that say so for certain.
        """
        return self._root.stat(path).st_nlink > 1 or not self._can.syncfs_covers

    def _same_file(self, one: bytes, other: bytes) -> bool:
        first, second = self._root.stat_or_none(one), self._root.stat_or_none(other)
        return (
            first is not None and second is not None and (first.st_dev, first.st_ino) == (second.st_dev, second.st_ino)
        )

    def _changed(self, *paths: bytes) -> None:
        for path in paths:
            self._barrier.names_changed(split(path)[0])


def same_but_for_case(root: Root, old: bytes, new: bytes) -> bool:
    """Whether both names lead to one thing, as on a file system that does not tell case apart.

    Not told by inode numbers alone: a file system served by a program may number names instead of files.
    """
    one, other = root.stat_or_none(old), root.stat_or_none(new)
    if one is None or other is None:
        return False
    if (one.st_ino, one.st_dev) == (other.st_ino, other.st_dev):
        return True
    (folder, old_name), (new_folder, new_name) = split(old), split(new)
    if folder != new_folder or _upper(old_name) != _upper(new_name):
        return False
    names = root.names(folder)
    return (old_name in names) != (new_name in names)


def _upper(name: bytes) -> str:
    # As the tables of FAT, exFAT and NTFS do it: one character for one.
    return "".join(c.upper() if len(c.upper()) == 1 else c for c in os.fsdecode(name))
