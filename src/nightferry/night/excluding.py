"""What the user excludes, by the rules of gitignore(5), which pathspec knows."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence

import xxhash


def excluder(patterns: Sequence[str]) -> tuple[Callable[[bytes, bool], bool], int]:
    """A function of (path, is a folder), and a number that differs where the patterns do.

    The number goes into the fingerprints of folders, so that a changed setting is noticed
    without reading the tree twice. Raises ``ValueError`` for a pattern that is none.
    """
    if not patterns:
        return (lambda path, is_folder: False), 0
    import pathspec  # costs 30 ms to import: only where there is something to exclude

    spec = pathspec.GitIgnoreSpec.from_lines(patterns)

    def excluded(path: bytes, is_folder: bool) -> bool:
        return spec.match_file(os.fsdecode(path) + ("/" if is_folder else ""))

    return excluded, xxhash.xxh3_64_intdigest("\0".join(patterns).encode("utf-8", "surrogateescape"))
