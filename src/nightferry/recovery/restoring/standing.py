"""What stands in a restore's target already, compared with what is to be there."""

from __future__ import annotations

import stat as stat_module
from collections.abc import Callable
from typing import Literal, NamedTuple

from nightferry.recovery.restoring.origin import Piece
from nightferry.recovery.restoring.refusals import Refused, refusing
from nightferry.recovery.restoring.target import Target
from nightferry.tree.content import Buffers, ReadFailed, hash_content
from nightferry.tree.digests import by_id
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Xattrs

Verdict = Literal[
    "absent",
    "right",  # content and metadata
    "metadata",  # the content is right, its metadata is not
    "differs",  # a file or symlink with other content, which may be replaced
]


class Standing(NamedTuple):
    verdict: Verdict
    detail: str = ""


class Comparer:
    """Reads what stands there where its size fits: an equal size and date alone prove nothing."""

    def __init__(
        self,
        target: Target,
        effects: Effects,
        buffers: Buffers,
        should_stop: Callable[[], bool],
        progress: Callable[[int], None],
    ) -> None:
        self._target, self._effects, self._buffers = target, effects, buffers
        self._should_stop, self._progress = should_stop, progress

    def look(self, piece: Piece, xattrs: Xattrs) -> Standing:
        """Of a file or symlink. Raises ``Refused`` where what stands there cannot be replaced, and ``Stopped``."""
        with refusing():
            found = self._target.root.stat_or_none(piece.path)
            if found is None:
                return Standing("absent")
            self._target.check_spelling(piece.path)
            if stat_module.S_ISDIR(found.st_mode):
                raise Refused("a folder has its name there")
            if stat_module.S_ISLNK(found.st_mode):
                return self._symlink(piece, xattrs)
            if not stat_module.S_ISREG(found.st_mode):
                raise Refused("something else than a file has its name there")
            if piece.stat.kind is not Kind.FILE:
                return Standing("differs", "a file stands there, and this is a symlink")
            return self._file(piece, xattrs, found.st_size)

    def _symlink(self, piece: Piece, xattrs: Xattrs) -> Standing:
        if piece.stat.kind is not Kind.SYMLINK:
            return Standing("differs", "a symlink stands there, and this is a file")
        if self._target.root.readlink(piece.path) != piece.content.target:
            return Standing("differs", "the symlink there leads elsewhere")
        return self._judge(self._target.differs(piece.path, piece.stat, xattrs))

    def _file(self, piece: Piece, xattrs: Xattrs, size_bytes: int) -> Standing:
        if size_bytes != piece.stat.size_bytes:
            return Standing("differs", "the file there has another size")
        if piece.content.algorithm is None:
            return Standing("differs", "there is no checksum to compare the file there with")
        fd = self._target.root.open_to_read(piece.path)
        try:
            try:
                _, digest = hash_content(
                    fd, hasher=by_id(piece.content.algorithm).new(), effects=self._effects, buffers=self._buffers,
                    should_stop=self._should_stop, progress=self._progress,
                )  # fmt: skip
            except ReadFailed as error:
                return Standing("differs", f"the file there cannot be read ({error.strerror or error})")
            if digest != piece.content.digest:
                return Standing("differs", "the file there has other content")
            return self._judge(self._target.differs(fd, piece.stat, xattrs))
        finally:
            self._effects.close(fd)

    def _judge(self, differing: list[str]) -> Standing:
        if not differing:
            return Standing("right")
        return Standing("metadata", f"its content is right, but not its {' and '.join(differing)}")
