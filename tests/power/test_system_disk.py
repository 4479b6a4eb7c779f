"""What happens to the disk with the state directory: cut off at another instant than the secondary, lost, put back
from an old image, full, read-only, or gone in the middle of a night (rules B, E and F).

Where both disks keep what they said they had, a power cut stops both at one instant (test_power_cuts.py). Here they do
not: a flash card that forgets, an image put back, a drive whose cache lied. The state and the secondary are then of
two different times, and nothing that stands on the secondary may be lost by that.
"""

from __future__ import annotations

import fcntl
import os
import random
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from apart import converges, generations, take_over
from crash_images import places, sparse_copy
from crash_world import look
from file_systems import FILE_SYSTEMS
from power_sweep import SEED, Cut, Sweep, choices, how_many
from power_world import WHOLE, Box, Night, standing
from quick_drive import QuickDrive

from counts import count_case
from drives import CommandError, run
from effects_faults import Call, CountingEffects
from nightferry.errors import NightferryError, WrongDrive
from nightferry.night.run import Result
from sweeps import ALL

_SHUTDOWN = 0x8004587D  # linux: include/uapi/linux/fs.h (since 6.18 FS_IOC_SHUTDOWN; before EXT4_IOC_SHUTDOWN)
_NO_LOG_FLUSH = 2


# Of the secondary.
SYSTEMS = ["ext4", "xfs", "btrfs"] if ALL else ["ext4"]


@pytest.fixture(scope="module", params=SYSTEMS)
def box(shared_place: Path, request: pytest.FixtureRequest) -> Iterator[Box]:
    """Recorded once: each attempt has images of its own."""
    with Box(shared_place / request.param, FILE_SYSTEMS[request.param], FILE_SYSTEMS["ext4"]) as made:
        yield made


def _check_apart(box: Box, night: Night, secondary: Cut, state: Cut) -> str:
    """Returns what the night made of it."""
    with box.mounted(night, secondary, state, may_pair=True):
        pair = night.pair
        had, before = standing(pair), look(pair.secondary)
        of_state, known, on_drive = generations(pair)
        result = night.run()
        if of_state >= on_drive >= known:
            assert isinstance(result, Result), f"state {of_state}, known {known}, secondary {on_drive}: {result}"
            converges(night, had)
            lost = "state" if state[0] < secondary[0] else "secondary"
            return f"went on with a {lost} that had lost something"
        older, against = (of_state, on_drive) if of_state < on_drive else (on_drive, known)
        assert isinstance(result, WrongDrive), f"state {of_state}, known {known}, secondary {on_drive}: {result}"
        assert result.exit_code == 3
        assert f"generation {older} against {against}" in str(result)
        assert look(pair.secondary) == before, "refused, and yet something was written"
        take_over(night, result)
        converges(night, had)
        return "refused an older state" if of_state < on_drive else "refused an older secondary"


def test_rule_B_E_F_state_and_secondary_cut_at_different_instants(box: Box) -> None:
    chance = random.Random(SEED)
    sweep = Sweep("images of two instants, secondary and system disk", box)
    went: dict[str, int] = {}
    count = how_many(40, 0.15 / len(SYSTEMS))
    begins, ends = box.nights[0].begins, box.nights[-1].ends
    at_secondary = places(box.recorded_disks, begins, ends, count, chance)
    at_state = places(box.recorded_disks, begins, ends, count, chance)
    chance.shuffle(at_state)

    def attempt(night: Night, one: Cut, other: Cut) -> None:
        what = _check_apart(box, night, one, other)
        went[what] = went.get(what, 0) + 1

    for one_at, other_at in zip(at_secondary, at_state, strict=True):
        night = box.nights[max(one_at, other_at) >= box.nights[1].begins]
        one, other = choices(box, chance)
        sweep.attempt(
            (one_at, one), (other_at, other), lambda n=night, a=(one_at, one), b=(other_at, other): attempt(n, a, b)
        )
    print(f"\n{went}")
    sweep.report()
    assert went.keys() == {
        "refused an older state", "refused an older secondary",
        "went on with a state that had lost something", "went on with a secondary that had lost something",
    }  # fmt: skip


def test_rule_E_a_state_that_lost_commits_of_this_very_night(box: Box) -> None:
    """A system disk that says a commit is durable when it is not: the state is older than the secondary, and no seal
    lies between, so that neither generation shows it."""
    night = box.nights[0]
    span = night.ends - night.begins
    cuts = ((night.begins + span * 9 // 10, WHOLE), (night.begins + span // 20, WHOLE))
    count_case("system disk that lost commits of this very night")
    with box.mounted(night, *cuts, may_pair=True):
        converges(night, standing(night.pair))


def test_rule_B_E_the_state_is_lost_after_a_power_cut(box: Box) -> None:
    """Nothing is left of the system disk: refused, and taken over from what the secondary has."""
    chance = random.Random(SEED)
    sweep = Sweep("images of the secondary with the state lost", box)

    def attempt(night: Night, cut: Cut) -> None:
        with box.mounted(night, cut, (night.ends, WHOLE), may_pair=True):
            run("rm", "-r", night.pair.state_dir / night.pair.settings.name)
            had, before = standing(night.pair), look(night.pair.secondary)
            refused = night.run()
            assert isinstance(refused, WrongDrive)
            assert refused.exit_code == 3
            assert look(night.pair.secondary) == before
            take_over(night, refused)
            converges(night, had)

    for night in box.nights:
        for at in places(box.recorded_disks, night.begins, night.ends, how_many(20, 0.05 / len(SYSTEMS)) // 2, chance):
            cut = (at, choices(box, chance)[0])
            sweep.attempt(cut, (night.ends, WHOLE), lambda n=night, c=cut: attempt(n, c))
    sweep.report()


def test_rule_F_a_state_from_an_old_image_is_refused(box: Box) -> None:
    first, second = box.nights
    for at in (first.begins, first.ends, second.begins):
        count_case("system disk put back from an old image")
        assert _check_apart(box, second, (second.ends, WHOLE), (at, WHOLE)) == "refused an older state"


def test_rule_F_a_secondary_from_an_old_image_is_refused(box: Box) -> None:
    first, second = box.nights
    for at in (first.begins, first.ends, second.begins):
        count_case("secondary put back from an old image")
        assert _check_apart(box, second, (at, WHOLE), (second.ends, WHOLE)) == "refused an older secondary"


# --- a system disk that takes nothing more


def _clear_end(result: Result | NightferryError) -> None:
    if isinstance(result, Result):
        assert result.exit_code in (1, 4), result.outcome
        said = " ".join([result.failure or "", *result.notes])
    else:
        assert result.exit_code in (3, 4)
        said = str(result)
    assert "disk" in said or "room" in said or "state folder" in said, f"it does not say what is wrong: {said}"


def test_rule_B_E_a_full_system_disk(box: Box) -> None:
    """So many bytes are left on it when the night begins; then somebody makes room, and the night is run again."""
    night = box.nights[0]
    stopped = 0
    for free_bytes in (0, 16_384, 65_536, 131_072, 262_144):
        with box.mounted(night, (night.begins, WHOLE), (night.begins, WHOLE)):
            filler = night.pair.state_dir / "filler"
            _fill(filler, free_bytes)
            result = night.run()
            count_case("full system disk")
            if not (isinstance(result, Result) and result.outcome == "complete"):
                stopped += 1
                _clear_end(result)
            night.check_interrupted()
            filler.unlink()
            assert night.run().outcome == "complete"
            night.check_recovered()
    assert stopped >= 3


def _fill(filler: Path, free_bytes: int) -> None:
    block = b"\xaa" * 4096
    with filler.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(block * 64)
        except OSError:
            pass
        try:
            while True:
                file.write(block)
        except OSError:
            pass
        size_bytes = file.tell()
        os.fsync(file.fileno())
        file.truncate(size_bytes - free_bytes)
        os.fsync(file.fileno())


def test_rule_B_E_a_read_only_system_disk(box: Box) -> None:
    for night in box.nights:
        with box.mounted(night, (night.begins, WHOLE), (night.begins, WHOLE)):
            run("mount", "-o", "remount,ro", night.pair.state_dir)
            before = look(night.pair.secondary)
            result = night.run()
            count_case("read-only system disk")
            _clear_end(result)
            assert look(night.pair.secondary) == before
            run("mount", "-o", "remount,rw", night.pair.state_dir)
            assert night.run().outcome == "complete"
            night.check_recovered()


class DyingDisk(CountingEffects):
    """At the n-th commit the file system of the state goes away, as a card does that has come loose: all fails then."""

    def __init__(self, root: Path, n: int) -> None:
        super().__init__()
        self._root, self._n, self.commits = root, n, 0

    def _perform(self, call, what: Call) -> object:
        if what.name == "commit":
            self.commits += 1
            if self.commits == self._n:
                fd = os.open(self._root, os.O_RDONLY)
                try:
                    fcntl.ioctl(fd, _SHUTDOWN, struct.pack("I", _NO_LOG_FLUSH))
                finally:
                    os.close(fd)
        return super()._perform(call, what)


def test_rule_B_E_the_system_disk_goes_away_in_the_middle(box: Box) -> None:
    night = box.nights[0]
    counting = DyingDisk(night.pair.state_dir, 0)
    with box.mounted(night, (night.begins, WHOLE), (night.begins, WHOLE)):
        night.run(counting)
    assert counting.commits > 10
    for n in range(1, counting.commits + 1, max(1, counting.commits // how_many(6, 0.01))):
        with box.mounted(night, (night.begins, WHOLE), (night.begins, WHOLE)):
            result = night.run(DyingDisk(night.pair.state_dir, n))
            count_case("system disk gone in the middle of a night")
            _clear_end(result)
            # What it had is looked at once it is there again.
            with _there_again(box):
                night.check_interrupted()
                assert night.run().outcome == "complete"
                night.check_recovered()


@contextmanager
def _there_again(box: Box) -> Iterator[None]:
    """From a copy: the file system that is gone may stay mounted in another process's mount namespace."""
    run("umount", box.disks[1].root)
    image = box.folder / "there-again.img"
    sparse_copy(box.folder / "cut-1.img", image)
    drive = QuickDrive(box.systems[1].kind, image, box.disks[1].root, box.systems[1].options)
    try:
        drive.mount()
        yield
    except CommandError as error:
        raise AssertionError(f"the state's file system did not come back: {error}") from error
    finally:
        drive.detach()
