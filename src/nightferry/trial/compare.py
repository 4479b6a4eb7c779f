"""What stands in a tree, read without any part of nightferry that makes copies, so that it can judge them."""

from __future__ import annotations

import hashlib
import os
import stat
from dataclasses import dataclass
from typing import NamedTuple

_CARD = b".nightferry-volume.toml"


class Node(NamedTuple):
    """One name of a tree: what it is, its content as a SHA-256 or the target of a symlink, and what comes with it."""

    kind: str  # folder, file, symlink, other
    content: bytes
    size_bytes: int
    mode: int
    owner: tuple[int, int]
    mtime_ns: int
    inode: int
    ctime_ns: int

    @property
    def copied(self) -> tuple[str, bytes, int, int, tuple[int, int], int]:
        """What a copy has to have in common with it."""
        return self[:6]


Tree = dict[bytes, Node]


@dataclass(frozen=True)
class Count:
    files: int  # and symlinks
    size_bytes: int


def tree(root: bytes, *, read: bool = True) -> Tree:
    """Every name below ``root`` but the identity card; ``read`` False leaves the content of files out.

    Raises ``OSError``.
    """
    found: Tree = {}
    waiting = [b""]
    while waiting:
        folder = waiting.pop()
        for name in os.listdir(os.path.join(root, folder)):
            path = os.path.join(folder, name)
            if path != _CARD:
                found[path] = _node(os.path.join(root, path), read=read)
                if found[path].kind == "folder":
                    waiting.append(path)
    return found


def _node(path: bytes, *, read: bool) -> Node:
    state = os.lstat(path)
    kind, content, size_bytes = "other", b"", state.st_size
    if stat.S_ISDIR(state.st_mode):
        kind, size_bytes = "folder", 0  # of a folder it tells about the file system, not about what is in it
    elif stat.S_ISLNK(state.st_mode):
        kind, content = "symlink", os.readlink(path)
    elif stat.S_ISREG(state.st_mode):
        kind = "file"
        if read:
            # Without a change of its access time: what only looks leaves no trace either.
            fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NOATIME | os.O_CLOEXEC)
            with open(fd, "rb") as file:
                content = hashlib.file_digest(file, "sha256").digest()
    return Node(
        kind, content, size_bytes, state.st_mode, (state.st_uid, state.st_gid), state.st_mtime_ns, state.st_ino,
        state.st_ctime_ns,
    )  # fmt: skip


def differences(left: Tree, right: Tree) -> list[bytes]:
    """The names that are not in both, or not the same in both; sorted."""
    return sorted(
        path
        for path in left.keys() | right.keys()
        if path not in left or path not in right or left[path].copied != right[path].copied
    )


def files(nodes: Tree) -> Tree:
    return {path: node for path, node in nodes.items() if node.kind != "folder"}


def count(nodes: Tree) -> Count:
    of = files(nodes).values()
    return Count(len(of), sum(node.size_bytes for node in of))


def intact(wanted: Tree, found: Tree) -> int:
    """How many files of ``wanted`` stand in ``found`` with the same content under the same name."""
    return sum(
        path in found and (found[path].kind, found[path].content) == (node.kind, node.content)
        for path, node in files(wanted).items()
    )
