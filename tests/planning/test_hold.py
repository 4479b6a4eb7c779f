"""When a night holds, against a table worked out by hand and against properties that must always hold."""

from __future__ import annotations

import math
import os
import zlib
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightferry.planning.hold import (
    NOISE_BITS_PER_BYTE,
    Limits,
    Proposed,
    Released,
    Standing,
    entropy_bits_per_byte,
    reasons_to_hold,
    turned_to_noise,
)

LIMITS = Limits(share=0.20, count=100)


def proposed(files: int, removals: int = 0, replacements: int = 0, primary: int = 1_000_000) -> Proposed:
    return Proposed(files_before=files, removals=removals, replacements=replacements, primary_files=primary)


@pytest.mark.parametrize(
    ("files", "removals", "replacements", "holds"),
    [
        (1_000, 0, 0, False),
        (1_000, 60, 40, False),  # exactly the count
        (1_000, 61, 40, True),  # one more
        (100_000, 101, 0, True),  # a small share, but many
        (50, 10, 0, False),  # exactly a fifth
        (50, 11, 0, True),
        (50, 0, 11, True),  # replacing is as bad as removing
        (4, 4, 0, False),  # too few for a share to mean anything: the floor is five
        (7, 6, 0, True),
        (0, 0, 0, False),  # a first night has nothing to lose
    ],
)
def test_limits(files: int, removals: int, replacements: int, holds: bool) -> None:
    assert bool(reasons_to_hold(proposed(files, removals, replacements), LIMITS)) is holds


def test_an_empty_primary_holds_at_any_size_and_without_limits() -> None:
    for files in (1, 3, 10_000):
        reasons = reasons_to_hold(proposed(files, removals=files, primary=0), Limits(None, None))
        assert len(reasons) == 1
        assert "empty" in reasons[0]


def test_limits_can_be_turned_off() -> None:
    assert reasons_to_hold(proposed(1_000, 900), Limits(None, None)) == []


def test_a_release_covers_what_was_held_and_what_any_night_may_do() -> None:
    held = proposed(1_000, removals=300)
    released = Released(removals=300, replacements=0)
    assert reasons_to_hold(held, LIMITS) != []
    assert reasons_to_hold(held, LIMITS, released) == []
    assert reasons_to_hold(replace(held, removals=400), LIMITS, released) == []
    assert reasons_to_hold(replace(held, removals=401), LIMITS, released) != []


def test_a_release_covers_an_empty_primary() -> None:
    gone = proposed(1_000, removals=1_000, primary=0)
    assert reasons_to_hold(gone, LIMITS, Released(1_000, 0)) == []


# --- a hold that nobody has released


def standing(reasons: list[str], removals: int = 0, replacements: int = 0, files: int = 1_000) -> Standing:
    return Standing(removals, replacements, reasons, files)


def test_a_hold_by_a_limit_ends_once_what_is_to_go_is_within_the_limits_of_tonight() -> None:
    held = proposed(1_000, removals=300)
    reasons = reasons_to_hold(held, LIMITS)
    assert len(reasons) == 2  # by share and by count
    before = standing(reasons, removals=300)
    assert reasons_to_hold(held, LIMITS, standing=before) == reasons
    raised = Limits(share=0.40, count=400)
    assert reasons_to_hold(held, raised, standing=before) == []
    # one of two limits raised: what is said is the other, with the number that it has now
    (reason,) = reasons_to_hold(held, Limits(share=0.40, count=250), standing=before)
    assert "the limit is 250 (hold_count)" in reason
    # or most of it was put back
    assert reasons_to_hold(proposed(1_000, removals=90), LIMITS, standing=before) == []
    assert reasons_to_hold(proposed(1_000, removals=101), LIMITS, standing=before) != []


def test_new_files_alone_never_end_a_hold() -> None:
    """210 of 1,000 are held; with 100 new files beside them they are 19 percent, and still too many."""
    limits = Limits(share=0.20, count=None)
    before = standing(reasons_to_hold(proposed(1_000, removals=210), limits), removals=210, files=1_000)
    grown = proposed(1_100, removals=210)
    assert reasons_to_hold(grown, limits) == []
    (reason,) = reasons_to_hold(grown, limits, standing=before)
    assert "21% of 1,000 files" in reason


@pytest.mark.parametrize("limits", [LIMITS, Limits(None, None)])
def test_no_limit_ends_a_hold_by_marks_of_an_attack(limits: Limits) -> None:
    attacked = replace(proposed(100_000, removals=20), additions=20, additions_with_new_suffix=20, new_suffix=".locked")
    (mark,) = reasons_to_hold(attacked, limits)
    before = standing([mark], removals=20, files=100_000)
    without_marks = proposed(100_020, removals=20)  # the new names were copied by the held night
    assert reasons_to_hold(without_marks, limits) == []
    assert reasons_to_hold(without_marks, limits, standing=before) == [mark]
    assert reasons_to_hold(replace(without_marks, removals=10), limits, standing=before) == [mark]
    assert reasons_to_hold(replace(without_marks, removals=9), limits, standing=before) == []  # most is put back


def test_a_mark_outlives_a_night_that_was_held_by_a_limit_too() -> None:
    """Else raising the limit would let an attack pass whose marks are gone."""
    attacked = replace(proposed(100, removals=60), additions=60, additions_with_new_suffix=60, new_suffix=".locked")
    limits = Limits(share=0.20, count=None)
    first = reasons_to_hold(attacked, limits)
    assert len(first) == 2
    second = reasons_to_hold(proposed(160, removals=60), limits, standing=standing(first, removals=60, files=100))
    assert second == first
    raised = reasons_to_hold(
        proposed(160, removals=60), Limits(0.9, None), standing=standing(second, removals=60, files=100)
    )
    assert raised == [first[1]] and ".locked" in raised[0]


def test_encryption_in_place_holds_below_all_limits() -> None:
    attacked = replace(proposed(100_000, replacements=20), sampled=20, sampled_to_noise=16)
    assert len(reasons_to_hold(attacked, LIMITS)) == 1
    assert reasons_to_hold(replace(attacked, sampled_to_noise=15), LIMITS) == []
    few = replace(proposed(100_000, replacements=9), sampled=9, sampled_to_noise=9)
    assert reasons_to_hold(few, LIMITS) == []


def test_one_new_ending_holds_below_all_limits() -> None:
    attacked = replace(proposed(100_000, removals=20), additions=20, additions_with_new_suffix=20, new_suffix=".locked")
    (reason,) = reasons_to_hold(attacked, LIMITS)
    assert ".locked" in reason
    mixed = replace(attacked, additions=40)  # as many other new files: an ordinary working day
    assert reasons_to_hold(mixed, LIMITS) == []


@given(
    files=st.integers(1, 10_000),
    removals=st.integers(0, 10_000),
    replacements=st.integers(0, 10_000),
    more=st.integers(0, 10_000),
)
def test_more_damage_never_turns_a_hold_off(files: int, removals: int, replacements: int, more: int) -> None:
    before = reasons_to_hold(proposed(files, removals, replacements), LIMITS)
    after = reasons_to_hold(proposed(files, removals + more, replacements), LIMITS)
    assert not before or after


def test_entropy_of_known_distributions() -> None:
    # Shannon, "A Mathematical Theory of Communication", 1948, section 6: H = -sum p log p.
    assert entropy_bits_per_byte(b"") == 0.0
    assert entropy_bits_per_byte(b"aaaa") == 0.0
    assert entropy_bits_per_byte(b"ab") == 1.0
    assert entropy_bits_per_byte(bytes(range(256))) == 8.0
    assert math.isclose(entropy_bits_per_byte(b"aaab"), 0.811278, abs_tol=1e-6)  # H(1/4)


def test_noise_is_told_from_what_people_keep() -> None:
    for _ in range(200):
        assert entropy_bits_per_byte(os.urandom(4096)) >= NOISE_BITS_PER_BYTE
    text = b"Kyrie eleison. Christe eleison. Kyrie eleison.\n" * 100
    assert entropy_bits_per_byte(text[:4096]) < NOISE_BITS_PER_BYTE


def test_an_edited_media_file_keeps_the_mark_it_begins_with() -> None:
    before = b"RIFF\x24\x08\x00\x00WAVEfmt " + os.urandom(4080)
    edited = b"RIFF\x24\x08\x00\x00WAVEfmt " + os.urandom(4080)
    assert not turned_to_noise(before, edited)
    assert turned_to_noise(before, os.urandom(4096))


def test_compressed_text_can_look_like_noise_but_few_files_do_not_hold() -> None:
    assert turned_to_noise(b"plain text", zlib.compress(os.urandom(6000), 0)[7:4103]) is True
