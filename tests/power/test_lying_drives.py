"""A drive, or a system disk, that said of writes that they were durable, and lost some of them when the power went.

No program can keep all its promises on one. But nothing that still stands on the secondary may be lost by what follows
(rule B), and no night may call a copy sound that is not (rule M).
"""

from __future__ import annotations

import errno
import random
from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from apart import EXPIRING, take_over
from crash_images import Choice, places
from crash_world import copy_of, different
from file_systems import FILE_SYSTEMS, NotMounted
from power_sweep import SEED, Cut, Sweep, how_many
from power_world import WHOLE, Box, Night, standing

from nightferry.errors import Failed, WrongDrive
from nightferry.night.run import Result
from sweeps import ALL

SYSTEMS = ["ext4", "xfs"] if ALL else ["ext4"]  # of the secondary
UNHEEDED_LIMIT = 8
WAYS = ("some", "few", "most", "torn")
NIGHTS = 3
_DAMAGED = "the file system said to be damaged"
# What a file system says that has lost blocks of its own.
_BROKEN = {errno.EUCLEAN, errno.EBADMSG, errno.EIO}


@pytest.fixture(scope="module", params=SYSTEMS)
def box(shared_place: Path, request: pytest.FixtureRequest) -> Iterator[Box]:
    with Box(shared_place / request.param, FILE_SYSTEMS[request.param], FILE_SYSTEMS["ext4"]) as made:
        yield made


@pytest.mark.parametrize("which", ["secondary", "state"])
def test_rule_B_M_a_disk_lost_what_it_had_called_durable(box: Box, which: str) -> None:
    chance = random.Random(f"{SEED} {which}")
    sweep = Sweep(f"images of a {which} that lost durable writes", box)
    went: Counter[str] = Counter()
    lying = box.recorded_disks[which == "state"]

    def attempt(night: Night, secondary: Cut, state: Cut) -> None:
        try:
            with box.mounted(night, secondary, state, may_pair=True):
                went[_nights_after(box, night)] += 1
        except NotMounted:
            went["the file system is lost"] += 1
        except OSError as error:
            if error.errno not in _BROKEN:
                raise
            went["the file system is damaged"] += 1

    try:
        for night in box.nights:
            early = night.begins + (night.ends - night.begins) // 4
            count = how_many(6, 0.03 / len(SYSTEMS)) // 2
            for at in places(box.recorded_disks, early, night.ends, count, chance):
                lying.unheeded = chance.randint(1, UNHEEDED_LIMIT)
                cut, whole = (at, Choice(chance.choice(WAYS), chance.randrange(1 << 32))), (at, WHOLE)
                two = (cut, whole) if which == "secondary" else (whole, cut)
                sweep.attempt(*two, lambda n=night, t=two: attempt(n, *t))
    finally:
        lying.unheeded = 0
    print(f"\n{dict(went)}")
    sweep.report()
    right = sum(count for what, count in went.items() if what.startswith("right again"))
    assert right * 2 > went.total(), "the copy is right again for most"


def _nights_after(box: Box, night: Night) -> str:
    """Returns what became of it."""
    pair = night.pair
    had = standing(pair)
    settings, said = pair.settings, set()
    pair.settings = settings.model_copy(update={"keep_retired": timedelta(days=30)})
    try:
        result = _nights(night, said)
        lost = had - standing(pair) - EXPIRING
        assert not lost, f"{len(lost)} contents stood on the secondary and do not any more"
        found = different(night.primary, copy_of(pair))
        if result.state == "sound":
            assert not found, f"called sound, and the copy is not the primary: {found[:5]}"
        if found:
            # Blocks that say how often a file is named, or what is free, are older than those with its names: no night
            # can put that right, and it says so.
            assert _DAMAGED in said, f"{result.notes}: {found[:5]}"
            box.check_file_system()
            result = _nights(night, said)
            found = different(night.primary, copy_of(pair))
            assert not found and result.state == "sound", f"{result.state}: {found[:5]}"
            return "right again once the file system was checked"
    finally:
        pair.settings = settings
    return ", ".join(["right again", *sorted(said)])


def _nights(night: Night, said: set[str]) -> Result:
    """Returns the last."""
    for _ in range(NIGHTS):
        result = night.run()
        if isinstance(result, WrongDrive):
            said.add("taken over by hand")
            take_over(night, result)
            result = night.run()
        if isinstance(result, Failed) and isinstance(result.__cause__, OSError):
            raise result.__cause__  # a file system that lost blocks of its own refuses what preflight tries
        assert isinstance(result, Result), result
        if any("looked at before this night began" in note for note in result.notes):
            said.add("noticed")
        if any("file system is damaged" in note or "noticed" in note for note in result.notes):
            said.add(_DAMAGED)
        night.pair.clock.pass_days(1.1)
    return result
