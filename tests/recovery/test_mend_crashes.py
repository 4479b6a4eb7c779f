"""Rule E for mend: cut off at any call, the primary's file is whole, and calling it again finishes.

On plain folders. A file decays by being written, with its dates put back and the manifest told of the ctime that this
moved: then nothing says that somebody wrote it, as after real decay (which test_mend.py has on real drives).
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from harness import Pair
from world import World

from counts import count_case
from effects_faults import CountingEffects, FailingEffects, KillingEffects, in_child
from nightferry.recovery.mending.salvage import SUFFIX
from nightferry.recovery.session import Outcome
from nightferry.tree.effects import Effects
from sweeps import ALL

GOOD = os.urandom(300_000)
# All calls with EVERY_EFFECT=1; else some, more of them with NIGHTFERRY_SWEEPS=1.
STEP = 1 if os.environ.get("EVERY_EFFECT") else 3 if ALL else 7
NAMES = ("2026-05 spring concert/01 kyrie.wav", "best of/kyrie.wav")


@pytest.fixture
def make(tmp_path: Path) -> Callable[[int], World]:
    """A new pair, whose file (with another name that is a hard link) has decayed on the primary, and is known to."""

    def made(number: int) -> World:
        top = tmp_path / str(number)
        top.mkdir()
        pair = Pair(top / "primary", top / "secondary", top / "state")
        first = pair.write(NAMES[0], GOOD)
        pair.write("2026-05 spring concert/02 gloria.wav", b"gloria")
        pair.at("best of").mkdir()
        os.link(first, pair.at(NAMES[1]))
        pair.run_well()
        world = World(pair)
        decay(world)
        world.verify()
        assert len(world.open()) == 2
        return world

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


def check_whole(world: World) -> None:
    for name in NAMES:
        assert world.pair.at(name).read_bytes() in (GOOD, bad()), "half of one and half of the other"
        assert (world.pair.copy / name).read_bytes() == GOOD


def check_finished(world: World, *, linked: bool = True) -> None:
    pair = world.pair
    for name in NAMES:
        assert pair.at(name).read_bytes() == GOOD
    assert not linked or len({os.stat(pair.at(name)).st_ino for name in NAMES}) == 1
    assert sorted(os.listdir(pair.primary)) == [
        ".nightferry-volume.toml", "2026-05 spring concert", "best of",
    ]  # fmt: skip
    assert world.open() == []
    result = pair.run_well()
    assert (result.tally.added, result.tally.changed, result.tally.written_bytes) == (0, 0, 0)
    assert pair.differences() == []
    pair.run_quiet()


def calls(make: Callable[[int], World]) -> int:
    counting = CountingEffects()
    world = make(0)
    assert all(each.done for each in world.mend("restore", effects=counting))
    check_finished(world)
    assert counting.by_name()["rename"] == 2 and counting.by_name()["link"] == 1
    return counting.count


@pytest.mark.parametrize("after", [False, True], ids=["before", "after"])
def test_rule_E_killed_at_any_call_and_called_again(make: Callable[[int], World], after: bool) -> None:
    chosen = range(1, calls(make) + 1, STEP)
    count_case("damage mended (restore) and killed at a call", len(chosen))
    for n in chosen:
        world = make(n)
        assert not in_child(lambda world=world, n=n: world.mend("restore", effects=KillingEffects(n, after=after)))
        check_whole(world)
        if world.open():
            assert all(each.done for each in world.mend("restore"))
        check_finished(world)


def test_rule_E_killed_at_any_call_and_then_a_night(make: Callable[[int], World]) -> None:
    """Nobody calls it again: rot is still not copied, and what was put back is no change."""
    chosen = range(1, calls(make) + 1, STEP)
    count_case("damage mended (restore) and killed at a call", len(chosen))
    for n in chosen:
        world = make(n)
        assert not in_child(lambda world=world, n=n: world.mend("restore", effects=KillingEffects(n)))
        result = world.pair.run()
        assert (result.tally.added, result.tally.changed) == (0, 0)
        check_whole(world)
        if world.open():
            assert all(each.done for each in world.mend("restore"))
        # the night saw the name that was put back as a file of its own, which it was just then
        check_finished(world, linked=False)


@pytest.mark.parametrize("action", ["accept", "choose"])
def test_rule_E_killed_while_a_version_is_accepted_or_chosen(make: Callable[[int], World], action: str) -> None:
    """Accepted, the next night copies it and keeps the older one; chosen, it stands on the primary as the right one."""

    def mend(world: World, effects: Effects | None = None, name: str = NAMES[0]) -> list[Outcome]:
        return world.mend(action, name, source="secondary" if action == "choose" else None, effects=effects)

    counting = CountingEffects()
    assert all(each.done for each in mend(make(0), counting))
    chosen = range(1, counting.count + 1, STEP)
    for n in chosen:
        world = make(n)
        assert not in_child(lambda world=world, n=n: mend(world, KillingEffects(n)))
        check_whole(world)
        for path, _, _ in world.open():  # one of the two names may be closed by now
            again = mend(world, name=os.fsdecode(path)) if path in {each[0] for each in world.open()} else []
            assert all(each.done for each in again), (n, again)
        if action == "choose":
            check_finished(world)
            continue
        assert world.open() == []
        world.pair.run_well()
        for name in NAMES:
            assert world.pair.at(name).read_bytes() == (world.pair.copy / name).read_bytes() == bad()
        assert GOOD in {held.content for held in world.pair.held().values()}
    count_case(f"damage mended ({action}) and killed at a call", len(chosen))


@pytest.mark.parametrize("number", [errno.EIO, errno.ENOSPC], ids=["EIO", "ENOSPC"])
def test_rule_E_any_call_fails_and_it_is_called_again(make: Callable[[int], World], number: int) -> None:
    chosen = range(1, calls(make) + 1, STEP)
    count_case("damage mended (restore) and a call failed", len(chosen))
    for n in chosen:
        world = make(n)
        try:
            world.mend("restore", effects=FailingEffects(n, number))
        except Exception as error:
            assert type(error).__module__ == "nightferry.errors", error
        check_whole(world)
        if world.open():
            assert all(each.done for each in world.mend("restore")), world.mend("restore")
        check_finished(world)


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


def test_an_unreadable_file_is_put_back(make: Callable[[int], World]) -> None:
    world = make(0)
    effects = BadSector(os.stat(world.pair.at(NAMES[0])).st_ino, 7)
    assert all(each.done for each in world.mend("restore", effects=effects))
    check_finished(world)


# --- salvage


def test_salvage_reads_around_bad_spots_and_fills_from_the_copy(make: Callable[[int], World]) -> None:
    world = make(0)
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


def test_rule_E_killed_at_any_call_of_a_salvage(make: Callable[[int], World]) -> None:
    def salvage(world: World, n: int = 0) -> list[Outcome]:
        bad_sector = BadSector(os.stat(world.pair.at(NAMES[0])).st_ino, 7)
        effects = KillingEffects(n)
        effects.preadv = bad_sector.preadv
        return world.mend("salvage", NAMES[0], effects=effects)

    def broken(number: int) -> World:
        world = make(number)
        with (world.pair.copy / NAMES[0]).open("r+b") as file:
            file.write(b"bad")
        return world

    whole = broken(0)
    counting = BadSector(os.stat(whole.pair.at(NAMES[0])).st_ino, 7)
    assert [each.done for each in whole.mend("salvage", NAMES[0], effects=counting)] == [True]
    assert counting.count > 5
    chosen = range(1, counting.count + 1, STEP)
    for n in chosen:
        world = broken(n)
        in_child(lambda world=world, n=n: salvage(world, n))
        assert world.pair.at(NAMES[0]).read_bytes() == bad(), "the file itself is left as it is"
        new = world.pair.at(NAMES[0] + ".salvaged")
        if not new.exists():
            assert [each.done for each in salvage(world)] == [True]
        assert new.read_bytes() == bad()
        assert not world.pair.at(".nightferry-mending").exists()
    count_case("files salvaged and killed at a call", len(chosen))


def test_salvage_fills_with_zeros_where_neither_side_can_be_read(make: Callable[[int], World]) -> None:
    world = make(0)
    pair = world.pair
    (pair.copy / NAMES[0]).unlink()
    (pair.copy / NAMES[1]).unlink()
    inode = os.stat(pair.at(NAMES[0])).st_ino
    last = 300_000 // 4096
    (outcome,) = world.mend("salvage", NAMES[0], effects=BadSector(inode, 0, last))
    assert [tuple(each) for each in outcome.salvaged.filled] == [(0, 4096, "zeros"), (last * 4096, 300_000, "zeros")]
    expected = bytes(4096) + bad()[4096 : last * 4096] + bytes(300_000 - last * 4096)
    assert pair.at(NAMES[0] + ".salvaged").read_bytes() == expected


def test_salvage_is_for_what_cannot_be_read_or_put_back(make: Callable[[int], World]) -> None:
    world = make(0)
    assert "put it back" in world.mend("salvage", NAMES[0])[0].told
    for name in NAMES:
        (world.pair.copy / name).unlink()
    assert "can be read whole" in world.mend("salvage", NAMES[0])[0].told
