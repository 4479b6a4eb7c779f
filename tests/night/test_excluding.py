"""The quick answer to "can any of these names be excluded?" against pathspec, asked for each name."""

from __future__ import annotations

import os
import warnings

import pathspec
from hypothesis import given
from hypothesis import strategies as st

from nightferry.night.excluding import excluder

_LETTERS = "ab.*?[]!\\/-_# ü"
names = st.text(alphabet="ab.*[]!\\-_# ü\udcff", min_size=1, max_size=6).filter(lambda name: name not in (".", ".."))
patterns = st.lists(st.text(alphabet=_LETTERS, min_size=1, max_size=8).filter(str.strip), min_size=1, max_size=4)


def _spec(lines: list[str]) -> pathspec.GitIgnoreSpec | None:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return pathspec.GitIgnoreSpec.from_lines(lines)
    except ValueError:
        return None


@given(patterns, st.lists(names, max_size=3), st.lists(names, min_size=1, max_size=5))
def test_what_may_not_match_does_not_match(lines: list[str], above: list[str], within: list[str]) -> None:
    spec = _spec(lines)
    if spec is None:
        return
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        excludes, _ = excluder(lines)
    folder = "/".join(above)
    may = excludes.may_match(os.fsencode(folder), "\0".join(within))
    for name in within:
        path = f"{folder}/{name}" if folder else name
        for is_folder in (False, True):
            wanted = spec.match_file(path + "/" * is_folder)
            assert excludes(os.fsencode(path), is_folder) == wanted
            assert may or not wanted, (lines, path)


def test_the_default_pattern_is_answered_at_once() -> None:
    excludes, seed = excluder(("*.part",))
    assert not excludes.may_match(b"2026-05 spring concert", "01 kyrie.wav\x0002 gloria.wav")
    assert excludes.may_match(b"2026-05 spring concert", "01 kyrie.wav\x0002 gloria.wav.part")
    assert excludes(b"2026-05 spring concert/02 gloria.wav.part", False)
    assert seed != excluder(("*.tmp",))[1] != 0


def test_what_excludes_nothing_needs_no_look() -> None:
    for lines in ((), ("# all of it",), ("!kyrie.wav",)):
        assert not excluder(lines)[0].may_match(b"", "kyrie.wav")
    assert excluder(())[1] == 0


def test_a_pattern_without_plain_characters_is_asked_for_each_name() -> None:
    for lines in (("*",), ("[ab]",), ("\\*.part",), ("kyrie", "?")):
        assert excluder(lines)[0].may_match(b"", "x")
