"""What can be restored, and how it was: by a manifest as of a night, or by the plain tree and its checksum lists."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import NamedTuple, Protocol

from nightferry.manifest.asof import AsOf, Node, Source
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import Content
from nightferry.night.carry import in_copy, in_retired
from nightferry.night.whereabouts import Place
from nightferry.recovery.alone import Secondary
from nightferry.recovery.restoring.selection import Selection, is_at_or_below
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat, Xattrs, path_of_name, read_xattrs
from nightferry.tree.root import Root, join, split


class Piece(NamedTuple):
    """One name to be restored. ``key`` is the origin's own."""

    path: bytes
    stat: Stat
    content: Content
    key: object

    @property
    def is_folder(self) -> bool:
        return self.stat.kind is Kind.FOLDER


class Origin(Protocol):
    """Paths are relative to the top of the primary."""

    def find(self, path: bytes) -> Piece | None: ...

    def pieces(self, selection: Selection) -> Iterator[Piece]:
        """Everything that is selected; a folder before what it holds."""

    def folders(self, selection: Selection) -> Iterator[tuple[Piece, bool]]:
        """The folders that are selected (True), and those on the way to something selected (False).

        A folder comes after those below it.
        """

    def xattrs(self, piece: Piece) -> Xattrs: ...

    def file_number(self, piece: Piece) -> int | None:
        """What all names of one file have in common; None for a file of one name."""

    def places(self, piece: Piece) -> Iterator[Place]:
        """Where the content should stand, by the records, and is not known to be bad."""

    def suspects(self, piece: Piece) -> Iterator[Place]:
        """Where it should stand and is known to be bad."""


class Recorded:
    """By a manifest, as of one night."""

    def __init__(self, manifest: Manifest, as_of: AsOf, secondary: Root) -> None:
        self._manifest, self._as_of, self._secondary = manifest, as_of, secondary

    def find(self, path: bytes) -> Piece | None:
        node = self._as_of.find(path)
        return None if node is None else _piece(path, node)

    def pieces(self, selection: Selection) -> Iterator[Piece]:
        for piece, is_chosen in self._walk(selection):
            if is_chosen:
                yield piece

    def folders(self, selection: Selection) -> Iterator[tuple[Piece, bool]]:
        open_folders: list[tuple[Piece, bool]] = []
        for piece, is_chosen in self._walk(selection, folders_only=True):
            while open_folders and not is_at_or_below(piece.path, open_folders[-1][0].path):
                yield open_folders.pop()
            if piece.is_folder:
                open_folders.append((piece, is_chosen))
        while open_folders:
            yield open_folders.pop()

    def _walk(self, selection: Selection, *, folders_only: bool = False) -> Iterator[tuple[Piece, bool]]:
        """What is selected (True), and folders that may lead there (False)."""
        if selection.is_everything:
            for path, node in self._below(b"", folders_only=folders_only):
                yield _piece(path, node), True
            return
        if selection.patterns:
            yield from self._matching(selection, folders_only=folders_only)
            return
        told: set[bytes] = set()  # no more than the levels of what a person typed
        for top in selection.exact:
            for above in _above(top):
                if above not in told and (piece := self.find(above)) is not None:
                    told.add(above)
                    yield piece, False
            for path, node in self._below(top, folders_only=folders_only):
                yield _piece(path, node), True

    def _matching(self, selection: Selection, *, folders_only: bool) -> Iterator[tuple[Piece, bool]]:
        inside: bytes | None = None  # a folder that was matched: all below it is meant
        for path, node in self._below(b"", folders_only=folders_only):
            if inside is not None and is_at_or_below(path, inside):
                yield _piece(path, node), True
                continue
            inside = None
            piece = _piece(path, node)
            is_chosen = selection.has_exactly(path) or selection.fits(path, is_folder=piece.is_folder)
            if is_chosen and piece.is_folder:
                inside = path
            if is_chosen or piece.is_folder:
                yield piece, is_chosen

    def _below(self, path: bytes, *, folders_only: bool) -> Iterator[tuple[bytes, Node]]:
        top = self._as_of.find(path)
        return iter(()) if top is None else iter(self._as_of.below(top, path, folders_only=folders_only))

    def xattrs(self, piece: Piece) -> Xattrs:
        return self._manifest.entries.xattrs(_node(piece).xattrs)

    def file_number(self, piece: Piece) -> int | None:
        names = self._as_of.linked(_node(piece))
        return names[0].entry if len(names) > 1 else None

    def places(self, piece: Piece) -> Iterator[Place]:
        node = _node(piece)
        first = self._as_of.first_source(node)
        if first is not None:
            yield self._place(first)  # mostly the right one: all others are asked for where it is not
        for source in self._as_of.sources(node):
            if source != first:
                yield self._place(source)

    def suspects(self, piece: Piece) -> Iterator[Place]:
        return map(self._place, self._as_of.suspects(_node(piece)))

    def _place(self, source: Source) -> Place:
        if source.place == "copy":
            return Place(self._secondary, in_copy(source.path), "copy", "the copy")
        return Place(self._secondary, in_retired(source.path), "retired", "a retired version")


def _piece(path: bytes, node: Node) -> Piece:
    return Piece(path, node.stat, node.content, node)


def _node(piece: Piece) -> Node:
    assert isinstance(piece.key, Node)
    return piece.key


def _above(path: bytes) -> list[bytes]:
    """The folders above a path, from the top, which is among them."""
    found = []
    while path:
        path = split(path)[0]
        found.append(path)
    return found[::-1]


class Plain:
    """By what stands in ``copy/`` and the checksum lists beside it; its metadata is what the copy itself has."""

    def __init__(self, secondary: Secondary, effects: Effects) -> None:
        self._secondary, self._root, self._effects = secondary, secondary.root.again(), effects

    def close(self) -> None:
        self._root.close()

    def find(self, path: bytes) -> Piece | None:
        """Also a file that only a list knows of: then as a file of which nothing but its checksum is known."""
        found = self._look(path)
        if found is not None:
            return found
        return next((piece for piece in self._files() if piece.path == path), None)

    def _look(self, path: bytes, content: Content = Content()) -> Piece | None:  # noqa: B008 (a plain value)
        try:
            found = self._root.stat_or_none(in_copy(path))
            if found is None:
                return None
            stat = Stat.of(found)
            if stat.kind is Kind.SYMLINK:
                content = Content(target=self._root.readlink(in_copy(path)))
            return Piece(path, stat, content, None)
        except (OSError, KeyError):  # KeyError: what no copy holds
            return None

    def pieces(self, selection: Selection) -> Iterator[Piece]:
        for piece, is_chosen in self._walk_folders(selection):
            if is_chosen:
                yield piece
        for piece in self._files():
            if selection.covers(piece.path):
                yield piece

    def folders(self, selection: Selection) -> Iterator[tuple[Piece, bool]]:
        open_folders: list[tuple[Piece, bool]] = []
        for piece, is_chosen in self._walk_folders(selection):
            while open_folders and not is_at_or_below(piece.path, open_folders[-1][0].path):
                yield open_folders.pop()
            open_folders.append((piece, is_chosen))
        while open_folders:
            yield open_folders.pop()

    def _files(self) -> Iterator[Piece]:
        for path, algorithm, digest in self._secondary.files():
            content = Content(algorithm, digest) if digest else Content()
            yield self._look(path, content) or Piece(path, _UNKNOWN, content, None)

    def _walk_folders(self, selection: Selection) -> Iterator[tuple[Piece, bool]]:
        stack = [b""]
        while stack:
            path = stack.pop()
            piece = self._look(path)
            if piece is None or not piece.is_folder:
                continue
            is_chosen = selection.is_everything or selection.has_exactly(path)
            if not is_chosen and selection.patterns:
                is_chosen = any(selection.fits(each, is_folder=True) for each in (*_above(path), path))
            yield piece, is_chosen
            try:
                names = self._folder_names(path)
            except OSError:
                continue  # `files` notes it
            stack.extend(join(path, name) for name in sorted(names, reverse=True))

    def _folder_names(self, path: bytes) -> list[bytes]:
        with self._effects.scandir(self._root.folder(in_copy(path))) as names:
            return [os.fsencode(each.name) for each in names if each.is_dir(follow_symlinks=False)]

    def xattrs(self, piece: Piece) -> Xattrs:
        try:
            if not piece.path:
                return read_xattrs(self._root.folder(in_copy(b"")), self._effects)
            fd, name = self._root.at(in_copy(piece.path))
            return read_xattrs(path_of_name(fd, name), self._effects)
        except OSError:
            return ()

    def file_number(self, piece: Piece) -> int | None:
        return piece.stat.inode if piece.stat.nlink > 1 and piece.stat.kind is Kind.FILE else None

    def places(self, piece: Piece) -> Iterator[Place]:
        yield Place(self._root, in_copy(piece.path), "copy", "the copy")

    def suspects(self, piece: Piece) -> Iterator[Place]:
        return iter(())


# A file that only a checksum list knows of.
_UNKNOWN = Stat(Kind.FILE, 0, 0, 0, 0, 0o600, 0, 0, 1, 0)
