"""A tree as the kernel shows it: every name with its content and metadata. Standard library only.

Walks relative to open folders, so that no path is too long. Symlinks are not followed. What is neither a file, a folder
nor a symlink is passed over.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections import defaultdict
from collections.abc import Iterable
from contextlib import suppress
from typing import NamedTuple

Key = tuple[str, bytes]  # kind and content


class Thing(NamedTuple):
    """One name. ``content``: SHA-256 of a file, target of a symlink, empty for a folder."""

    kind: str  # f, d, l
    content: bytes
    size_bytes: int
    mode: int
    uid: int
    gid: int
    mtime_ns: int
    xattrs: tuple[tuple[bytes, bytes], ...]

    @property
    def key(self) -> Key:
        return self.kind, self.content


class Tree(NamedTuple):
    """``things`` by path, the root as the empty one. ``inodes`` of files; ``groups``: names that share an inode."""

    things: dict[bytes, Thing]
    inodes: dict[bytes, int]

    @property
    def groups(self) -> frozenset[frozenset[bytes]]:
        return groups_of(self.inodes)

    @property
    def contents(self) -> set[Key]:
        return {thing.key for thing in self.things.values() if thing.kind != "d"}


EMPTY = Tree({}, {})


def groups_of(inodes: dict[bytes, int]) -> frozenset[frozenset[bytes]]:
    """The sets of two names or more that share an inode."""
    by_inode: dict[int, list[bytes]] = defaultdict(list)
    for path, inode in inodes.items():
        by_inode[inode].append(path)
    return frozenset(frozenset(paths) for paths in by_inode.values() if len(paths) > 1)


def sha256(content: bytes) -> bytes:
    return hashlib.sha256(content).digest()


def look(root: bytes, leave_out: Iterable[bytes] = ()) -> Tree:
    """Everything below ``root``; ``leave_out`` are names at its top. An absent root is an empty tree."""
    found = Tree({}, {})
    try:
        fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY)
    except FileNotFoundError:
        return found
    try:
        found.things[b""] = _folder(fd)
        _walk(fd, b"", frozenset(leave_out), found)
    finally:
        os.close(fd)
    return found


def _walk(folder: int, prefix: bytes, leave_out: frozenset[bytes], found: Tree) -> None:
    for name in sorted(map(os.fsencode, os.listdir(folder))):
        if name in leave_out:
            continue
        path = prefix + name
        status = os.stat(name, dir_fd=folder, follow_symlinks=False)
        if stat.S_ISDIR(status.st_mode):
            fd = os.open(name, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=folder)
            try:
                found.things[path] = _folder(fd)
                _walk(fd, path + b"/", frozenset(), found)
            finally:
                os.close(fd)
        elif stat.S_ISLNK(status.st_mode):
            target = os.readlink(name, dir_fd=folder)
            found.things[path] = _thing("l", target, status, b"/proc/self/fd/%d/%s" % (folder, name))
        elif stat.S_ISREG(status.st_mode):
            content = _content(folder, name, status)
            found.things[path] = _thing("f", content, status, b"/proc/self/fd/%d/%s" % (folder, name))
            found.inodes[path] = status.st_ino


# Digests of files by inode, with the size and times under which they were read.
_read: dict[tuple[int, int], tuple[int, int, int, bytes]] = {}
_MOST_READ = 20_000


def forget() -> None:
    """Reads all content anew: something was changed that moves no time."""
    _read.clear()


def _content(folder: int, name: bytes, status: os.stat_result) -> bytes:
    key, times = (status.st_dev, status.st_ino), (status.st_size, status.st_mtime_ns, status.st_ctime_ns)
    known = _read.get(key)
    if known is not None and known[:3] == times:
        return known[3]
    fd = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK, dir_fd=folder)
    with open(fd, "rb", buffering=0) as file:
        digest = hashlib.file_digest(file, "sha256").digest()
    if len(_read) >= _MOST_READ:
        _read.clear()
    _read[key] = (*times, digest)
    return digest


def _folder(fd: int) -> Thing:
    return _thing("d", b"", os.fstat(fd), fd)


def _thing(kind: str, content: bytes, status: os.stat_result, where: bytes | int) -> Thing:
    xattrs: list[tuple[bytes, bytes]] = []
    follow = {} if isinstance(where, int) else {"follow_symlinks": False}
    with suppress(OSError):  # a file system without attributes
        for name in sorted(os.listxattr(where, **follow)):
            xattrs.append((os.fsencode(name), os.getxattr(where, name, **follow)))
    size = status.st_size if kind == "f" else 0
    mode = stat.S_IMODE(status.st_mode) if kind != "l" else 0
    return Thing(kind, content, size, mode, status.st_uid, status.st_gid, status.st_mtime_ns, tuple(xattrs))
