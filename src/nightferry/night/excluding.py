"""What the user excludes, by the rules of gitignore(5), which pathspec knows."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence

import xxhash

# Characters that stand for themselves in every pattern. Where one is escaped or within brackets begins the part of
# which nothing is said.
_PLAIN = re.compile(r"[\w.\-]+")
_NOT_PLAIN = re.compile(r"[\[\\]")


class Excludes:
    """A function of (path, is a folder)."""

    def __init__(self, patterns: Sequence[str]) -> None:
        """Raises ``ValueError`` for a pattern that is none."""
        self._spec = None
        self._needed: tuple[str, ...] | None = ()
        if not patterns:
            return
        import pathspec  # costs 30 ms to import: only where there is something to exclude

        self._spec = pathspec.GitIgnoreSpec.from_lines(patterns)
        needed = [
            _longest_plain(line)
            for line in patterns
            for each in pathspec.GitIgnoreSpec.from_lines([line]).patterns
            if each.include  # comments and "!" exclude nothing
        ]
        self._needed = tuple(needed) if all(needed) else None

    def __call__(self, path: bytes, is_folder: bool) -> bool:
        if self._spec is None:
            return False
        return bool(self._spec.match_file(os.fsdecode(path) + ("/" if is_folder else "")))

    def may_match(self, folder: bytes, names: str) -> bool:
        """Whether any of the names in a folder, joined by NUL, may be excluded. False is certain, and found in no time.

        Each pattern has characters that stand for themselves: a path without them cannot match. They lie between two
        slashes, so they are within the folder's path or within one name.
        """
        if self._needed is None:
            return True
        if not self._needed:
            return False
        above = os.fsdecode(folder)
        return any(part in names or part in above for part in self._needed)


def excluder(patterns: Sequence[str]) -> tuple[Excludes, int]:
    """What is excluded, and a number that differs where the patterns do.

    The number goes into the fingerprints of folders, so that a changed setting is noticed
    without reading the tree twice. Raises ``ValueError`` for a pattern that is none.
    """
    seed = xxhash.xxh3_64_intdigest("\0".join(patterns).encode("utf-8", "surrogateescape")) if patterns else 0
    return Excludes(patterns), seed


def _longest_plain(pattern: str) -> str:
    """The longest run of characters that any path must have to match; empty where nothing can be said."""
    found = _PLAIN.findall(_NOT_PLAIN.split(pattern, maxsplit=1)[0])
    return max(found, key=len, default="")
