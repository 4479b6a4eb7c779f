"""Which paths a person means: exact ones with all that is below them, and patterns."""

from __future__ import annotations

import os
import re
import warnings
from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import TYPE_CHECKING

from nightferry.errors import WrongUse
from nightferry.units import show_name

if TYPE_CHECKING:
    from pathspec import GitIgnoreSpec

_MAGIC = frozenset(b"*?[")
GIVEN_LIMIT = 1_000


def clean(given: bytes, tops: Iterable[bytes]) -> bytes:
    """A path or pattern as it stands below the top of the drive, from one that may begin with where a drive is mounted.

    Raises ``WrongUse``.
    """
    path = given
    if path.startswith(b"/"):
        below = next(
            (path[len(top) :] for top in tops if path == top or path.startswith(top.rstrip(b"/") + b"/")), None
        )
        if below is None:
            raise WrongUse(
                f"{show_name(given)} begins with / and lies on neither drive: give the path as it stands below the top"
                " of the primary."
            )
        path = below
    parts = [part for part in path.split(b"/") if part not in (b"", b".")]
    if b".." in parts:
        raise WrongUse(f'{show_name(given)} has ".." in it: give the path as it stands below the top of the primary.')
    return b"/".join(parts)


def is_pattern(path: bytes) -> bool:
    return not _MAGIC.isdisjoint(path)


class Selection:
    """``exact``: paths that are there. ``patterns``: as in ``exclude``, by the rules of gitignore(5).

    With neither, everything is meant.
    """

    def __init__(self, exact: Sequence[bytes] = (), patterns: Sequence[bytes] = ()) -> None:
        if len(exact) + len(patterns) > GIVEN_LIMIT:
            raise WrongUse(f"More than {GIVEN_LIMIT} paths at once: name the folders they are in, or use a pattern.")
        self.patterns = list(patterns)
        kept: list[bytes] = []
        for path in sorted(set(exact), key=lambda each: each.split(b"/")):
            if not kept or not is_at_or_below(path, kept[-1]):
                kept.append(path)
        self.exact = kept

    @property
    def is_everything(self) -> bool:
        return (not self.exact and not self.patterns) or b"" in self.exact

    def has_exactly(self, path: bytes) -> bool:
        """Whether a path is one of the exact ones, or below one."""
        return any(is_at_or_below(path, top) for top in self.exact)

    def fits(self, path: bytes, *, is_folder: bool) -> bool:
        """Whether a path itself matches a pattern; a folder that does stands for all below it."""
        return bool(self.patterns) and bool(path) and self._spec.match_file(os.fsdecode(path) + "/" * is_folder)

    def covers(self, path: bytes) -> bool:
        """Whether a file of that path would be meant, by itself or with a folder above it."""
        if self.is_everything or self.has_exactly(path) or self.fits(path, is_folder=False):
            return True
        parts = path.split(b"/")
        return any(self.fits(b"/".join(parts[:end]), is_folder=True) for end in range(1, len(parts)))

    @cached_property
    def _spec(self) -> GitIgnoreSpec:
        import pathspec  # costs 30 ms to import

        lines = [os.fsdecode(each) for each in self.patterns]
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of `re`, about the expression that pathspec makes of a pattern
                # At the start of a line these two mean something else there, and are part of a name here.
                return pathspec.GitIgnoreSpec.from_lines([f"\\{line}" if line[0] in "!#" else line for line in lines])
        except (ValueError, re.error, OverflowError, RecursionError) as error:
            shown = ", ".join(map(show_name, self.patterns))
            raise WrongUse(
                f"{shown} is not a pattern ({error}): patterns are those of `exclude`, see gitignore(5)."
            ) from error


def is_at_or_below(path: bytes, top: bytes) -> bool:
    return not top or path == top or path.startswith(top + b"/")
