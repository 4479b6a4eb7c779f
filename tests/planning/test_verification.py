"""What to read back, what a reading means, and how sure it makes one."""

from __future__ import annotations

import math
import random
import subprocess
from collections import deque
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from nightferry.planning.verification import (
    DAY_S,
    NightRead,
    Verdict,
    cycle_problem,
    detection_probability,
    differing_ranges,
    judge_name,
    judge_primary,
    judge_secondary,
    nightly_budget,
    pace,
)
from nightferry.tree.metadata import Kind, Stat

THEN = Stat(Kind.FILE, 1_000, 20, 21, 5, 0o644, 1000, 1000, 1, 4096)
RIGHT, OTHER = b"\x01" * 16, b"\x02" * 16
GIB = 1 << 30


# --- verdicts


@pytest.mark.parametrize(
    ("now", "digest", "verdict"),
    [
        (THEN, RIGHT, Verdict.INTACT),
        (THEN, OTHER, Verdict.DECAYED),
        (THEN, None, Verdict.UNREADABLE),
        # what says that somebody wrote to it, whatever it reads as: no verdict
        (THEN._replace(size_bytes=999), OTHER, None),
        (THEN._replace(mtime_ns=22), OTHER, None),
        (THEN._replace(ctime_ns=22), OTHER, None),
        (THEN._replace(ctime_ns=22), None, None),
        (THEN._replace(inode=6), OTHER, None),
        (THEN._replace(kind=Kind.SYMLINK), OTHER, None),
        (THEN._replace(kind=Kind.FOLDER), None, None),
        (None, None, None),  # a person removed it
        # what says nothing about the content
        (THEN._replace(mode=0o600, uid=0, gid=0, nlink=2, allocated_bytes=0), OTHER, Verdict.DECAYED),
        (THEN._replace(mode=0o600, uid=0, gid=0, nlink=2, allocated_bytes=0), RIGHT, Verdict.INTACT),
    ],
)
def test_rule_C_the_primary_is_judged_by_content_and_by_what_says_that_somebody_wrote(
    now: Stat | None, digest: bytes | None, verdict: Verdict | None
) -> None:
    assert judge_primary(THEN, now, digest, RIGHT) is verdict


@pytest.mark.parametrize(
    ("found", "digest", "verdict"),
    [
        (True, RIGHT, Verdict.INTACT),
        (True, OTHER, Verdict.DECAYED),
        (True, None, Verdict.UNREADABLE),
        (False, None, Verdict.MISSING),
    ],
)
def test_any_other_content_on_the_secondary_is_damage(found: bool, digest: bytes | None, verdict: Verdict) -> None:
    assert judge_secondary(found, digest, RIGHT) is verdict


LINK = THEN._replace(kind=Kind.SYMLINK)
FOLDER = THEN._replace(kind=Kind.FOLDER)


@pytest.mark.parametrize(
    ("then", "now", "target", "readable", "verdict"),
    [
        (LINK, LINK, b"01 kyrie.wav", True, Verdict.INTACT),
        (LINK, LINK._replace(ctime_ns=99, inode=9), b"01 kyrie.wav", True, Verdict.INTACT),
        (LINK, LINK, b"/etc/passwd", True, Verdict.DECAYED),
        (LINK, LINK, None, False, Verdict.UNREADABLE),
        (LINK, None, None, True, Verdict.MISSING),
        (LINK, THEN, None, True, Verdict.DECAYED),  # a file stands there
        (LINK, FOLDER, None, True, Verdict.DECAYED),
        (FOLDER, FOLDER, None, True, Verdict.INTACT),
        (FOLDER, FOLDER, None, False, Verdict.UNREADABLE),  # its names cannot be listed
        (FOLDER, None, None, True, Verdict.MISSING),
        (FOLDER, LINK, b"01 kyrie.wav", True, Verdict.DECAYED),
        (THEN, FOLDER, None, True, Verdict.DECAYED),
    ],
)
def test_symlinks_and_folders_are_judged_by_being_there_and_pointing_right(
    then: Stat, now: Stat | None, target: bytes | None, readable: bool, verdict: Verdict
) -> None:
    wanted = b"01 kyrie.wav" if then.kind is Kind.SYMLINK else None
    assert judge_name(then, now, target, wanted, readable=readable) is verdict


# --- the night's share


def test_a_night_reads_an_even_share_and_fifteen_percent_more() -> None:
    budget = nightly_budget(3_000_000, 30 * DAY_S, now_s=1_000 * DAY_S)
    assert budget.size_bytes == 115_000  # 3,000,000 / 30 * 1.15
    assert budget.overdue_before_s == (1_000 - 30 + 1) * DAY_S  # due before the next night comes


@pytest.mark.parametrize("cycle_s", [0.0, 3600.0, DAY_S])
def test_a_cycle_of_a_day_or_less_reads_all_of_it_each_night(cycle_s: float) -> None:
    assert nightly_budget(12_345, cycle_s, now_s=0.0).size_bytes == 12_345


@given(st.integers(0, 1 << 50), st.integers(1, 3650))
def test_the_shares_of_a_cycle_make_up_the_whole(total_bytes: int, days: int) -> None:
    share_bytes = nightly_budget(total_bytes, days * DAY_S, now_s=0.0).size_bytes
    assert share_bytes * days >= total_bytes
    assert share_bytes <= total_bytes
    # and not much more than that: 15 percent, and the byte that rounding up may cost each night
    assert share_bytes * days <= Fraction(23, 20) * total_bytes * Fraction(1_000_001, 1_000_000) + days


# --- can the cycle be kept


def test_a_cycle_that_cannot_be_kept_is_said_with_its_numbers() -> None:
    # 3,600 GiB in 30 days at 100 MiB/s: 120 GiB a night take 1,228.8 s; in 600 s a night it takes 61.44 days
    said = cycle_problem(3_600 * GIB, 100 * (1 << 20), 30 * DAY_S, 600.0)
    assert said is not None
    for number in ("3.5 TiB", "30 d", "100.0 MiB/s", "20 min 29 s", "10 min 00 s", "a cycle of 62 days"):
        assert number in said, said
    for setting in ("finish_by", "verify_share", "verify_cycle"):
        assert setting in said


def test_the_pace_is_that_of_all_nights_and_the_time_their_median() -> None:
    nights = [NightRead(100, 1.0, 600.0), NightRead(100, 4.0, 60.0), NightRead(100, 5.0, 540.0)]
    assert pace(nights, window_s=3600.0) == (30.0, 540.0)
    assert pace(nights[:2], window_s=3600.0) == (40.0, 3600.0)  # too few: the whole window may be there
    assert pace(nights, window_s=None) == (30.0, None)
    assert pace([], window_s=3600.0) == (0.0, 3600.0)
    unlimited = [NightRead(100, 1.0, None)] * 5
    assert pace(unlimited, window_s=3600.0) == (100.0, 3600.0)


def test_without_any_time_no_cycle_is_promised() -> None:
    said = cycle_problem(GIB, 100e6, 30 * DAY_S, 0.0)
    assert said is not None
    assert "there is no time at all" in said


def test_what_just_fits_is_no_problem_and_a_byte_more_is() -> None:
    # 1,000 B/s for 60 s on 30 nights
    assert cycle_problem(1_800_000, 1_000.0, 30 * DAY_S, 60.0) is None
    assert cycle_problem(1_800_001, 1_000.0, 30 * DAY_S, 60.0) is not None


@pytest.mark.parametrize(
    ("total_bytes", "rate", "seconds"), [(0, 1e6, 60.0), (GIB, 0.0, 60.0), (GIB, 1e3, None)],
    ids=["nothing to read", "no rate known", "no window"],
)  # fmt: skip
def test_where_nothing_can_be_said_nothing_is(total_bytes: int, rate: float, seconds: float | None) -> None:
    assert cycle_problem(total_bytes, rate, 30 * DAY_S, seconds) is None


@given(st.integers(1, 1 << 50), st.floats(1e3, 1e9), st.integers(1, 365), st.floats(1.0, DAY_S))
def test_the_longer_cycle_that_is_named_can_be_kept(total_bytes: int, rate: float, days: int, seconds: float) -> None:
    said = cycle_problem(total_bytes, rate, days * DAY_S, seconds)
    if said is None:
        return
    named = int(said.split("a cycle of ")[1].split(" days")[0].replace(",", ""))
    assert named > days or math.isclose(total_bytes, rate * seconds * days, rel_tol=1e-9)
    assert cycle_problem(total_bytes, rate, (named + 1e-6) * DAY_S, seconds) is None


# --- how sure


class Rounds:
    """Nights that read files oldest first until their share is full, as a model of a few lines: who was read when."""

    def __init__(self, sizes: list[int], budget_bytes: int, nights: int) -> None:
        waiting = deque(range(len(sizes)))
        self.read_on: list[list[int]] = [[] for _ in sizes]
        for night in range(nights):
            given_bytes = 0
            while given_bytes < budget_bytes:
                number = waiting.popleft()
                waiting.append(number)
                self.read_on[number].append(night)
                given_bytes += sizes[number]

    def wait_nights(self, number: int, decayed_before: int) -> int:
        """How many nights until one has read it, the first counted as 1."""
        return next(night for night in self.read_on[number] if night >= decayed_before) - decayed_before + 1


@pytest.mark.parametrize("nights", [1, 3, 10, 19, 20, 25])
def test_the_closed_form_is_what_a_simulation_finds(nights: int) -> None:
    """2,000 files of one size, a twentieth a night: each decays before a night chosen at random.

    The share found within n nights is n/20, within the error of the trial: the exact binomial interval of Clopper and
    Pearson (Biometrika 26, 1934), as scipy computes it, at 99.99 percent.
    """
    total_bytes, budget_bytes, trials = 2_000 * 7, 100 * 7, 4_000
    rounds = Rounds([7] * 2_000, budget_bytes, 100)
    chance = random.Random(20_260_502)
    found = sum(
        rounds.wait_nights(chance.randrange(2_000), chance.randrange(40)) <= nights for _ in range(trials)
    )  # fmt: skip
    interval = stats.binomtest(found, trials).proportion_ci(0.9999, method="exact")
    assert interval.low <= detection_probability(nights, budget_bytes, total_bytes) <= interval.high


@pytest.mark.parametrize("share", [0.001, 0.01, 0.1, 0.5])
@pytest.mark.parametrize("nights", [1, 5, 12])
def test_a_file_s_share_of_the_bytes_plays_no_part_except_to_its_gain(share: float, nights: int) -> None:
    """Derived here: a file is read whole when its turn comes, so its wait is that of its round, whatever its size.

    One larger than a night's share takes that night beyond its budget, so that the round gets shorter, never longer.
    """
    large = round(100_000 * share)
    sizes = [large, *[100] * ((100_000 - large) // 100)]
    total_bytes, budget_bytes = sum(sizes), 5_000
    rounds = Rounds(sizes, budget_bytes, 200)
    waits = [rounds.wait_nights(0, before) for before in range(100)]
    # the round is 20 nights at the most, and every night of one is as likely as the other to be the night of the decay
    found = sum(wait <= nights for wait in waits) / len(waits)
    assert found >= detection_probability(nights, budget_bytes, total_bytes) - 1e-9
    if large <= budget_bytes:
        assert found <= detection_probability(nights, budget_bytes, total_bytes) + 0.02


@given(st.integers(0, 400), st.integers(1, 10**13), st.integers(1, 10**13))
def test_the_wait_is_uniform_over_a_round(nights: int, budget_bytes: int, total_bytes: int) -> None:
    """Derived here: the moment of decay has nothing to do with the order of reading. The uniform distribution is
    scipy's."""
    expected = stats.uniform.cdf(nights, loc=0, scale=total_bytes / budget_bytes)
    assert detection_probability(nights, budget_bytes, total_bytes) == pytest.approx(float(expected))


@given(st.integers(1, 120), st.integers(1, 1_000), st.integers(1, 1_000))
def test_oldest_first_is_never_worse_than_as_many_files_drawn_anew_each_night(
    nights: int, drawn: int, files: int
) -> None:
    """Drawn without putting back, one night finds a file with the hypergeometric chance drawn/files; nights that
    know nothing of each other make it binomial: 1 - (1 - drawn/files)^nights. Oldest first has nights * drawn/files,
    which is never less (Bernoulli's inequality), and certainty after one round, which drawing never has."""
    drawn = min(drawn, files)
    one_night = float(stats.hypergeom.sf(0, files, 1, drawn))
    assert detection_probability(1, drawn, files) == pytest.approx(one_night)
    at_random = float(stats.binom.sf(0, nights, one_night))
    assert detection_probability(nights, drawn, files) >= at_random - 1e-12
    if nights * drawn >= files:
        assert detection_probability(nights, drawn, files) == 1.0


def test_after_a_month_of_nights_the_difference_is_a_third_of_all_decay() -> None:
    """What a thirtieth a night finds in thirty nights: all, against 1 - (29/30)^30 = 63.8 percent by drawing."""
    assert detection_probability(30, 1, 30) == 1.0
    assert float(stats.binom.sf(0, 30, 1 / 30)) == pytest.approx(0.638, abs=0.001)


def test_an_empty_drive_has_no_decay_to_miss() -> None:
    assert detection_probability(1, 0, 0) == 1.0


# --- where two differ


@given(st.binary(max_size=200), st.binary(max_size=200), st.integers(0, 1 << 40))
def test_ranges_hold_every_differing_byte_and_begin_and_end_with_one(one: bytes, other: bytes, offset: int) -> None:
    ranges = differing_ranges(one, other, offset)
    differing = {
        offset + at
        for at in range(max(len(one), len(other)))
        if one[at : at + 1] != other[at : at + 1]  # behind the end of the shorter one: empty
    }
    assert all(any(start <= at < end for start, end in ranges) for at in differing)
    for start, end in ranges:
        assert start in differing
        assert end - 1 in differing
    for (_, end), (start, _) in pairwise(ranges):
        assert end <= start


@given(st.binary(min_size=1, max_size=120), st.data())
def test_bytes_closer_than_sixteen_are_one_range(block: bytes, data: st.DataObject) -> None:
    wrong = sorted(data.draw(st.sets(st.integers(0, len(block) - 1), max_size=8)))
    changed = bytearray(block)
    for at in wrong:
        changed[at] ^= 0x10
    gaps = [right - left - 1 for left, right in pairwise(wrong)]  # equal bytes between neighbours
    assert len(differing_ranges(block, bytes(changed))) == (1 + sum(gap > 16 for gap in gaps) if wrong else 0)


def test_equal_blocks_differ_nowhere() -> None:
    assert differing_ranges(b"Kyrie" * 100, b"Kyrie" * 100, 4096) == []
    assert differing_ranges(b"", b"") == []


def test_the_bytes_that_cmp_names_are_those_of_the_ranges(tmp_path: Path) -> None:
    """Against ``cmp --verbose`` of diffutils, which lists each differing byte, counted from 1."""
    chance = random.Random(7)
    one = chance.randbytes(50_000)
    changed = bytearray(one)
    for at in (0, 1, 17, 4_000, 4_019, 4_100, 49_999):
        changed[at] ^= 1
    (tmp_path / "a").write_bytes(one)
    (tmp_path / "b").write_bytes(changed)
    listed = subprocess.run(
        ["cmp", "--verbose", "a", "b"], cwd=tmp_path, capture_output=True, check=False, timeout=60
    ).stdout.split(b"\n")
    wrong = [int(line.split()[0]) - 1 for line in listed if line]
    ranges = differing_ranges(one, bytes(changed))
    assert sorted({start for start, _ in ranges} | {end - 1 for _, end in ranges}) == [
        0,
        17,
        4_000,
        4_019,
        4_100,
        49_999,
    ]
    assert all(any(start <= at < end for start, end in ranges) for at in wrong)
    assert len(wrong) == 7
