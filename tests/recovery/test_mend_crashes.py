"""Rule E for mend: cut off at any call, or refused at any, the primary's file is whole, and calling it again finishes.

On plain folders in memory. A file decays by being written, with its dates put back and the manifest told of the ctime
that this moved: then nothing says that somebody wrote it, as after real decay (which test_mend.py has on real drives).
Each call of each action is killed, and fails, in every run: what stands then, on both drives and in the manifest, has
to be what the undisturbed call leaves, and so after the night that follows.
"""

from __future__ import annotations

import errno
import hashlib
import os
from collections import Counter
from contextlib import suppress
from pathlib import Path

import pytest
from small_world import Moment, SmallWorld
from world import World

from attempts import Sweep
from effects_faults import Call, CountingEffects, FailingEffects, KillingEffects, faults, in_child
from nightferry.errors import NightferryError
from nightferry.recovery.mending.salvage import SUFFIX
from nightferry.recovery.session import Outcome
from nightferry.tree.effects import Effects
from sweeps import ALL

OLDER = b"kyrie, as first sung\n" * 300
GOOD = os.urandom(90_000)
NAMES = ("2026-05 spring concert/01 kyrie.wav", "best of/kyrie.wav")
# Choosing the copy is restoring, said otherwise.
ACTIONS = ("restore", "accept", "an older version", *(["the copy"] if ALL else []))


@pytest.fixture
def world(base: Path) -> SmallWorld:
    return decayed(base)


def decayed(base: Path) -> SmallWorld:
    """A file, with another name that is a hard link and an older version, has decayed on the primary, and is known to.

    Saved, so that it can be put back.
    """
    made = SmallWorld(base)
    pair = made.pair
    first = pair.write(NAMES[0], OLDER)
    os.setxattr(first, "user.choir", b"alto")
    pair.write("2026-05 spring concert/02 gloria.wav", b"gloria")
    pair.at("best of").mkdir()
    os.link(first, pair.at(NAMES[1]))
    made.night()
    pair.write(NAMES[0], GOOD)
    made.night()
    decay(made)
    made.verify()
    assert [(path, side) for path, side, _ in made.open()] == [(name.encode(), "primary") for name in NAMES]
    made.save()
    return made


def decay(world: World) -> None:
    path = world.pair.at(NAMES[0])
    before = os.stat(path)
    with path.open("r+b") as file:
        file.seek(1000)
        file.write(b"rot")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    with world.pair.manifest(writable=True) as manifest:
        connection = manifest.database.connection
        connection.execute("UPDATE entry SET ctime_ns = ? WHERE inode = ?", (os.stat(path).st_ctime_ns, before.st_ino))
        connection.execute("UPDATE entry SET listing = NULL")


def bad() -> bytes:
    return GOOD[:1000] + b"rot" + GOOD[1003:]


class Tried:
    """One action, tried again and again from the same state; made by calling it undisturbed."""

    def __init__(self, world: SmallWorld, action: str) -> None:
        self.world, self.action = world, action
        self.before = world.moment()
        counting = CountingEffects()
        assert all(each.done for each in self.call(counting))
        self.calls: list[Call] = counting.calls
        self.called = world.moment()
        self._check_whole(self.called)
        assert not [each for each in self.called.damage if each[1] == "primary" and each[3]]
        world.night()
        self.after_night = world.moment()
        assert self.after_night.primary == self.called.primary
        assert [each for each in self.after_night.damage if each[3]] == []
        assert world.pair.differences() == []

    def call(self, effects: Effects | None = None, name: str = NAMES[0]) -> list[Outcome]:
        world = self.world
        if self.action == "restore":
            return world.mend("restore", effects=effects)
        if self.action == "accept":
            return world.mend("accept", name, effects=effects)
        source = "secondary"
        if self.action == "an older version":
            source = os.fsdecode(world.survey(name).older[0].path)
        return world.mend("choose", name, source=source, effects=effects)

    def call_again(self) -> None:
        """What a person does who looks at what is still open."""
        for path in [path for path, side, _ in self.world.open() if side == "primary"]:
            if path not in {each for each, side, _ in self.world.open() if side == "primary"}:
                continue  # done along with the other name
            name = os.fsdecode(path)
            right_already = self.world.survey(name).primary.is_right
            told = self.world.mend("restore", name) if right_already else self.call(name=name)
            assert all(each.done for each in told), told

    def check_cut_off(self) -> None:
        """Rules B and D at that moment: all content is where it was, and what is called mended is mended."""
        now = self.world.moment(cut_off=True)
        self._check_whole(now)

    def _check_whole(self, now: Moment) -> None:
        assert now.copy == self.before.copy, "the copy is only read"
        assert self.before.retired - now.retired == Counter(), "nothing is taken from what is kept"
        kept = now.retired - self.before.retired
        assert kept.total() <= 1 and {each[1:] for each in kept} <= {("f", hashlib.sha256(bad()).digest())}, kept
        for name in NAMES:
            content = self.world.pair.at(name).read_bytes()
            mended = {"accept": bad(), "an older version": OLDER}.get(self.action, GOOD)
            assert content in (bad(), mended), f"{name}: half of one and half of the other"
            assert content == bad() or kept, f"{name}: what stood there was displaced, and is kept nowhere"
            is_open = (name.encode(), "primary", "decayed", True) in now.damage
            assert is_open or content == mended, f"{name} is called mended, and is not"

    def check_finished(self) -> None:
        """It was called again: all is as the undisturbed call left it, and so after a night."""
        found = comparable(self.world.moment())
        assert (unlike := comparable(self.called).unlike(found)) == [], unlike
        self.world.night()
        found = comparable(self.world.moment())
        assert (unlike := comparable(self.after_night).unlike(found)) == [], f"after a night: {unlike}"


def comparable(moment: Moment) -> Moment:
    """Without the dates of folders, and whichever of its two names the bad file was kept under."""
    retired, held = Counter(), Counter()
    digest = hashlib.sha256(bad()).digest()
    for (path, kind, content), count in moment.retired.items():
        retired[NAMES[0].encode() if content == digest else path, kind, content] += count
    for (path, *row), count in moment.held.items():
        held[NAMES[0].encode() if row[-1] == "displaced" else path, *row] += count
    return moment.undated()._replace(retired=retired, held=held)


@pytest.fixture
def tried(world: SmallWorld, request: pytest.FixtureRequest) -> Tried:
    return Tried(world, request.param)


@pytest.mark.parametrize("tried", ACTIONS, indirect=True)
def test_rule_B_D_E_killed_at_every_call_and_called_again(tried: Tried) -> None:
    sweep = Sweep("damage mended and killed at a call")

    def attempt(k: int) -> None:
        tried.world.put_back()
        assert not in_child(lambda: tried.call(KillingEffects(k)))
        tried.check_cut_off()
        tried.call_again()
        tried.check_finished()

    for k, call in enumerate(tried.calls, start=1):
        sweep.attempt(f"{k} of {len(tried.calls)}, {call.name} {call.args}", lambda k=k: attempt(k))
    sweep.report()


@pytest.mark.parametrize("tried", ACTIONS, indirect=True)
def test_rule_B_D_E_every_call_fails_and_it_is_called_again(tried: Tried) -> None:
    sweep = Sweep("damage mended and a call failed")

    def attempt(effects: CountingEffects) -> None:
        tried.world.put_back()
        try:
            tried.call(effects)
        except NightferryError as error:
            assert str(error).endswith("."), error
        tried.check_cut_off()
        tried.call_again()
        tried.check_finished()

    for fault in faults(tried.calls):
        sweep.attempt(fault.label, lambda fault=fault: attempt(fault.effects()))
    sweep.report()


@pytest.mark.parametrize("tried", ["restore"], indirect=True)
def test_rule_E_killed_at_every_call_and_then_a_night(tried: Tried) -> None:
    """Nobody calls it again: rot is still not copied, and what was put back is no change."""
    sweep = Sweep("damage mended and killed at a call")
    pair = tried.world.pair

    def attempt(k: int) -> None:
        tried.world.put_back()
        assert not in_child(lambda: tried.call(KillingEffects(k)))
        tried.check_cut_off()
        result = pair.run()
        assert (result.tally.added, result.tally.changed, result.tally.removed) == (0, 0, 0)
        for name in NAMES:
            assert pair.at(name).read_bytes() in (GOOD, bad())
            assert (pair.copy / name).read_bytes() == GOOD
        tried.call_again()
        tried.world.mend("restore")  # also where nothing is damaged any more: it clears away what the first one left
        for name in NAMES:
            assert pair.at(name).read_bytes() == GOOD
        assert sorted(os.listdir(pair.primary)) == sorted(tried.called.tops[0])
        assert tried.world.open() == []
        result = pair.run_well()
        assert (result.tally.added, result.tally.changed, result.tally.written_bytes) == (0, 0, 0)
        # The first night saw the name that was put back as a file of its own, which it was just then.
        assert pair.differences() == []
        pair.run_quiet()

    for k, call in enumerate(tried.calls, start=1):
        sweep.attempt(f"{k} of {len(tried.calls)}, {call.name} {call.args}", lambda k=k: attempt(k))
    sweep.report()


class BadSector(FailingEffects):
    """Each read of a file that touches certain blocks gives EIO."""

    def __init__(self, inode: int, *blocks: int) -> None:
        super().__init__(0, errno.EIO)

        def preadv(fd: int, buffers: list, offset: int) -> int:
            end = offset + sum(map(len, buffers))
            if os.fstat(fd).st_ino == inode and any(offset < (b + 1) * 4096 and b * 4096 < end for b in blocks):
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return os.preadv(fd, buffers, offset)

        self.preadv = preadv


def test_an_unreadable_file_is_put_back(world: SmallWorld) -> None:
    effects = BadSector(os.stat(world.pair.at(NAMES[0])).st_ino, 7)
    assert all(each.done for each in world.mend("restore", effects=effects))
    for name in NAMES:
        assert world.pair.at(name).read_bytes() == GOOD
    assert len({os.stat(world.pair.at(name)).st_ino for name in NAMES}) == 1
    assert world.open() == []
    result = world.pair.run_well()
    assert (result.tally.added, result.tally.changed, result.tally.written_bytes) == (0, 0, 0)


# --- salvage


def test_salvage_reads_around_bad_spots_and_fills_from_the_copy(world: SmallWorld) -> None:
    pair = world.pair
    copy = pair.copy / NAMES[0]
    with copy.open("r+b") as file:  # the copy is bad too, elsewhere
        file.write(b"bad")
    path = pair.at(NAMES[0])
    before = os.stat(path)
    effects = BadSector(before.st_ino, 7, 8, 20)
    outcomes = world.mend("salvage", NAMES[0], effects=effects)
    assert [each.done for each in outcomes] == [True], outcomes
    found = outcomes[0].salvaged
    assert [tuple(each) for each in found.filled] == [(7 * 4096, 9 * 4096, "copy"), (20 * 4096, 21 * 4096, "copy")]
    assert found.path == os.fsencode(NAMES[0]) + SUFFIX
    new = pair.at(NAMES[0] + ".salvaged")
    assert new.read_bytes() == bad()  # what the primary has, and from the copy what it would not give
    after = os.stat(path)
    assert (before.st_ino, before.st_ctime_ns, before.st_mtime_ns) == (
        after.st_ino,
        after.st_ctime_ns,
        after.st_mtime_ns,
    )
    assert os.stat(new).st_mtime_ns == before.st_mtime_ns
    assert len(world.open()) >= 2  # a person has yet to decide
    again = world.mend("salvage", NAMES[0], effects=effects)
    assert [each.done for each in again] == [False]  # never over a file
    assert new.read_bytes() == bad()
    assert not pair.at(".nightferry-mending").exists()


class Salvaging:
    """A salvage tried again and again: the copy is bad too, and one block of the primary's file cannot be read."""

    def __init__(self, world: SmallWorld) -> None:
        with (world.pair.copy / NAMES[0]).open("r+b") as file:
            file.write(b"bad")
        world.save()
        self.world, self.before = world, world.moment()
        counting = CountingEffects()
        assert [each.done for each in self.call(counting)] == [True]
        self.calls = counting.calls
        self.called = world.moment()
        self._check_cut_off()
        self.after_night = self._after_night()

    def _after_night(self) -> Moment:
        """Which has damage open that it cannot mend, and does not take the new file: no sector is bad for the night, so
        it reads there the very wrong content that is known, and the right one stands nowhere."""
        self.world.pair.clock.pass_days(1)
        result = self.world.pair.run()
        assert (result.outcome, result.tally.added, result.tally.changed) == ("partial", 0, 0)
        return self.world.moment()

    def call(self, effects: CountingEffects | None = None) -> list[Outcome]:
        effects = effects or CountingEffects()
        # A bad sector is one of the file: another inode after each time that it was put back.
        effects.preadv = BadSector(os.stat(self.world.pair.at(NAMES[0])).st_ino, 7).preadv
        return self.world.mend("salvage", NAMES[0], effects=effects)

    def _check_cut_off(self) -> None:
        now = self.world.moment()
        assert (now.copy, now.retired, now.damage) == (self.before.copy, self.before.retired, self.before.damage)
        assert self.world.pair.at(NAMES[0]).read_bytes() == bad(), "the file itself is left as it is"
        new = self.world.pair.at(NAMES[0] + ".salvaged")
        assert not new.exists() or new.read_bytes() == bad(), "half a file has the name"

    def check_finishes(self) -> None:
        self._check_cut_off()
        if not self.world.pair.at(NAMES[0] + ".salvaged").exists():
            assert [each.done for each in self.call()] == [True]
        found = self.world.moment().undated()
        assert (unlike := self.called.undated().unlike(found)) == [], unlike
        found = self._after_night().undated()
        assert (unlike := self.after_night.undated().unlike(found)) == [], f"after a night: {unlike}"


def test_rule_B_E_killed_at_every_call_of_a_salvage(world: SmallWorld) -> None:
    tried = Salvaging(world)
    sweep = Sweep("files salvaged and killed at a call")

    def attempt(k: int) -> None:
        world.put_back()
        assert not in_child(lambda: tried.call(KillingEffects(k)))
        tried.check_finishes()

    for k, call in enumerate(tried.calls, start=1):
        sweep.attempt(f"{k} of {len(tried.calls)}, {call.name}", lambda k=k: attempt(k))
    sweep.report()


def test_rule_B_E_every_call_of_a_salvage_fails(world: SmallWorld) -> None:
    tried = Salvaging(world)
    sweep = Sweep("files salvaged and a call failed")

    def attempt(effects: CountingEffects) -> None:
        world.put_back()
        with suppress(NightferryError):  # the manifest could not be opened
            tried.call(effects)
        tried.check_finishes()

    for fault in faults(tried.calls):
        sweep.attempt(fault.label, lambda fault=fault: attempt(fault.effects()))
    sweep.report()


def test_salvage_fills_with_zeros_where_neither_side_can_be_read(world: SmallWorld) -> None:
    pair = world.pair
    (pair.copy / NAMES[0]).unlink()
    (pair.copy / NAMES[1]).unlink()
    inode = os.stat(pair.at(NAMES[0])).st_ino
    last = len(GOOD) // 4096
    (outcome,) = world.mend("salvage", NAMES[0], effects=BadSector(inode, 0, last))
    assert [tuple(each) for each in outcome.salvaged.filled] == [(0, 4096, "zeros"), (last * 4096, len(GOOD), "zeros")]
    expected = bytes(4096) + bad()[4096 : last * 4096] + bytes(len(GOOD) - last * 4096)
    assert pair.at(NAMES[0] + ".salvaged").read_bytes() == expected


def test_salvage_is_for_what_cannot_be_read_or_put_back(world: SmallWorld) -> None:
    assert "put it back" in world.mend("salvage", NAMES[0])[0].told
    for name in NAMES:
        (world.pair.copy / name).unlink()
    assert "can be read whole" in world.mend("salvage", NAMES[0])[0].told
