"""Both drives are read at the same time: each is asked while the other has not answered yet. Nothing here is timed;
how much is won by it is measured in benchmarks/verify_rate.py."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from harness import Pair

from drives import MIB, DriveFactory, missing_throttle, throttled
from faulty_fuse import FaultyDrive
from nightferry.night.context import Stop, Unwatched
from nightferry.recovery.verifying import Wanted, verify_pair
from nightferry.tree.effects import Effects

KYRIE = "2026-05 spring concert/01 kyrie.wav"


class Meeting:
    """Two drives, of which neither answers a read of the recording before the other is asked for it."""

    def __init__(self, primary: FaultyDrive, secondary: FaultyDrive, folder: Path) -> None:
        self.primary, self.secondary = primary, secondary
        self.pair = Pair(primary.root, secondary.root, folder / "state", require_mount=True)
        self.pair.write(KYRIE, os.urandom(100_000))
        self.pair.run_well()
        self.pair.clock.pass_days(1.01)
        self.signs = folder / "primary is asked", folder / "secondary is asked"

    def arrange(self, limit_s: float = 60.0) -> None:
        mine, theirs = self.signs
        self.primary.drop_caches()
        self.primary.meet(KYRIE, "read", mine, theirs, limit_s)
        self.secondary.meet("copy/" + KYRIE, "read", theirs, mine, limit_s)


@pytest.fixture
def meeting(tmp_path: Path) -> Iterator[Meeting]:
    with (
        FaultyDrive(tmp_path / "one", tmp_path / "mnt-one") as one,
        FaultyDrive(tmp_path / "two", tmp_path / "mnt-two") as two,
    ):
        yield Meeting(one, two, tmp_path)


def test_a_night_reads_both_drives_at_once(meeting: Meeting) -> None:
    meeting.arrange()
    result = meeting.pair.run_well()
    assert (result.tally.verified_primary_bytes, result.tally.verified_secondary_bytes) == (100_000, 100_000)
    assert result.tally.damage == 0
    assert all(sign.exists() for sign in meeting.signs)


def test_verifying_by_hand_reads_both_drives_at_once(meeting: Meeting) -> None:
    meeting.arrange()
    pair = meeting.pair
    result = verify_pair(
        pair.settings, pair.state_dir, Wanted(), Unwatched(), Effects(), pair.clock, Stop(pair.clock)
    )  # fmt: skip
    assert (result.exit_code, result.intact) == (0, 2)


def test_the_check_can_fail_one_drive_alone_waits_in_vain(meeting: Meeting) -> None:
    """As a night would find it that read one drive after the other."""
    meeting.arrange(limit_s=0.2)
    pair = meeting.pair
    result = verify_pair(
        pair.settings, pair.state_dir, Wanted(sides=("primary",)), Unwatched(), Effects(), pair.clock,
        Stop(pair.clock),
    )  # fmt: skip
    assert [(each.side, each.verdict) for each in result.open] == [("primary", "unreadable")]


@pytest.mark.skipif(bool(missing_throttle()), reason=missing_throttle())
def test_drives_of_different_rates_are_read_at_once_and_whole(drives: DriveFactory, tmp_path: Path) -> None:
    """On drives slowed down to 40 and 30 MiB/s. That the whole takes as long as the slower drive is seen in what each
    has read by the time the other is done: were they read in turn, one of them would not have begun."""
    made = drives("ext4", 48 * MIB), drives("ext4", 64 * MIB)
    pair = Pair(*made, tmp_path / "state")
    for number in range(6):
        pair.write(f"2026-05 spring concert/{number} part.wav", os.urandom(4 * MIB))
    pair.run_well()
    pair.clock.pass_days(1.01)
    order: list[int] = []
    effects = Effects()

    def preadv(fd: int, *args: object) -> int:
        order.append(os.fstat(fd).st_dev)
        return os.preadv(fd, *args)

    effects.preadv = preadv
    with throttled({made[0]: 40 * MIB, made[1]: 30 * MIB}):
        result = verify_pair(
            pair.settings, pair.state_dir, Wanted(), Unwatched(), effects, pair.clock, Stop(pair.clock)
        )  # fmt: skip
    assert result.verified.size_bytes == {"primary": 24 * MIB, "secondary": 24 * MIB}
    assert (result.exit_code, result.intact) == (0, 12)
    devices = {os.stat(each.root).st_dev for each in made}
    order = [each for each in order if each in devices]  # the state is read too: the pages of its manifest
    assert set(order) == devices
    for device in devices:
        other = next(iter(devices - {device}))
        assert other in order[: len(order) - 1 - order[::-1].index(device)], "one began when the other had ended"
