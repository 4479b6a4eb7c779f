"""Months of nights on the order of reading alone: a real manifest, the night's own choice of what is due, time as a
number. Every byte comes round within the cycle, oldest first, and no night reads more than its share, but for what is
overdue."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from scipy import stats

from nightferry.manifest.fixity import Fixity, Side
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import Content, Intent
from nightferry.night.context import Clock
from nightferry.night.verify import due
from nightferry.planning.verification import HEADROOM, detection_probability, nightly_budget
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat

DAY_S = 86_400
START_S = 20_000 * DAY_S
CYCLE_DAYS = 30
CYCLE_S = float(CYCLE_DAYS * DAY_S)
FILES = 400
FOLDER = Stat(Kind.FOLDER, 0, 10, 11, 1, 0o755, 0, 0, 1, 0)


class Set(Clock):
    def __init__(self) -> None:
        self.at_s = float(START_S)

    def now_s(self) -> float:
        return self.at_s


class Box:
    """So many files in folders, some of them larger than a night's share, and as many retired versions as a tenth."""

    def __init__(self, folder: Path) -> None:
        chance = random.Random(3)
        self.clock = Set()
        self.manifest = Manifest.create(folder / "manifest.sqlite3", Effects(), pair_id="p", pair_name="recordings")
        with self.manifest.database.transaction():
            self.manifest.entries.insert(0, b"", FOLDER, Content(), None, 1)
            tops = [self.manifest.entries.insert(1, b"%02d" % n, FOLDER, Content(), None, 1) for n in range(10)]
            rows = []
            for number in range(FILES):
                size_bytes = 10_000_000 if number % 100 == 7 else chance.randrange(1, 200_000)
                stat = Stat(Kind.FILE, size_bytes, 20, 21, 100 + number, 0o644, 0, 0, 1, 0)
                rows.append(
                    self.manifest.entries.insert(
                        tops[number % 10],
                        b"%03d.wav" % number,
                        stat,
                        Content(1, b"\x01" * 16),
                        None,
                        1,
                        START_S,
                        START_S,
                    )
                )
        for row in rows[::10]:
            path = self.manifest.entries.path(row)
            self.manifest.journal.write([Intent("retire", path, row, held=b"2/" + path, reason="removed")], 2)
            self.manifest.journal.settle([intent for _, intent in self.manifest.journal.read()], 2)
        self.fixity = Fixity(self.manifest.database)

    def night(self, side: Side) -> list[tuple[str, int, int]]:
        """What one night reads of a side, as (table, id, bytes) in its order; it is marked as read."""
        self.chosen = chosen = [target.subject for target in due(self.manifest, side, CYCLE_S, self.clock)]
        days = [subject.read_s // DAY_S for subject in chosen]
        assert days == sorted(days), "not oldest first"
        self.fixity.mark_read(side, [(each.table, each.id) for each in chosen], int(self.clock.at_s))
        return [(each.table, each.id, each.stat.size_bytes) for each in chosen]

    def oldest_age_s(self, side: Side) -> float:
        covered = self.fixity.coverage(self.clock.at_s, CYCLE_S)
        places = ("primary",) if side == "primary" else ("secondary", "retired")
        assert all(covered[place].never_files == 0 for place in places)
        return self.clock.at_s - min(each for place in places if (each := covered[place].oldest_s) is not None)


@pytest.fixture
def box(tmp_path: Path) -> Iterator[Box]:
    made = Box(tmp_path)
    yield made
    made.manifest.close()


@pytest.mark.parametrize("side", ["primary", "secondary"])
def test_rule_M_every_byte_is_read_within_the_cycle_and_the_share_is_kept(box: Box, side: Side) -> None:
    total = box.fixity.total_bytes(side)
    budget = nightly_budget(total, CYCLE_S, 0.0).size_bytes
    assert budget == math.ceil(total * HEADROOM / CYCLE_DAYS) < 10_000_000
    read: dict[tuple[str, int], int] = {}
    largest = 10_000_000
    for _ in range(2 * CYCLE_DAYS + 5):
        box.clock.at_s += DAY_S
        names = box.night(side)
        files = [each for each in names if each[2]]
        # up to the file that fills the share; names of no bytes count as one byte each
        assert sum(size for _, _, size in files[:-1]) <= budget
        assert sum(size for _, _, size in files) <= budget + largest
        for table, row, size in files:
            read[table, row] = size
        assert box.oldest_age_s(side) <= CYCLE_S
    assert len(read) == (FILES if side == "secondary" else FILES - FILES // 10)
    assert sum(read.values()) == total


@pytest.mark.parametrize("missed", [1, 7, 45])
def test_missed_nights_are_caught_up_by_the_next_and_the_cycle_holds_again(box: Box, missed: int) -> None:
    """The share is passed only for what would else be overdue."""
    side: Side = "secondary"
    for _ in range(CYCLE_DAYS):
        box.clock.at_s += DAY_S
        box.night(side)
    box.clock.at_s += missed * DAY_S
    box.clock.at_s += DAY_S
    before = box.oldest_age_s(side)
    read = box.night(side)
    budget = nightly_budget(box.fixity.total_bytes(side), CYCLE_S, 0.0).size_bytes
    if missed >= CYCLE_DAYS:
        assert before > CYCLE_S
        assert sum(size for _, _, size in read) == box.fixity.total_bytes(side)  # all of it was overdue
    assert box.oldest_age_s(side) <= CYCLE_S - DAY_S  # what is due before the next night was read in this one
    assert sum(size for _, _, size in read) >= budget
    # and beyond the share nothing that could have waited
    given = 0
    for each in box.chosen:
        assert given < budget or each.read_s < box.clock.at_s - CYCLE_S + DAY_S, (
            "read beyond the share, and not overdue"
        )
        given += max(each.stat.size_bytes, 1)
    if missed < CYCLE_DAYS:
        assert given < box.fixity.total_bytes(side)
    for _ in range(CYCLE_DAYS):
        box.clock.at_s += DAY_S
        box.night(side)
        assert box.oldest_age_s(side) <= CYCLE_S


def test_a_night_cut_short_goes_on_where_it_stopped(box: Box) -> None:
    box.clock.at_s += 20 * DAY_S
    first = [next(targets).subject for targets in [due(box.manifest, "primary", CYCLE_S, box.clock)] for _ in range(5)]
    box.fixity.mark_read("primary", [(each.table, each.id) for each in first], int(box.clock.at_s))
    box.clock.at_s += DAY_S
    rest = [target.subject.id for target in due(box.manifest, "primary", CYCLE_S, box.clock)]
    assert not {each.id for each in first} & set(rest)


@pytest.mark.parametrize("nights", [1, 5, 13, 26])
def test_decay_is_found_with_the_chance_that_the_closed_form_says(box: Box, nights: int) -> None:
    """Files decay at moments chosen at random; whether the night's own choice comes to them within so many nights.

    The share of those found against ``detection_probability``, within the exact binomial interval of Clopper and
    Pearson (Biometrika 26, 1934) at 99.99 percent, as scipy computes it. A file larger than a night's share ends its
    night early, so that the round has as many nights as it is seen to have here, and not total / budget.
    """
    side: Side = "primary"
    days = 120
    when: dict[int, list[int]] = {}
    for day in range(1, days + 1):
        box.clock.at_s += DAY_S
        for _, row, _ in box.night(side):
            when.setdefault(row, []).append(day)
    chance = random.Random(7)
    rows = sorted(when)
    round_nights = [after - before for each in when.values() for before, after in pairwise(each)]
    length = sum(round_nights) / len(round_nights)
    trials = found = 0
    while trials < 3_000:
        row, decayed_before = chance.choice(rows), chance.randrange(40, 80)
        wait = next(day for day in when[row] if day >= decayed_before) - decayed_before + 1
        trials += 1
        found += wait <= nights
    interval = stats.binomtest(found, trials).proportion_ci(0.9999, method="exact")
    said = detection_probability(nights, 1_000, round(1_000 * length))
    assert interval.low - 0.02 <= said <= interval.high + 0.02  # rounds differ by a night
