"""Who is drawn: every file as likely as any other, every byte as likely as any other, and every kind represented."""

from __future__ import annotations

import os
from collections import Counter
from random import Random

import pytest
from scipy.stats import binom, binomtest, chisquare, hypergeom

from nightferry.planning.assurance import of_bytes, of_files
from nightferry.planning.sampling import (
    DRAWN_LIMIT,
    FOLDERS_LIMIT,
    LARGEST,
    LAST_NIGHT,
    LAST_NIGHTS,
    PER_STRATUM,
    Drawing,
    Plan,
    Reservoir,
    Sample,
    age_class,
    plan,
    size_class,
)

# Seeds are fixed, so that each run is the same. REHEARSAL_SEEDS=10000 looks far closer, in minutes.
SEEDS = int(os.environ.get("REHEARSAL_SEEDS", "400"))
ALPHA = 1e-3


def draw(sizes: list[int], planned: Plan, seed: int, *, folders: int = 1) -> Sample[int]:
    drawing: Drawing[int] = Drawing(len(sizes), sum(sizes), planned, 10, Random(seed))
    for number, size in enumerate(sizes):
        drawing.offer(number, size, 1 + number % 10, b"%d" % (number * folders // len(sizes)))
    return drawing.end()


def test_the_plan_is_what_the_arithmetic_says() -> None:
    assert plan(10**9, 10**15, 0.01) == Plan(0.01, 299, 299)
    assert plan(50, 70, 0.1) == Plan(0.1, 22, 29)
    assert plan(50, 0, 0.1) == Plan(0.1, 22, 0)
    assert plan(50, 70, 0.01) == Plan(0.01, 50, 0)  # where one may be bad, all are taken
    assert plan(0, 0, 0.01) == Plan(0.01, 0, 0)
    assert plan(10**9, 10**15, 1e-7).files == plan(10**9, 10**15, 1e-7).byte_draws == DRAWN_LIMIT


def test_files_are_drawn_once_each_and_all_alike() -> None:
    met: Counter[int] = Counter()
    for seed in range(SEEDS):
        sample = draw([0, 1, 10**9, 5] * 10, Plan(0.01, 8, 0), seed)
        assert len(set(sample.files)) == 8
        met.update(sample.files)
    assert len(met) == 40
    assert chisquare(list(met.values())).pvalue > ALPHA


def test_the_first_of_a_draw_are_a_draw_themselves() -> None:
    """What is cut short is the first so many: they too must have nothing to do with the order of the files."""
    first = Counter(draw([1] * 20, Plan(0.01, 10, 10), seed).files[0] for seed in range(SEEDS))
    assert chisquare([first[number] for number in range(20)]).pvalue > ALPHA
    first = Counter(draw([1] * 20, Plan(0.01, 10, 10), seed).byte_draws[0] for seed in range(SEEDS))
    assert chisquare([first[number] for number in range(20)]).pvalue > ALPHA


def test_bytes_are_drawn_in_proportion_to_size() -> None:
    sizes = [0, 1, 2, 3, 10, 84]
    met: Counter[int] = Counter()
    for seed in range(SEEDS):
        met.update(draw(sizes, Plan(0.01, 0, 5), seed).byte_draws)
    assert met[0] == 0
    expected = [SEEDS * 5 * size / 100 for size in sizes[1:]]
    assert chisquare([met[number] for number in range(1, 6)], expected).pvalue > ALPHA


def test_draws_of_bytes_are_independent() -> None:
    """Two draws meet one file as often as chance has it: with replacement."""
    both = sum(len(set(draw([50, 50], Plan(0.01, 0, 2), seed).byte_draws)) == 1 for seed in range(SEEDS))
    assert binomtest(both, SEEDS, 0.5).pvalue > ALPHA


def test_every_kind_is_taken_along() -> None:
    sizes = [0, 1_000, 500_000, 50_000_000, 2**29, 2**31] * 50
    sample = draw(sizes, Plan(0.01, 5, 5), 7, folders=3)
    why = Counter(each for each, _ in sample.always)
    assert why[LARGEST] == 1
    assert why[LAST_NIGHT] == LAST_NIGHTS
    assert why["one of its folder"] == 3
    assert max(sizes) == next(sizes[number] for each, number in sample.always if each == LARGEST)
    for size in sizes[:6]:
        for since in range(1, 11):
            stratum = f"{size_class(size)}, {age_class(since, 10)}"
            there = [n for n, each in enumerate(sizes) if f"{size_class(each)}, {age_class(1 + n % 10, 10)}" == stratum]
            assert why[stratum] == min(PER_STRATUM, len(there))


def test_only_the_largest_folders_are_each_represented() -> None:
    drawing: Drawing[int] = Drawing(300, 300 * 301 // 2, Plan(0.01, 0, 0), 1, Random(1))
    for number in range(300):
        drawing.offer(number, number + 1, 0, b"%d" % number)
    taken = {number for why, number in drawing.end().always if why == "one of its folder"}
    assert taken == set(range(300 - FOLDERS_LIMIT, 300))


def test_classes_have_the_edges_that_their_words_say() -> None:
    assert [size_class(n) for n in (0, 1, 65_536, 65_537, 2**30, 2**30 + 1)] == [
        "empty", "up to 64 KiB", "up to 64 KiB", "up to 1 MiB", "up to 1 GiB", "larger than 1 GiB",
    ]  # fmt: skip
    assert [age_class(n, 40) for n in (40, 39, 11, 10)] == [
        "last night", "the last 30 nights", "the last 30 nights", "older",
    ]  # fmt: skip


def test_a_reservoir_keeps_each_with_the_same_chance() -> None:
    met: Counter[int] = Counter()
    for seed in range(SEEDS):
        reservoir: Reservoir[int] = Reservoir(3, Random(seed))
        for number in range(12):
            reservoir.offer(number)
        met.update(reservoir.kept)
    assert chisquare([met[number] for number in range(12)]).pvalue > ALPHA


def test_fewer_files_than_were_counted_leave_gaps() -> None:
    drawing: Drawing[int] = Drawing(10, 100, Plan(0.01, 10, 3), 1, Random(3))
    for number in range(4):
        drawing.offer(number, 0, 0, b"")
    sample = drawing.end()
    assert Counter(each is None for each in sample.files) == {True: 6, False: 4}
    assert sample.byte_draws == [None, None, None]


# --- planted faults: missed as often as the confidence allows, and no oftener


def misses(sizes: list[int], bad: set[int], share: float, kind: str) -> int:
    """In how many of the seeded draws no bad file is among the blind ones."""
    planned = plan(len(sizes), sum(sizes), share)
    drawn = planned._replace(byte_draws=0) if kind == "files" else planned._replace(files=0)
    return sum(not bad & set(getattr(draw(sizes, drawn, seed), kind)) for seed in range(SEEDS))


@pytest.mark.parametrize(("total", "share"), ((200, 0.05), (400, 0.02), (90, 0.1)))
def test_planted_bad_files_are_missed_as_often_as_the_confidence_allows(total: int, share: float) -> None:
    bad = Random(5).sample(range(total), round(total * share))
    missed = misses([1] * total, set(bad), share, "files")
    planned = plan(total, total, share)
    allowed = hypergeom.pmf(0, total, len(bad), planned.files)
    assert allowed <= 0.05
    assert binomtest(missed, SEEDS, allowed).pvalue > ALPHA  # no oftener and no more seldom
    assert binomtest(missed, SEEDS, 0.05, alternative="greater").pvalue > ALPHA


def test_planted_bad_bytes_are_missed_as_often_as_the_confidence_allows() -> None:
    sizes = [Random(n).randrange(1, 5_000) for n in range(300)]
    bad, held = set(), 0
    for number in Random(6).sample(range(300), 300):
        if held < 0.04 * sum(sizes):
            bad.add(number)
            held += sizes[number]
    share = held / sum(sizes)
    missed = misses(sizes, bad, 0.04, "byte_draws")
    allowed = binom.pmf(0, plan(300, sum(sizes), 0.04).byte_draws, share)
    assert allowed <= 0.05
    assert binomtest(missed, SEEDS, allowed).pvalue > ALPHA


@pytest.mark.parametrize("share_bad", (0.005, 0.02, 0.1))
def test_the_stated_bounds_hold_as_often_as_the_confidence_says(share_bad: float) -> None:
    """The statement itself, after whatever number of failures: wrong in at most 5 % of the rehearsals."""
    total = 600
    sizes = [Random(n).randrange(1, 3_000) for n in range(total)]
    bad = set(Random(9).sample(range(total), max(1, round(total * share_bad))))
    bad_bytes = sum(sizes[number] for number in bad) / sum(sizes)
    planned = Plan(0.05, 58, 59)
    wrong_files = wrong_bytes = 0
    for seed in range(SEEDS):
        sample = draw(sizes, planned, seed)
        files = of_files(total, 58, 58, sum(each in bad for each in sample.files), 0.05)
        by_bytes = of_bytes(sum(sizes), 59, 59, sum(each in bad for each in sample.byte_draws), 0.05)
        wrong_files += len(bad) > files.most
        wrong_bytes += bad_bytes > by_bytes.share
    assert binomtest(wrong_files, SEEDS, 0.05, alternative="greater").pvalue > ALPHA
    assert binomtest(wrong_bytes, SEEDS, 0.05, alternative="greater").pvalue > ALPHA


@pytest.mark.parametrize("stop_at", ("a large one", "bytes"))
def test_a_sample_cut_short_by_size_still_states_what_is_right(stop_at: str) -> None:
    """Where the bad files are the large ones and the time ends at them: the worst that stopping can do."""
    total, share_bad = 500, 0.08
    bad = set(Random(2).sample(range(total), round(total * share_bad)))
    sizes = [1_000 if number in bad else 1 for number in range(total)]
    wrong = 0
    for seed in range(SEEDS):
        done, given = 0, 0
        files = draw(sizes, Plan(0.01, 400, 0), seed).files
        for number in files:
            given += sizes[number]
            if sizes[number] > 1 if stop_at == "a large one" else given > 1_500:
                break
            done += 1
        failed = sum(number in bad for number in files[:done])
        wrong += len(bad) > of_files(total, 400, done, failed, 0.01).most
    assert binomtest(wrong, SEEDS, 0.05, alternative="greater").pvalue > ALPHA
