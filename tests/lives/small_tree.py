"""A tree of two folders and three files: which changes apply to it, and which of their sequences a night tells apart.

The three files have one size and one date, so that only inode and content tell which is which. A ``SmallTree`` is a
model: it holds what a change leaves, without a disk, so that all sequences are found in a moment. A test compares it
with the kernel.

    for step in changes(tree): after = tree.changed(step)
"""

from __future__ import annotations

import copy
import functools
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from lives.steps import joined

Step = tuple[str, dict[str, Any]]
Key = tuple[object, ...]

ADVENT, SPRING = b"advent", b"spring"
GLORIA, KYRIE, CREDO = b"advent/gloria.wav", b"advent/kyrie.wav", b"spring/credo.wav"
FILES = (GLORIA, KYRIE, CREDO)
SIZE, DATE = 300, 1_790_000_000_123_456_789
# Names that a change gives: each only where it is free.
NEW, LINK, TWIN, TOUR = b"new.wav", b"link.wav", b"twin.wav", b"tour"
SMALL_MODE, FOLDER_MODE, PLAIN_MODE, PLAIN_FOLDER_MODE = 0o600, 0o750, 0o644, 0o755


@dataclass
class Node:
    """An inode. ``origin``: its path when a night saw it last, None where it is newer; ``dated``: its mtime is as then;
    ``touched``: its ctime is not."""

    kind: str  # f, d, l
    origin: bytes | None = None
    content: object = None
    size: int = 0
    mode: int = PLAIN_MODE
    dated: bool = False
    touched: bool = True


@dataclass
class SmallTree:
    """``nodes`` by path; names that are hard links share one."""

    nodes: dict[bytes, Node] = field(default_factory=dict)

    def of(self, kind: str) -> list[bytes]:
        return sorted(path for path, node in self.nodes.items() if node.kind == kind)

    def free(self, path: bytes) -> bool:
        return path not in self.nodes

    def links(self, path: bytes) -> int:
        return sum(node is self.nodes[path] for node in self.nodes.values())

    def changed(self, step: Step) -> SmallTree:
        """The tree after a change; this one stays as it is."""
        after = self._copied()
        name, args = step
        _DO[name](after, **args)
        return after

    def seen(self) -> SmallTree:
        """The same once a night has seen it: what comes next is compared with it."""
        after = self._copied()
        for path in sorted(after.nodes, reverse=True):
            node = after.nodes[path]
            node.origin, node.dated, node.touched = path, True, False
        contents = {node.content: path for path, node in sorted(after.nodes.items(), reverse=True) if node.kind == "f"}
        for node in {id(each): each for each in after.nodes.values()}.values():
            if node.kind == "f":
                node.content = contents[node.content]
        return after

    def key(self, *, mirrored: bool = False) -> Key:
        """Equal for trees that a night which saw the one before cannot tell apart, but for the hour of a change.

        ``mirrored``: with the names of the two files of one folder changed over, which are alike.
        """
        rename: Callable[[Any], Any] = mirror if mirrored else _same
        inodes: dict[int, int] = {}
        contents: dict[object, int] = {}
        rows = []
        for path, node in sorted((rename(path), node) for path, node in self.nodes.items()):
            inode = rename(node.origin) if node.origin is not None else inodes.setdefault(id(node), len(inodes))
            content = node.content if not isinstance(node.content, bytes) else rename(node.content)
            if isinstance(content, tuple):
                content = contents.setdefault(content, len(contents))
            rows.append((path, node.kind, inode, content, node.size, node.mode, node.dated, node.touched))
        return tuple(rows)

    def _copied(self) -> SmallTree:
        nodes = {id(node): copy.copy(node) for node in self.nodes.values()}
        return SmallTree({path: nodes[id(node)] for path, node in self.nodes.items()})

    # --- for the changes

    def moved(self, old: bytes, new: bytes) -> None:
        """As rename(2): two names of one inode stay as they are."""
        if self.nodes.get(new) is self.nodes[old]:
            return
        self.removed(new)
        for path in [each for each in self.nodes if each == old or each.startswith(old + b"/")]:
            self.nodes[new + path.removeprefix(old)] = self.nodes.pop(path)
        self.nodes[new].touched = True
        self._entered(old)
        self._entered(new)

    def removed(self, path: bytes) -> None:
        for each in [each for each in self.nodes if each == path or each.startswith(path + b"/")]:
            self.nodes.pop(each).touched = True
        self._entered(path)

    def made(self, path: bytes, node: Node) -> None:
        self.nodes[path] = node
        self._entered(path)

    def _entered(self, path: bytes) -> None:
        """A name came or went: its folder has a new date."""
        above = self.nodes.get(os.path.dirname(path))
        if above is not None:
            above.dated, above.touched = False, True


def _same(path: Any) -> Any:
    return path


_MIRROR = {b"gloria.wav": b"kyrie.wav", b"kyrie.wav": b"gloria.wav"}


def mirror(path: bytes) -> bytes:
    """Names of the two files that are alike are changed over."""
    return b"/".join(_MIRROR.get(part, part) for part in path.split(b"/"))


def first_tree() -> SmallTree:
    """What the first night saw."""
    nodes = {path: Node("d", path, None, 0, PLAIN_FOLDER_MODE, True, False) for path in (ADVENT, SPRING)}
    nodes |= {path: Node("f", path, path, SIZE, PLAIN_MODE, True, False) for path in FILES}
    return SmallTree(nodes)


def first_steps() -> list[Step]:
    """What makes that tree."""
    steps: list[Step] = []
    for number, path in enumerate(FILES, start=1):
        steps += [("write", {"path": path, "number": number, "size": SIZE}), ("utime", {"path": path, "time_ns": DATE})]
    return steps


# --- the alphabet


def changes(tree: SmallTree, number: int) -> Iterator[Step]:
    """Every change that applies. ``number``: of new contents, another for each place in a sequence."""
    for path in tree.of("f"):
        yield from _of_file(tree, path, number)
    for path in tree.of("l"):
        yield from _named(tree, path)
        yield "become", {"path": path, "kind": "f", "number": number}
        yield "become", {"path": path, "kind": "d", "number": number}
    for path in tree.of("d"):
        yield from _of_folder(tree, path, number)
    if tree.free(TOUR):
        yield "make_folder", {"path": TOUR}


def _of_file(tree: SmallTree, path: bytes, number: int) -> Iterator[Step]:
    node = tree.nodes[path]
    yield "write", {"path": path, "number": number, "size": SIZE + 200}
    yield "save", {"path": path, "number": number, "size": SIZE + 200}
    yield "append", {"path": path, "number": number, "size": 40}
    yield "put_back", {"path": path, "number": number}
    yield "mmap_write", {"path": path, "number": number}
    yield "truncate", {"path": path, "size": node.size // 2}
    yield "chmod", {"path": path, "mode": PLAIN_MODE if node.mode == SMALL_MODE else SMALL_MODE}
    yield "touch", {"path": path}
    yield from _named(tree, path)
    yield "become", {"path": path, "kind": "l", "number": number}
    yield "become", {"path": path, "kind": "d", "number": number}
    for other in tree.of("f"):
        if other != path:
            yield "rename", {"old": path, "new": other}
        if other > path:
            yield "swap", {"one": path, "other": other}
    for folder in tree.of("d"):
        if tree.free(joined(folder, LINK)):
            yield "link", {"path": path, "new": joined(folder, LINK)}
    twin = joined(os.path.dirname(path), TWIN)
    if tree.free(twin):
        yield "same_content", {"path": path, "new": twin}


def _named(tree: SmallTree, path: bytes) -> Iterator[Step]:
    """What is done to a name, whatever has it."""
    yield "delete", {"path": path}
    folder, name = os.path.split(path)
    if tree.free(joined(folder, NEW)):
        yield "rename", {"old": path, "new": joined(folder, NEW)}
    for other in tree.of("d"):
        if other != folder and tree.free(joined(other, name)):
            yield "rename", {"old": path, "new": joined(other, name)}


def _of_folder(tree: SmallTree, path: bytes, number: int) -> Iterator[Step]:
    node = tree.nodes[path]
    if tree.free(joined(path, NEW)):
        yield "write", {"path": joined(path, NEW), "number": number, "size": SIZE}
    yield "delete_tree", {"path": path}
    if tree.free(TOUR):
        yield "rename", {"old": path, "new": TOUR}
    for other in tree.of("d"):
        into = joined(other, os.path.basename(path))
        if other != path and not (other + b"/").startswith(path + b"/") and tree.free(into):
            yield "rename", {"old": path, "new": into}
        if other > path and not other.startswith(path + b"/"):
            yield "swap", {"one": path, "other": other}
    yield "chmod", {"path": path, "mode": PLAIN_FOLDER_MODE if node.mode == FOLDER_MODE else FOLDER_MODE}
    yield "touch", {"path": path}
    yield "become", {"path": path, "kind": "f", "number": number}
    yield "become", {"path": path, "kind": "l", "number": number}


# --- what each does


def _wrote(node: Node, content: object, size: int, *, dated: bool = False) -> None:
    node.content, node.size, node.touched = content, size, True
    node.dated = node.dated and dated


def _write(tree: SmallTree, path: bytes, number: int, size: int) -> None:
    if tree.free(path):
        tree.made(path, Node("f"))
    _wrote(tree.nodes[path], ("new", number, size), size)


def _save(tree: SmallTree, path: bytes, number: int, size: int) -> None:
    tree.nodes[path].touched = True
    tree.made(path, Node("f", content=("new", number, size), size=size))


def _append(tree: SmallTree, path: bytes, number: int, size: int) -> None:
    node = tree.nodes[path]
    _wrote(node, ("appended", node.content, number), node.size + size)


def _patched(tree: SmallTree, path: bytes, number: int, *, kind: str, dated: bool = False) -> None:
    node = tree.nodes[path]
    _wrote(node, (kind, node.content, number), node.size, dated=dated)


def _truncate(tree: SmallTree, path: bytes, size: int) -> None:
    node = tree.nodes[path]
    _wrote(node, ("cut", node.content, size), size)


def _chmod(tree: SmallTree, path: bytes, mode: int) -> None:
    tree.nodes[path].mode, tree.nodes[path].touched = mode, True


def _touch(tree: SmallTree, path: bytes) -> None:
    tree.nodes[path].dated, tree.nodes[path].touched = False, True


def _rename(tree: SmallTree, old: bytes, new: bytes) -> None:
    tree.moved(old, new)


def _swap(tree: SmallTree, one: bytes, other: bytes) -> None:
    hidden = b".swapping"
    tree.moved(one, hidden)
    tree.moved(other, one)
    tree.moved(hidden, other)


def _become(tree: SmallTree, path: bytes, kind: str, number: int) -> None:
    tree.removed(path)
    if kind == "f":
        tree.made(path, Node("f", content=("became", number), size=200))
    elif kind == "l":
        tree.made(path, Node("l", content=("target", number)))
    else:
        tree.made(path, Node("d", mode=PLAIN_FOLDER_MODE))
        tree.made(joined(path, b"kyrie.wav"), Node("f", content=("became", number), size=200))


def _link(tree: SmallTree, path: bytes, new: bytes) -> None:
    tree.nodes[path].touched = True
    tree.made(new, tree.nodes[path])


def _same_content(tree: SmallTree, path: bytes, new: bytes) -> None:
    node = tree.nodes[path]
    tree.made(new, Node("f", content=node.content, size=node.size))


def _make_folder(tree: SmallTree, path: bytes) -> None:
    tree.made(path, Node("d", mode=PLAIN_FOLDER_MODE))


_DO: dict[str, Callable[..., None]] = {
    "write": _write,
    "save": _save,
    "append": _append,
    "put_back": functools.partial(_patched, kind="patched", dated=True),
    "mmap_write": functools.partial(_patched, kind="stored"),
    "truncate": _truncate,
    "chmod": _chmod,
    "touch": _touch,
    "rename": _rename,
    "swap": _swap,
    "delete": lambda tree, path: tree.removed(path),
    "delete_tree": lambda tree, path: tree.removed(path),
    "become": _become,
    "link": _link,
    "same_content": _same_content,
    "make_folder": _make_folder,
}
