"""A new, empty primary: filled from the copy, and a pair with it again for which the next night has nothing to do."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from crash_world import Thing, copy_of, different, look, primary_of, retired_of, with_abilities
from harness import CARD, OWN_NAMES, Pair
from restore_world import STAGING, unlike
from small_world import SmallWorld
from world import KYRIE, World, sha256

from attempts import Sweep
from drives import MIB, Drive, DriveFactory, run
from effects_faults import Call, CountingEffects, KillingEffects, faults, in_child
from nightferry.errors import Failed, NightferryError, WrongDrive
from nightferry.night.context import Stop, Unwatched
from nightferry.recovery import writing
from nightferry.recovery.restoring import target_opening
from nightferry.recovery.restoring.new_primary import NewPrimary, fill_new_primary
from nightferry.recovery.restoring.result import RestoreResult
from nightferry.tree.effects import Effects
from sweeps import ALL, some
from trees import tree_with_everything


def filled(
    pair: Pair,
    *,
    bad: bool = False,
    agree: bool = True,
    effects: Effects | None = None,
    seen: list[NewPrimary] | None = None,
) -> RestoreResult | None:
    def confirm(proposal: NewPrimary) -> bool:
        if seen is not None:
            seen.append(proposal)
        return agree

    return fill_new_primary(
        pair.settings, pair.state_dir, confirm, Unwatched(), effects or Effects(), pair.clock, Stop(pair.clock), bad=bad
    )


def swap(world: World, new: Drive) -> None:
    """The primary is gone, and a new drive is mounted where it was."""
    world.drives[0].unmount()
    place = world.pair.primary
    new.unmount()
    new.root = place
    new.mount()


def test_a_new_primary_is_a_pair_again_and_the_night_has_nothing_to_do(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    pair = world.pair
    specials = tree_with_everything(pair.primary)
    for path in specials:
        os.unlink(os.fsencode(pair.primary) + b"/" + path)
    pair.run_well()
    run("cp", "-a", pair.primary, tmp_path / "as it was")
    root_before = os.stat(pair.primary)
    swap(world, drives("ext4", 96 * MIB))
    with pytest.raises(WrongDrive):
        pair.run()
    seen: list[NewPrimary] = []
    result = filled(pair, seen=seen)
    assert (seen[0].action, seen[0].state, seen[0].primary.names) == ("fill", "none", 0)
    assert result is not None
    assert (result.exit_code, result.is_primary) == (0, True)
    assert unlike(tmp_path / "as it was", pair.primary) == []
    assert os.stat(pair.primary).st_mtime_ns == root_before.st_mtime_ns
    before = run("find", pair.copy, "-printf", r"%p %i %T@ %C@\0")
    pair.run_quiet()  # nothing read, nothing written
    assert run("find", pair.copy, "-printf", r"%p %i %T@ %C@\0") == before
    pair.write(KYRIE, b"sung again")
    night = pair.run_well()
    assert (night.tally.changed, night.tally.added, night.tally.read_bytes) == (1, 0, 10)


def test_box_and_primary_gone_one_command_brings_both_back(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    pair = world.pair
    pair.write(KYRIE, b"kyrie " * 10_000)
    pair.write("old.wav", b"old")
    pair.run_well()
    (pair.primary / "old.wav").unlink()
    pair.run_well()
    run("cp", "-a", pair.primary, tmp_path / "as it was")
    swap(world, drives("xfs", 320 * MIB))
    run("rm", "-r", pair.state_dir)
    seen: list[NewPrimary] = []
    result = filled(pair, seen=seen)
    assert (seen[0].action, seen[0].state) == ("fill", "adopt")
    assert result is not None and result.is_primary
    assert unlike(tmp_path / "as it was", pair.primary) == []
    pair.run_quiet()
    assert set(pair.held()) == {b"old.wav"}, "the history came along"


def test_without_a_word_nothing_is_written(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    world.pair.write(KYRIE, b"kyrie")
    world.pair.run_well()
    swap(world, drives("ext4", 32 * MIB))
    before = run("find", world.pair.primary, world.pair.secondary, "-printf", r"%p %i %T@ %C@\0")
    assert filled(world.pair, agree=False) is None
    assert run("find", world.pair.primary, world.pair.secondary, "-printf", r"%p %i %T@ %C@\0") == before


def test_only_an_empty_drive_is_filled(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    pair = world.pair
    pair.write(KYRIE, b"kyrie")
    pair.run_well()
    result = filled(pair)
    assert result is not None
    assert (result.is_primary, result.written.files) == (True, 0), "it is the pair's primary already"
    new = drives("ext4", 32 * MIB)
    (new.root / "somebody's.wav").write_text("x")
    swap(world, new)
    with pytest.raises(WrongDrive, match="not empty"):
        filled(pair)
    assert not (pair.primary / CARD).exists()
    assert not (pair.primary / STAGING).exists()
    new.unmount()
    with pytest.raises(WrongDrive, match="mounted"):
        filled(pair)


def test_N_a_drive_that_somebody_fills_while_the_question_stands_is_left_alone(
    drives: DriveFactory, tmp_path: Path
) -> None:
    world = World.on_drives(drives, tmp_path)
    world.pair.write(KYRIE, b"kyrie " * 1000)
    world.pair.run_well()
    swap(world, drives("ext4", 32 * MIB))

    def confirm(proposal: NewPrimary) -> bool:
        world.pair.write("somebody's own.txt", "not there when the question was put\n")
        return True

    pair = world.pair
    with pytest.raises(WrongDrive, match="is not empty"):
        fill_new_primary(
            pair.settings, pair.state_dir, confirm, Unwatched(), Effects(), pair.clock, Stop(pair.clock), bad=False
        )
    assert sorted(os.listdir(pair.primary)) == ["lost+found", "somebody's own.txt"]


def test_a_drive_too_small_is_said_and_a_larger_one_taken_after_it(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    pair = world.pair
    pair.write(KYRIE, os.urandom(20 * MIB))
    pair.run_well()
    small = drives("ext4", 12 * MIB)
    swap(world, small)
    with pytest.raises(Failed, match="it takes a larger drive"):
        filled(pair)
    assert not (pair.primary / KYRIE).exists()
    small.unmount()
    large = drives("ext4", 64 * MIB)
    large.unmount()
    large.root = pair.primary
    large.mount()
    result = filled(pair)
    assert result is not None
    assert (result.is_primary, result.exit_code) == (True, 0)
    pair.run_quiet()


def test_the_old_primary_is_a_foreign_drive_afterwards(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    pair = world.pair
    pair.write(KYRIE, b"kyrie")
    pair.run_well()
    new = drives("ext4", 32 * MIB)
    swap(world, new)
    filled(pair)
    pair.write("sung since.wav", b"new")
    pair.run_well()
    new.unmount()
    world.drives[0].mount()
    with pytest.raises(WrongDrive, match="names another primary"):
        pair.run()
    with pytest.raises(WrongDrive, match="was the primary of the pair"):
        filled(pair)
    assert not (pair.primary / "sung since.wav").exists()


def test_what_could_not_be_restored_keeps_it_from_becoming_the_primary(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    pair = world.pair
    pair.write(KYRIE, b"kyrie " * 10_000)
    pair.write("programme.txt", b"x")
    pair.run_well()
    swap(world, drives("ext4", 32 * MIB))
    world.rot(1, pair.copy / KYRIE, 30_000)
    result = filled(pair)
    assert result is not None
    assert (result.is_primary, result.exit_code, result.bad.count) == (False, 1, 1)
    with pytest.raises(WrongDrive):
        pair.run()
    result = filled(pair, bad=True)
    assert result is not None
    assert (result.is_primary, result.exit_code, result.damaged.count) == (True, 1, 1)
    night = pair.run_well()
    assert (night.tally.added, night.tally.removed) == (1, 1)
    assert (pair.copy / f"{KYRIE}.damaged").exists()


def test_rule_I_no_record_replaces_the_card_of_the_new_primary(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    pair = world.pair
    pair.write(KYRIE, b"kyrie")
    pair.write("programme.txt", b"[a card]")
    pair.run_well()
    with pair.manifest(writable=True) as manifest, manifest.database.transaction() as connection:
        connection.execute("UPDATE entry SET name = ? WHERE name = ?", (CARD.encode(), b"programme.txt"))
    (pair.copy / "programme.txt").rename(pair.copy / CARD)
    swap(world, drives("ext4", 32 * MIB))
    result = filled(pair)
    assert result is not None
    assert (result.is_primary, [each.path for each in result.refused.kept]) == (False, [CARD.encode()])
    assert b"[a card]" not in (pair.primary / CARD).read_bytes()


def test_a_night_that_was_cut_off_is_finished_first(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    pair = world.pair
    pair.write(KYRIE, b"kyrie " * 1000)
    pair.write("programme.txt", "first")
    pair.run_well()
    pair.write("programme.txt", "second edition")
    pair.write("new.wav", b"new " * 1000)
    counting = CountingEffects()
    assert in_child(lambda: _count_into(pair, counting, tmp_path / "count"))
    number = int((tmp_path / "count").read_text())
    assert number > 10
    pair.write("programme.txt", "third edition, longer")
    assert not in_child(lambda: pair.run(effects=KillingEffects(number // 2)))
    swap(world, drives("ext4", 32 * MIB))
    result = filled(pair)
    assert result is not None
    assert (result.exit_code, result.is_primary) == (0, True)
    pair.run_quiet()
    assert (pair.primary / "programme.txt").read_text() in ("second edition", "third edition, longer")
    assert sha256(pair.primary / KYRIE) == sha256(pair.copy / KYRIE)


def _count_into(pair: Pair, counting: CountingEffects, file: Path) -> None:
    pair.run(effects=counting)
    file.write_text(str(counting.count))


def test_a_second_pair_of_the_same_primary_joins_it(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    pair = world.pair
    pair.write(KYRIE, b"kyrie " * 1000)
    other = Pair(world.drives[0], drives("ext4", 64 * MIB), tmp_path / "state", name="away")
    pair.run_well()
    other.run_well()
    swap(world, drives("ext4", 32 * MIB))
    filled(pair)
    with pytest.raises(WrongDrive, match="`nightferry restore away --new-primary`") as refused:
        other.pair()
    assert "`nightferry pair away`" not in str(refused.value)  # which would say the same once more
    seen: list[NewPrimary] = []
    result = filled(other, seen=seen)
    assert seen[0].action == "join"
    assert result is not None and result.is_primary
    night = other.run_well()
    assert (night.tally.added, night.tally.changed, night.tally.removed) == (0, 0, 0)
    other.run_quiet()
    pair.run_quiet()


# --- cut off at every effect


class Filling:
    """A small pair in memory whose primary is gone; each time another empty drive is in its place."""

    def __init__(self, base: Path, case: str) -> None:
        self.world = SmallWorld(base)
        self.box_is_gone = case == "box-is-gone"
        self.every = CASES[case]  # of the effects in a plain run
        pair = self.pair = self.world.pair
        pair.write(KYRIE, b"kyrie " * 1000)
        os.link(pair.primary / KYRIE, pair.primary / "kyrie again.wav")
        os.setxattr(pair.primary / KYRIE, "user.choir", b"alto")
        pair.write("programme.txt", "Kyrie\n")
        (pair.primary / "opening").symlink_to(KYRIE)
        self.world.night()
        pair.write("programme.txt", "Kyrie, Gloria\n")
        self.world.night()
        self.wanted = primary_of(pair)
        pair.primary.rename(base / "gone")
        pair.primary.mkdir()
        self.world.save()
        self.before = self.world.moment()
        self.put_back()
        counting = CountingEffects()
        result = filled(pair, effects=counting)
        assert result is not None and result.is_primary and result.exit_code == 0
        self.calls: list[Call] = counting.calls
        self.called = self.world.moment()
        assert different(self.wanted, self.called.primary) == []
        pair.run_quiet()

    def put_back(self) -> None:
        self.world.put_back()
        if self.box_is_gone:
            shutil.rmtree(self.pair.state_dir)

    def check_cut_off(self) -> None:
        """Nothing on the secondary has gone, and what the new drive has is whole."""
        copy, retired = copy_of(self.pair), retired_of(self.pair)
        assert (copy, retired) == (self.before.copy, self.before.retired)
        for path, thing in look(self.pair.primary, leave_out=(*OWN_NAMES, STAGING)).items():
            assert path == CARD.encode() + b".new" or (thing.kind, thing.content) == self.wanted[path][:2], path

    def check_no_night_takes_it_for_emptied(self) -> None:
        """Rule F: until everything is there, the two are no pair, and what is not there yet was not removed."""
        if not (self.pair.state_dir / "recordings").exists():
            return
        try:
            result = self.pair.run()
        except NightferryError:
            return
        done = (result.outcome, result.tally.added, result.tally.changed, result.tally.removed)
        assert done == ("complete", 0, 0, 0), done

    def check_goes_on(self) -> None:
        result = filled(self.pair)
        assert result is not None
        assert (result.is_primary, result.exit_code) == (True, 0), result
        found = self.world.moment()
        assert (unlike := self.called.unlike(found)) == [], unlike
        self.pair.run_quiet()


@pytest.fixture
def filling(base: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> Filling:
    # What a file system can hold is tried out in the sweeps of nights and of restores; here it is known.
    known = with_abilities(base, monkeypatch, {})
    for module in (target_opening, writing):
        monkeypatch.setattr(module, "probe", lambda *_, **__: known)
    return Filling(base, request.param)


# Where the state has to be taken over first, all calls of the other case are made, too.
CASES = {"box-is-gone": 1, "state-is-here": 5}
BOTH = pytest.mark.parametrize("filling", CASES, indirect=True)


def _contents(things: dict[bytes, Thing]) -> dict[bytes, tuple[str, bytes]]:
    return {path: (thing.kind, thing.content) for path, thing in things.items()}


@BOTH
def test_rule_B_E_F_killed_at_every_effect_the_same_command_goes_on(filling: Filling) -> None:
    attempts = Sweep("new primaries killed at an effect")

    def attempt(k: int) -> None:
        filling.put_back()
        assert not in_child(lambda: filled(filling.pair, effects=KillingEffects(k)))
        filling.check_cut_off()
        if k % 2:
            filling.check_no_night_takes_it_for_emptied()
        filling.check_goes_on()

    for k, call in some(list(enumerate(filling.calls, start=1)), filling.every):
        attempts.attempt(f"{k} of {len(filling.calls)}, {call.name} {call.args}", lambda k=k: attempt(k))
    attempts.report()


@BOTH
def test_rule_B_E_every_effect_fails_and_the_same_command_goes_on(filling: Filling) -> None:
    attempts = Sweep("new primaries with an effect that failed")

    def attempt(effects: Effects) -> None:
        filling.put_back()
        try:
            result = filled(filling.pair, effects=effects)
        except NightferryError as error:
            assert str(error).endswith("."), error
        else:
            assert result is not None
            if result.is_primary and result.written.lost:  # told, and no more can be done about it
                assert _contents(primary_of(filling.pair)) == _contents(filling.wanted)
                filling.pair.run_quiet()
                return
            if result.is_primary and not result.exit_code:
                assert different(filling.wanted, primary_of(filling.pair)) == []
        filling.check_cut_off()
        filling.check_goes_on()

    for fault in some(faults(filling.calls), filling.every):
        attempts.attempt(fault.label, lambda fault=fault: attempt(fault.effects()))
    attempts.report()


def test_rule_E_killed_at_some_effects_with_a_tree_with_everything(tmp_path: Path) -> None:
    """More of them with NIGHTFERRY_SWEEPS=1. Each time with another new primary, on a drive's own file system."""
    pair = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")
    for path in tree_with_everything(pair.primary):
        os.unlink(os.fsencode(pair.primary) + b"/" + path)
    pair.run_well()
    pair.primary.rename(tmp_path / "old primary")
    pair.primary.mkdir()
    counting = CountingEffects()
    filled(pair, effects=counting)
    attempts = Sweep("new primaries of a tree with everything, killed at an effect")

    def attempt(k: int) -> None:
        run("rm", "-r", pair.primary)  # another new drive
        pair.primary.mkdir()
        in_child(lambda: filled(pair, effects=KillingEffects(k)))
        result = filled(pair)
        assert result is not None
        assert (result.is_primary, result.exit_code) == (True, 0)
        assert unlike(tmp_path / "old primary", pair.primary) == []
        pair.run_quiet()

    for k in range(1, counting.count + 1, 19 if ALL else 331):
        attempts.attempt(f"{k} of {counting.count}", lambda k=k: attempt(k))
    attempts.report()
