"""A folder that nothing leads out of.

All names below it are resolved one component at a time, relative to open descriptors: no symlink
is followed, no ``..`` is accepted and no other file system is entered, whatever is swapped in
while a run is under way. Because no call ever sees a whole path, names may be nested beyond the
kernel's 4,096 bytes.
"""

from __future__ import annotations

import errno
import os
import stat
from collections import OrderedDict
from itertools import islice

from nightferry.tree.effects import Effects

# Open folders kept for reuse: a walk uses one after the other, a rename needs two.
FOLDERS_OPEN_LIMIT = 64

_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_FILE = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY


# A file system, or a kernel, without RENAME_NOREPLACE (rename(2)), as ``Root.rename_new`` fails there.
NO_RENAME_NEW = frozenset({errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP})

_MOUNTED = "something else is mounted there"


class OtherMountError(OSError):
    """Something else is mounted below the root, which is not entered: another file system, or a folder bound there."""


def join(folder: bytes, name: bytes) -> bytes:
    return folder + b"/" + name if folder and name else folder or name


def split(path: bytes) -> tuple[bytes, bytes]:
    folder, _, name = path.rpartition(b"/")
    return folder, name


class Root:
    """Paths are bytes, relative, without ``.`` and ``..``; ``b""`` is the root itself.

    All methods raise ``OSError`` as the calls they are named after.
    """

    def __init__(self, fd: int, effects: Effects, *, no_atime: bool = False) -> None:
        """Takes ownership of ``fd``, an open folder."""
        self.fd = fd
        self.effects = effects
        try:
            self.device = effects.fstat(fd).st_dev
        except BaseException:
            effects.close(fd)
            raise
        self._no_atime = os.O_NOATIME if no_atime else 0
        self._folders: OrderedDict[bytes, int] = OrderedDict()

    def again(self) -> Root:
        """The same root with descriptors of its own, for another thread."""
        return Root(os.dup(self.fd), self.effects, no_atime=bool(self._no_atime))

    def close(self) -> None:
        self.forget_all()
        self.effects.close(self.fd)

    def forget_all(self) -> None:
        """Closes the cached folders. Needed after a folder was renamed or removed."""
        for fd in self._folders.values():
            self.effects.close(fd)
        self._folders.clear()

    def folder(self, path: bytes) -> int:
        """An open descriptor of a folder, valid until two more have been asked for."""
        if not path:
            return self.fd
        known = self._folders.get(path)
        if known is not None:
            self._folders.move_to_end(path)
            return known
        fd = self._open_folder(path)
        while len(self._folders) >= FOLDERS_OPEN_LIMIT:
            _, oldest = self._folders.popitem(last=False)
            self.effects.close(oldest)
        self._folders[path] = fd
        return fd

    def _open_folder(self, path: bytes) -> int:
        # From the nearest ancestor that is open already, so that a deep walk costs one open a step.
        start, base = self.fd, path
        while base:
            base = split(base)[0]
            cached = self._folders.get(base)
            if cached is not None:
                self._folders.move_to_end(base)  # the next folder may lie below it too
                start = cached
                break
        rest = path[len(base) + 1 :] if base else path
        fd = start
        try:
            for name in rest.split(b"/"):
                if name in (b"", b".", b".."):
                    raise OSError(errno.EINVAL, "not a plain path", os.fsdecode(path))
                below = self._open_at(name, _FOLDER, fd)
                if fd != start:
                    self.effects.close(fd)
                fd = below
            if self.effects.fstat(fd).st_dev != self.device:
                raise OtherMountError(errno.EXDEV, _MOUNTED, os.fsdecode(path))  # a subvolume of btrfs
        except BaseException:
            if fd != start:
                self.effects.close(fd)
            raise
        return fd

    def _open_at(self, name: bytes, flags: int, folder_fd: int) -> int:
        try:
            if self._no_atime:
                try:
                    return self.effects.open_inside(name, flags | os.O_NOATIME, dir_fd=folder_fd)
                except PermissionError:
                    pass  # O_NOATIME is for the owner only: read it as the kernel allows
            return self.effects.open_inside(name, flags, dir_fd=folder_fd)
        except OSError as error:
            if error.errno == errno.EXDEV:
                raise OtherMountError(errno.EXDEV, _MOUNTED, os.fsdecode(name)) from error
            raise

    def at(self, path: bytes) -> tuple[int, bytes]:
        """The open folder of a path and its last name, for the calls that take both."""
        folder, name = split(path)
        if name in (b"", b".", b".."):
            raise OSError(errno.EINVAL, "not a plain path", os.fsdecode(path))
        return self.folder(folder), name

    # --- looking

    def stat(self, path: bytes) -> os.stat_result:
        if not path:
            return self.effects.fstat(self.fd)
        fd, name = self.at(path)
        return self.effects.stat(name, dir_fd=fd, follow_symlinks=False)

    def stat_or_none(self, path: bytes) -> os.stat_result | None:
        """None where nothing has that name, also because a folder above is gone or is a file."""
        try:
            return self.stat(path)
        except (FileNotFoundError, NotADirectoryError):
            return None
        except OSError as error:
            if error.errno == errno.ELOOP:  # a symlink stands where a folder was
                return None
            raise

    def born_ns(self, path: bytes) -> int | None:
        """When what has that name was made, Unix time in ns; None where the file system does not say."""
        fd, name = self.at(path)
        return self.effects.born_ns(name, dir_fd=fd)

    def names(self, path: bytes, limit: int | None = None) -> list[bytes]:
        """The names in a folder, in no order; at most ``limit`` of them."""
        with self.effects.scandir(self.folder(path)) as entries:
            return [os.fsencode(entry.name) for entry in islice(entries, limit)]

    def readlink(self, path: bytes) -> bytes:
        fd, name = self.at(path)
        return self.effects.readlink(name, dir_fd=fd)

    def open_to_read(self, path: bytes, flags: int = 0) -> int:
        """Opens a regular file; never blocks on a FIFO or touches a device that took its place."""
        return self.open_and_stat(path, flags)[0]

    def open_and_stat(self, path: bytes, flags: int = 0) -> tuple[int, os.stat_result]:
        """As ``open_to_read``, with the state of what was opened."""
        folder_fd, name = self.at(path)
        fd = self._open_at(name, _FILE | flags, folder_fd)
        try:
            found = self.effects.fstat(fd)
            if not stat.S_ISREG(found.st_mode):
                raise OSError(errno.EINVAL, "not a regular file any more", os.fsdecode(path))
        except BaseException:
            self.effects.close(fd)
            raise
        return fd, found

    # --- changing

    def create(self, path: bytes) -> int:
        """A new empty file, open to write; nobody else may read it before its mode is set."""
        fd, name = self.at(path)
        return self.effects.open(
            name, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600, dir_fd=fd
        )

    def mkdir(self, path: bytes) -> None:
        fd, name = self.at(path)
        self.effects.mkdir(name, 0o700, dir_fd=fd)

    def make_folders(self, path: bytes) -> list[bytes]:
        """Makes a folder and those above it where missing; returns the ones it made, top first."""
        missing = []
        while path and self.stat_or_none(path) is None:
            missing.append(path)
            path = split(path)[0]
        missing.reverse()
        for folder in missing:
            self.mkdir(folder)
        return missing

    def rename(self, old: bytes, new: bytes) -> None:
        old_fd, old_name = self.at(old)
        new_fd, new_name = self.at(new)
        self.effects.rename(old_name, new_name, src_dir_fd=old_fd, dst_dir_fd=new_fd)

    def rename_new(self, old: bytes, new: bytes) -> None:
        """As ``rename``, where nothing has the new name; EINVAL where the file system cannot promise that."""
        old_fd, old_name = self.at(old)
        new_fd, new_name = self.at(new)
        self.effects.rename_new(old_name, new_name, src_dir_fd=old_fd, dst_dir_fd=new_fd)

    def rename_unless_taken(self, old: bytes, new: bytes) -> None:
        """As ``rename_new``; where neither kernel nor file system can promise that, it is looked at first, which leaves
        an instant. ``FileExistsError`` where something has the name."""
        try:
            self.rename_new(old, new)
        except OSError as error:
            if error.errno not in NO_RENAME_NEW:
                raise
            if self.stat_or_none(new) is not None:
                raise FileExistsError(errno.EEXIST, "taken", os.fsdecode(new)) from error
            self.rename(old, new)

    def rename_folder(self, old: bytes, new: bytes) -> None:
        self.rename(old, new)
        self.forget_all()  # every cached path below the old name now means something else

    def exchange(self, one: bytes, other: bytes) -> None:
        one_fd, one_name = self.at(one)
        other_fd, other_name = self.at(other)
        self.effects.exchange(one_name, other_name, src_dir_fd=one_fd, dst_dir_fd=other_fd)
        self.forget_all()

    def link(self, old: bytes, new: bytes) -> None:
        old_fd, old_name = self.at(old)
        new_fd, new_name = self.at(new)
        self.effects.link(old_name, new_name, src_dir_fd=old_fd, dst_dir_fd=new_fd, follow_symlinks=False)

    def symlink(self, target: bytes, path: bytes) -> None:
        fd, name = self.at(path)
        self.effects.symlink(target, name, dir_fd=fd)

    def unlink(self, path: bytes) -> None:
        fd, name = self.at(path)
        self.effects.unlink(name, dir_fd=fd)

    def rmdir(self, path: bytes) -> None:
        fd, name = self.at(path)
        self.effects.rmdir(name, dir_fd=fd)
        self.forget_all()

    def remove_tree(self, path: bytes) -> None:
        """Removes a folder and all below it, without following anything, depth first."""
        stack = [path]
        while stack:
            folder = stack[-1]
            deeper = []
            for name in self.names(folder):
                below = join(folder, name)
                if stat.S_ISDIR(self.stat(below).st_mode):
                    deeper.append(below)
                else:
                    self.unlink(below)
            if deeper:
                stack.extend(deeper)
            else:
                self.rmdir(folder)
                stack.pop()
