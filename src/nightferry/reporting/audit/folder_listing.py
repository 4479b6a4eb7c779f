"""What a folder held as of a night: name by name, with what lies below."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from nightferry.manifest.asof import AsOf, Node
from nightferry.tree.metadata import Kind
from nightferry.tree.root import join


@dataclass
class Sum:
    """Files and symlinks with their bytes; ``lost_files`` of them stand nowhere on the secondary any more."""

    files: int = 0
    folders: int = 0
    size_bytes: int = 0
    lost_files: int = 0

    def add(self, other: Sum) -> None:
        self.files += other.files
        self.folders += other.folders
        self.size_bytes += other.size_bytes
        self.lost_files += other.lost_files


@dataclass
class Listed:
    """One name. ``total``: of a file itself, of a folder all below it; None for a folder whose names are listed too."""

    path: bytes
    node: Node
    total: Sum | None


def list_folder(as_of: AsOf, folder: Node, path: bytes, *, recursive: bool) -> Iterator[Listed]:
    """The names in a folder, each subfolder with the sum of all below it; ``recursive``: all names below, no sums."""
    if recursive:
        for below, node in as_of.below(folder, path):
            if below != path:
                yield Listed(below, node, None if node.stat.kind is Kind.FOLDER else _of_one(as_of, node))
        return
    for node in as_of.children(folder.entry):
        yield listed(as_of, node, join(path, node.name))


def list_matching(as_of: AsOf, fits: Callable[[bytes, bool], bool]) -> Iterator[Listed]:
    """Every name that fits. A folder that does stands for all below it, with its sum; ``fits`` as in ``History``."""
    root = as_of.find(b"")
    stack = [(b"", as_of.children(root.entry))] if root is not None else []
    while stack:
        folder, rest = stack[-1]
        node = next(rest, None)
        if node is None:
            stack.pop()
            continue
        here, is_folder = join(folder, node.name), node.stat.kind is Kind.FOLDER
        if fits(here, is_folder):
            yield listed(as_of, node, here)
        elif is_folder and as_of.by_id(node.entry) == node:
            stack.append((here, as_of.children(node.entry)))


def listed(as_of: AsOf, node: Node, path: bytes) -> Listed:
    """One name, a folder with the sum of all below it."""
    total = Sum()
    for below, each in as_of.below(node, path):
        if below != path or each.stat.kind is not Kind.FOLDER:
            total.add(_of_one(as_of, each))
    return Listed(path, node, total)


def _of_one(as_of: AsOf, node: Node) -> Sum:
    if node.stat.kind is Kind.FOLDER:
        return Sum(folders=1)
    # What stands still is in the copy: only the past has to be asked.
    is_lost = node.stat.kind is Kind.FILE and node.until is not None and not as_of.sources(node)
    return Sum(1, 0, node.stat.size_bytes, int(is_lost))
