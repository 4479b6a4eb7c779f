"""What a person means by paths and patterns."""

from __future__ import annotations

import pytest

from nightferry.errors import WrongUse
from nightferry.recovery.restoring.selection import Selection, clean

TOPS = [b"/srv/recordings-second/copy", b"/srv/recordings"]


@pytest.mark.parametrize(
    ("given", "meant"),
    [
        (b"a/b", b"a/b"),
        (b"./a//b/", b"a/b"),
        (b".", b""),
        (b"", b""),
        (b"/srv/recordings", b""),
        (b"/srv/recordings/a", b"a"),
        (b"/srv/recordings-second/copy/a/b", b"a/b"),
        (b"-rf", b"-rf"),
        (b"\xff\n", b"\xff\n"),
        (b"..a/b..", b"..a/b.."),
    ],
)
def test_clean(given: bytes, meant: bytes) -> None:
    assert clean(given, TOPS) == meant


@pytest.mark.parametrize("given", [b"..", b"a/../b", b"/etc", b"/srv/recordings2/a", b"/srv/recordings/../x", b"/"])
def test_rule_I_what_leads_out_is_refused(given: bytes) -> None:
    with pytest.raises(WrongUse):
        clean(given, TOPS)


def test_what_is_below_another_is_meant_once() -> None:
    chosen = Selection([b"a/b/c", b"a", b"a b", b"a/z", b"b"])
    assert chosen.exact == [b"a", b"a b", b"b"]
    assert not chosen.is_everything
    assert chosen.has_exactly(b"a/b/c/d")
    assert not chosen.has_exactly(b"ab")
    assert Selection().is_everything
    assert Selection([b"", b"a"]).is_everything


def test_patterns_are_those_of_gitignore() -> None:
    """gitignore(5): without a slash at any depth; "*" stops at a slash, "**" does not; a final slash means folders."""
    fits = Selection(patterns=[b"*.wav"]).fits
    assert fits(b"01.wav", is_folder=False)
    assert fits(b"a/b/01.wav", is_folder=False)
    assert not fits(b"a/b/01.flac", is_folder=False)
    fits = Selection(patterns=[b"a/*.wav"]).fits
    assert fits(b"a/01.wav", is_folder=False)
    assert not fits(b"a/b/01.wav", is_folder=False)
    assert Selection(patterns=[b"a/**/*.wav"]).fits(b"a/b/c/01.wav", is_folder=False)
    fits = Selection(patterns=[b"take*/"]).fits
    assert fits(b"take 1", is_folder=True)
    assert not fits(b"take 1", is_folder=False)


@pytest.mark.parametrize("pattern", [b"!*.wav", b"#*.wav"])
def test_no_character_at_the_start_has_a_meaning_of_its_own(pattern: bytes) -> None:
    fits = Selection(patterns=[pattern]).fits
    assert fits(pattern.replace(b"*", b"01"), is_folder=False)
    assert not fits(b"01.wav", is_folder=False)


def test_too_many() -> None:
    with pytest.raises(WrongUse):
        Selection([b"%d" % number for number in range(1001)])


@pytest.mark.parametrize("pattern", [b"[z-a]", b"**/[9-0]*.wav"])
def test_what_is_no_pattern_is_wrong_use(pattern: bytes) -> None:
    with pytest.raises(WrongUse, match="is not a pattern"):
        Selection(patterns=[pattern]).fits(b"01 kyrie.wav", is_folder=False)
