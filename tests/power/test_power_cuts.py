"""The power goes in the middle of a night, on real file systems (rules B, D and E).

Two nights are recorded block by block, on the secondary and on the disk with the state directory. From the log come
images of both as they may be after a power cut at one instant. Each pair of images is mounted, so that the file
systems recover; what must hold of any crash must hold of it, and the next night leads where an undisturbed one leads.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import pytest
from crash_images import WAYS, Choice, places
from file_systems import FILE_SYSTEMS, NotMounted
from power_sweep import SEED, Sweep, choices, how_many
from power_world import Box, commit_journal

from nightferry.manifest import database as database_module
from nightferry.manifest.journal import Journal
from nightferry.tree.durability import Barrier
from sweeps import ALL

# The secondary's file system and that of the disk with the state, and of all images asked for the share that is theirs.
PAIRS = {
    "ext4": ("ext4", "ext4", 0.25),
    "ext4-writeback": ("ext4-writeback", "ext4-writeback", 0.2),
    "xfs": ("xfs", "xfs", 0.2),
    "btrfs": ("btrfs", "ext4", 0.15),
}
IN_CI = {"ext4": 60, "ext4-writeback": 36, "xfs": 50, "btrfs": 30}
# First cuts, each with so many second ones.
TWICE = {"ext4": 2, "xfs": 2}
SECOND_CUTS = 8


@pytest.mark.parametrize("name", PAIRS)
def test_rule_B_D_E_any_image_that_a_power_cut_leaves(place: Path, name: str) -> None:
    secondary, state, share = PAIRS[name]
    chance = random.Random(f"{SEED} {name}")
    with Box(place / "box", FILE_SYSTEMS[secondary], FILE_SYSTEMS[state]) as box:
        sweep = Sweep(f"images after a power cut, {name}", box)
        for night in box.nights:
            count = how_many(IN_CI[name], share) // 2
            for at in places(box.recorded_disks, night.begins, night.ends, count, chance):
                one, other = choices(box, chance)
                sweep.attempt((at, one), (at, other), lambda a=(at, one), b=(at, other), n=night: box.check(n, a, b))
        sweep.report()


@pytest.mark.parametrize("name", TWICE)
def test_rule_B_D_E_a_second_cut_while_the_first_is_put_right(place: Path, name: str) -> None:
    """The night after a cut is recorded in its turn, with what it finishes and takes back, and cut off as well."""
    secondary, state, share = PAIRS[name]
    chance = random.Random(f"{SEED} {name} twice")
    failed: list[str] = []
    tried = lost = 0
    with Box(place / "box", FILE_SYSTEMS[secondary], FILE_SYSTEMS[state]) as box:
        for night in box.nights:
            firsts = how_many(TWICE[name] * SECOND_CUTS, share / 2) // SECOND_CUTS // 2
            for at in places(box.recorded_disks, night.begins, night.ends, firsts, chance):
                one, other = choices(box, chance)
                sweep = Sweep(f"images after a second power cut, {name}", box)
                try:
                    with box.again(night, (at, one), (at, other)) as (begins, ends):
                        for second in places(box.recorded_disks, begins, ends, SECOND_CUTS, chance):
                            cuts = [(second, choice) for choice in choices(box, chance)]
                            sweep.attempt(*cuts, lambda a=cuts[0], b=cuts[1], n=night: box.check(n, a, b))
                except NotMounted:
                    lost += 1  # after the first cut: the test above says whether that may be
                    continue
                tried += sweep.tried["images"]
                failed += [f"first cut at {at}: secondary {one}; state {other}; {said}" for said in sweep.failed]
    print(f"\n{name}: {tried} images after a second power cut, {lost} first cuts not mounted, {len(failed)} failed")
    assert not failed, f"{len(failed)} failed, POWER_SEED={SEED}:\n" + "\n".join(failed[:5])
    assert tried >= SECOND_CUTS


# --- the harness itself: it has to find what is broken on purpose


@contextmanager
def without_barriers() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Barrier, "wait", lambda self: None)
        yield


@contextmanager
def _without_barrier_of_a_batch(missing: int) -> Iterator[None]:
    """``missing``: 1, between what is staged and kept and the new names; 2, between those and what settles them."""
    real_wait, real_write, real_settle = Barrier.wait, Journal.write, Journal.settle
    waits: list[int] = []  # of the batch under way; a 0 begins it

    def write(self: Journal, *given: object) -> None:
        real_write(self, *given)  # type: ignore[arg-type]
        waits.append(0)

    def wait(self: Barrier) -> None:
        if waits:
            waits.append(len(waits))
            if waits[-1] == missing:
                return  # what was written stays with the barrier that comes next
            if missing == 1:
                commit_journal(self)  # between the names and the barrier that would put the data first
        real_wait(self)

    def settle(self: Journal, *given: object) -> None:
        waits.clear()
        real_settle(self, *given)  # type: ignore[arg-type]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Journal, "write", write)
        patch.setattr(Barrier, "wait", wait)
        patch.setattr(Journal, "settle", settle)
        yield


def names_before_data_is_synced() -> AbstractContextManager[None]:
    return _without_barrier_of_a_batch(1)


def settled_before_names_are_synced() -> AbstractContextManager[None]:
    return _without_barrier_of_a_batch(2)


@contextmanager
def journal_after_names() -> Iterator[None]:
    """The intents become durable only when all is done."""
    real_write, real_settle = Journal.write, Journal.settle
    waiting: list[tuple[object, ...]] = []

    def write(self: Journal, *given: object) -> None:
        waiting.append(given)
        with self._database.transaction():
            self._set_counters(self.counters()._replace(begun=self.counters().begun + 1))

    def settle(self: Journal, *given: object) -> None:
        counted = self.counters()
        while waiting:
            real_write(self, *waiting.pop())  # type: ignore[arg-type]
        with self._database.transaction():
            self._set_counters(counted)
        real_settle(self, *given)  # type: ignore[arg-type]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Journal, "write", write)
        patch.setattr(Journal, "settle", settle)
        yield


@contextmanager
def without_durable_commits() -> Iterator[None]:
    real = database_module._tune

    def hasty(connection, effects, *, writable: bool) -> None:
        real(connection, effects, writable=writable)
        if writable:
            connection.execute("PRAGMA synchronous = OFF")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(database_module, "_tune", hasty)
        yield


BROKEN = {
    "no barriers": without_barriers,
    "names before data is synced": names_before_data_is_synced,
    "settled before names are synced": settled_before_names_are_synced,
    "journal after names": journal_after_names,
    "commits that are not durable": without_durable_commits,
}
# Of 60 cuts spread over both nights the checks caught, on ext4 and on xfs: no barriers 46 and 43, names before data is
# synced 0 and 2, settled before names are synced 11 and 16, journal after names 7 and 2, commits that are not durable
# 51 and 47. ext4 by itself writes out what is renamed over another file (ext4(5), auto_da_alloc), so that no image
# shows there that the barrier before the names is missing; with that turned off it is seen (2 of 60).
CAUGHT = [
    *(("ext4", what) for what in BROKEN if what != "names before data is synced"),
    ("ext4-late", "names before data is synced"),
    *(("xfs", what) for what in BROKEN),
]
if not ALL:  # those that take few images: the others want up to some hundred
    CAUGHT = [
        ("ext4", "no barriers"), ("xfs", "settled before names are synced"), ("ext4", "journal after names"),
        ("ext4", "commits that are not durable"),
    ]  # fmt: skip
MUTANT_CUTS = 600  # at the most: it is over when it is caught at this many places
MUTANT_PLACES = 3


@pytest.mark.parametrize(("name", "what"), CAUGHT)
def test_a_broken_nightferry_is_caught(place: Path, name: str, what: str) -> None:
    """With each of these taken away, images show it by what stands there (rules B and D), before any night follows: so
    they would show a mistake of that kind, too."""
    breaking: Callable[[], AbstractContextManager[None]] = BROKEN[what]
    chance = random.Random(f"{SEED} {what}")
    with Box(place / "box", FILE_SYSTEMS[name], FILE_SYSTEMS["ext4"], breaking=breaking) as box:
        cuts = [
            (night, at)
            for night in box.nights
            for at in places(box.recorded_disks, night.begins, night.ends, MUTANT_CUTS // 2, chance)
        ]
        chance.shuffle(cuts)  # early ones are as good as late ones
        found: dict[int, str] = {}
        for tried, (night, at) in enumerate(cuts, start=1):
            one, other = choices(box, chance)
            try:
                with box.mounted(night, (at, one), (at, other)):
                    night.check_interrupted()
            except NotMounted:
                continue
            except AssertionError as error:
                found[at] = str(error)[:200]
            if len(found) >= MUTANT_PLACES:
                print(f"\n{what}, {name}: found at {len(found)} places in {tried} images: {found}")
                return
    pytest.fail(f"{what}: found at {len(found)} places in {len(cuts)} images: {found}")


def test_every_way_to_lose_writes_is_tried() -> None:
    chance = random.Random(SEED)
    assert {chance.choice(WAYS) for _ in range(200)} == set(WAYS)
    assert Choice("all", 0) == Choice("all", 0)
