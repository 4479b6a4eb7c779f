"""Every effect of a night fails once, in every way that a kernel fails it. Rules B, D and E.

A small pair whose next night adds, changes, moves, retires, lets a version expire, verifies, mends a bad copy,
rehearses and seals. Each of its effects, those of the manifest included, is failed in turn: what rules B and D promise
holds at that moment, and clean nights then reach the state that the undisturbed one reached. The night is killed at
each of them, too. Every run tries all of the effects, where which error goes with which effect takes turns;
HYPOTHESIS_PROFILE=long takes every error with every effect.
"""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import crash_world
import pytest
from crash_world import World, copy_of, different, fast_folder, write

from attempts import Sweep
from effects_faults import Call, CountingEffects, FailingCalls, Fault, KillingEffects, faults, in_child
from nightferry.night.context import Unwatched
from nightferry.night.run import Result, run_night
from nightferry.planning.drive_health import DRIVE_ERRORS
from nightferry.recovery.rehearsing import in_night
from nightferry.reporting.screens.rehearsal_text import render
from nightferry.tree.effects import Effects

# Each test in so many, for the processes that share them.
PARTS = 4

# The share that a rehearsal is to show; so large a one takes few files.
REHEARSED = 0.9
SCRATCH = (Path("/dev/shm"), Path("/run"))


def small_tree(root: Path) -> None:
    write(root / "concert/01 kyrie.wav", b"kyrie" * 2000)
    write(root / "concert/02 gloria.wav", "gloria")
    write(root / "concert/03 credo.wav", "credo")
    write(root / "old/tape.wav", "tape")
    write(root / "old draft.txt", "old draft, first")
    write(root / "young draft.txt", "young draft, first")
    write(root / "decays.wav", "this one decays on the secondary")
    write(root / "linked.wav", "linked")
    os.link(root / "linked.wav", root / "linked too.wav")
    os.setxattr(root / "linked.wav", "user.choir", b"alto")


def small_changes(root: Path) -> None:
    write(root / "new.wav", "new")
    write(root / "concert/01 kyrie.wav", b"KYRIE" * 2001)
    os.rename(root / "concert/02 gloria.wav", root / "concert/02 gloria (final).wav")
    os.rename(root / "old", root / "very old")
    (root / "concert/03 credo.wav").unlink()
    (root / "best").symlink_to("new.wav")
    (root / "linked too.wav").unlink()
    os.utime(root / "linked.wav", ns=(0, 1_600_000_000_123_456_789))
    write(root / "rehearsal/01 warm-up.wav", "a folder and its files that were not there before")
    write(root / "rehearsal/02 agnus.wav", "agnus")


class SmallWorld(World):
    """``World`` with a tree of a dozen files, and a copy that decayed before the night that is tried."""

    decayed = frozenset({b"decays.wav"})

    def __init__(self, base: Path, monkeypatch: pytest.MonkeyPatch, **missing: bool) -> None:
        with monkeypatch.context() as patch:
            patch.setattr(crash_world, "first_tree", small_tree)
            patch.setattr(crash_world, "changes", small_changes)
            patch.setattr(crash_world, "write", self._write)
            super().__init__(base, monkeypatch, **missing)
        decayed = self.pair.copy / "decays.wav"
        there = decayed.stat()
        with decayed.open("r+b") as file:
            file.write(b"T")
        os.utime(decayed, ns=(there.st_atime_ns, there.st_mtime_ns))
        with self.pair.manifest(writable=True) as manifest:  # so that its turn to be read has come
            change = "UPDATE entry SET read_secondary_s = 1 WHERE name = ?"
            manifest.database.connection.execute(change, (b"decays.wav",))
        # From here on nights rehearse, the first one at once, and each time the same files.
        self.pair.set(rehearse_share=REHEARSED)
        self.pair.run = self._rehearsing  # type: ignore[method-assign]
        monkeypatch.setattr(in_night, "new_rehearsal", partial(in_night.new_rehearsal, seed=11))
        self.save()

    def _rehearsing(self, *, effects: Effects | None = None) -> Result:
        """As a real night, which leaves the report of a rehearsal."""
        pair = self.pair
        self.last = run_night(
            pair.settings, pair.state_dir, Unwatched(), effects=effects, clock=pair.clock, render=render
        )
        return self.last

    def check_recovered(self, **given: bool) -> None:
        super().check_recovered(**given)
        with self.pair.manifest() as manifest:
            own = hashlib.sha256((manifest.pair_id or "").encode()).hexdigest()[:16]
        assert [path for place in SCRATCH for path in place.glob(f"nightferry-rehearsal-{own}-*")] == []

    def _write(self, path: Path, content: bytes | str) -> None:
        if not path.is_relative_to(self.base / "secondary"):  # nothing foreign on this secondary
            write(path, content)

    def recover(self, *, may_hold_folders: bool = False) -> None:
        """Clean nights: the first does most, the second may let expire what open damage kept in the first."""
        for _ in range(3):
            result = self.run()
            assert isinstance(result, Result), f"the next night did not begin: {result}"
            assert result.outcome == "complete", f"{result.outcome}: {result.failure} {result.notes}"
            if result.state == "sound" and not result.tally.damage:
                break
        self.check_recovered(may_hold_folders=may_hold_folders)


@pytest.fixture
def base(tmp_path: Path) -> Iterator[Path]:
    folder, remove = fast_folder(tmp_path)
    try:
        yield folder
    finally:
        remove()


@pytest.fixture
def world(base: Path, monkeypatch: pytest.MonkeyPatch) -> SmallWorld:
    return SmallWorld(base, monkeypatch)


def _calls(world: SmallWorld) -> list[Call]:
    effects = CountingEffects()
    world.put_back()
    world.run()
    night = world.last
    world.reference(effects)
    assert (night.tally.mended, night.tally.expired, night.tally.moved > 0) == (1, 1, True)
    assert night.rehearsal is not None and night.rehearsal.outcome == "passed", night.rehearsal
    seen = {call.name for call in effects.calls}
    assert seen >= {"open", "mkdir", "rename", "link", "unlink", "pwrite", "syncfs", "commit", "symlink", "utime"}, seen
    return effects.calls


@pytest.mark.parametrize("part", range(PARTS))
def test_rule_B_D_E_every_effect_fails_once(world: SmallWorld, part: int) -> None:
    calls = _calls(world)
    sweep = Sweep("effects of a night failed")

    def attempt(fault: Fault) -> None:
        world.put_back()
        result = world.run(fault.effects())
        if isinstance(result, Result) and result.outcome == "complete":
            assert different(world.primary, copy_of(world.pair)) == []
        if fault.number is None:
            assert isinstance(result, Result) and result.outcome == "complete", result
        world.check_interrupted()
        # A folder below retired/ that cannot be removed stays, empty, unless it was the drive that failed.
        world.recover(may_hold_folders=calls[fault.k - 1].name == "rmdir" and fault.number not in DRIVE_ERRORS)

    for fault in faults(calls, first=1 + part, step=PARTS):
        sweep.attempt(fault.label, lambda fault=fault: attempt(fault))
    sweep.report()


@pytest.mark.parametrize("number", [errno.EACCES, errno.EMFILE, errno.ENOSPC], ids=errno.errorcode.get)
def test_rule_D_a_version_whose_folder_cannot_go_has_expired_all_the_same(world: SmallWorld, number: int) -> None:
    def below_retired(call: Call, _: int) -> bool:
        if call.name != "rmdir" or "dir_fd" not in call.kwargs:
            return False
        return "retired" in Path(os.readlink(f"/proc/self/fd/{call.kwargs['dir_fd']}")).parts

    _calls(world)
    world.put_back()
    failing = FailingCalls(below_retired, number)
    result = world.run(failing)
    assert failing.failed
    assert isinstance(result, Result)
    assert (result.outcome, result.tally.expired) == ("complete", 1)
    world.recover(may_hold_folders=True)


@pytest.mark.parametrize("part", range(PARTS))
def test_rule_E_killed_at_every_effect(world: SmallWorld, part: int) -> None:
    calls = _calls(world)
    sweep = Sweep("nights killed at an effect")

    def attempt(k: int) -> None:
        world.put_back()
        assert not in_child(lambda: world.run(KillingEffects(k)))
        world.check_interrupted()
        world.recover()

    for k in range(1 + part, len(calls) + 1, PARTS):
        sweep.attempt(f"{k} of {len(calls)}, {calls[k - 1].name}", lambda k=k: attempt(k))
    sweep.report()
