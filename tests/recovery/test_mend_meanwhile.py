"""Rules B and N for mend: a person's yes covers what they were shown, and what it displaces is kept.

Somebody saves the file while the question stands, or at any call of the command: as programs do, by a rename over it.
What was saved stands there afterwards, and the next night copies it. On plain folders in memory.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from small_world import SmallWorld
from test_mend_crashes import GOOD, NAMES, bad, decay, decayed

from attempts import Sweep
from effects_faults import Call, CountingEffects, KillingEffects, in_child
from nightferry.errors import Failed
from nightferry.manifest.asof import AsOf
from nightferry.manifest.history import History
from nightferry.recovery.session import Outcome, Session
from nightferry.reporting.audit.history import Teller
from nightferry.tree.effects import Effects
from sweeps import ALL

FRESH = b"saved a moment ago\n" * 50


@pytest.fixture
def world(base: Path) -> SmallWorld:
    return decayed(base)


def save(world: SmallWorld, name: str = NAMES[0], content: bytes = FRESH) -> None:
    """As most programs save: whole, beside it, and then renamed over it."""
    path = world.pair.at(name)
    beside = path.with_name("~being saved")
    beside.write_bytes(content)
    os.rename(beside, path)


def cannot_exchange(*args: object, **kwargs: object) -> None:
    """As a file system answers that has no exchange of names (renameat2(2), EINVAL), such as exFAT through FUSE."""
    raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))


class Saving(CountingEffects):
    """Somebody saves the file just before the n-th call (from 1), of those that look too."""

    def __init__(self, n: int, act: Callable[[], None], *, exchanges: bool) -> None:
        super().__init__(reads=True)
        self._n, self._act = n, act
        if not exchanges:
            self.exchange = cannot_exchange

    def _perform(self, call: Callable, what: Call) -> object:
        if self.count == self._n:
            self._act()
        return super()._perform(call, what)


def asked(world: SmallWorld, action: str, meanwhile: Callable[[], None], *, source: str | None = None) -> list[Outcome]:
    """What `nightferry mend` does where something happens between showing and acting."""
    with world.opened() as opened:
        session = Session(opened, world.pair.clock, lambda: False)
        looked = list(session.look(session.chosen([NAMES[0].encode()])))
        meanwhile()
        return [session.act(each, action, None if source is None else source.encode()) for each in looked]


@pytest.mark.parametrize("action", ["restore", "accept", "choose"])
def test_N_what_was_saved_while_the_question_stood_is_left_alone(world: SmallWorld, action: str) -> None:
    source = os.fsdecode(world.survey(NAMES[0]).older[0].path) if action == "choose" else None
    (outcome,) = asked(world, action, lambda: save(world), source=source)
    assert not outcome.done and "while the question stood" in outcome.told
    assert world.pair.at(NAMES[0]).read_bytes() == FRESH
    assert (NAMES[0].encode(), "primary", "decayed") in world.open()
    world.pair.clock.pass_days(1)
    world.pair.run()
    assert (world.pair.copy / NAMES[0]).read_bytes() == FRESH


def test_N_other_content_under_the_same_date_is_no_yes_to_it(world: SmallWorld) -> None:
    """Written in place, and the date put back: the time of change (ctime) tells."""

    def write() -> None:
        path = world.pair.at(NAMES[0])
        before = os.stat(path)
        path.write_bytes(FRESH.ljust(len(GOOD), b"."))
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))

    (outcome,) = asked(world, "restore", write)
    assert not outcome.done
    assert world.pair.at(NAMES[0]).read_bytes().startswith(FRESH)


@pytest.mark.parametrize("exchanges", [True, False], ids=["names-exchanged", "names-not-exchanged"])
def test_B_what_is_saved_at_any_call_of_a_mend_stands_there_afterwards(world: SmallWorld, exchanges: bool) -> None:
    counting = Saving(0, lambda: None, exchanges=exchanges)
    assert all(each.done for each in world.mend("restore", effects=counting))
    sweep = Sweep("damage mended and the file saved at a call")

    def attempt(n: int) -> None:
        world.put_back()
        effects = Saving(n, lambda: save(world), exchanges=exchanges)
        world.mend("restore", effects=effects)
        assert effects.count >= n
        assert world.pair.at(NAMES[0]).read_bytes() == FRESH, "what was saved was displaced"
        left = {name for name in os.listdir(world.pair.primary) if name.startswith(".nightferry")}
        assert left == {".nightferry-volume.toml"}
        world.pair.clock.pass_days(1)
        world.pair.run()
        assert (world.pair.copy / NAMES[0]).read_bytes() == FRESH, "the night takes it for the mended one"

    for n in chosen(counting.calls):
        call = counting.calls[n - 1]
        sweep.attempt(f"{n} of {len(counting.calls)}, {call.name} {call.args}", lambda n=n: attempt(n))
    sweep.report()


def chosen(calls: list[Call]) -> list[int]:
    """In a plain run every call that changes a name of the primary, the two on either side of it, and a few others."""
    names = [n for n, call in enumerate(calls, start=1) if call.name in ("rename_new", "exchange", "unlink", "link")]
    near = {n + by for n in names for by in (-2, -1, 0, 1, 2)}
    return [n for n in range(1, len(calls) + 1) if ALL or n in near or n % 20 == 0]


def without_exchange(effects: CountingEffects) -> CountingEffects:
    effects.exchange = cannot_exchange
    return effects


def test_E_killed_at_every_call_where_names_cannot_be_exchanged(world: SmallWorld) -> None:
    changes = without_exchange(CountingEffects())
    assert all(each.done for each in world.mend("restore", effects=changes))
    sweep = Sweep("damage mended and killed at a call")

    def attempt(k: int) -> None:
        world.put_back()
        assert not in_child(lambda: world.mend("restore", effects=without_exchange(KillingEffects(k))))
        while left := [name for name, side, _ in world.open() if side == "primary"]:
            assert all(
                each.done
                for each in world.mend("restore", os.fsdecode(left[0]), effects=without_exchange(CountingEffects()))
            )
        for name in NAMES:
            assert world.pair.at(name).read_bytes() == GOOD
        assert ".nightferry-displaced" not in os.listdir(world.pair.primary)
        assert bad() in displaced(world)
        world.night()

    for k, call in enumerate(changes.calls, start=1):
        sweep.attempt(f"{k} of {len(changes.calls)}, {call.name} {call.args}", lambda k=k: attempt(k))
    sweep.report()


# --- what is displaced


def displaced(world: SmallWorld) -> list[bytes]:
    query = "SELECT held FROM past WHERE reason = 'displaced' AND held IS NOT NULL ORDER BY id"
    with world.pair.manifest() as manifest:
        kept = [row[0] for row in manifest.database.connection.execute(query)]
    return [(world.pair.retired / os.fsdecode(held)).read_bytes() for held in kept]


def test_B_what_mend_displaces_is_kept_and_can_be_had_back(world: SmallWorld) -> None:
    assert all(each.done for each in world.mend("restore"))
    assert displaced(world) == [bad()]
    world.night()
    assert displaced(world) == [bad()]
    assert world.verify().exit_code == 0  # it is read like any other retired version, by the checksum of what it is
    with world.pair.manifest() as manifest:
        query = "SELECT digest FROM past WHERE reason = 'displaced'"
        (digest,) = manifest.database.connection.execute(query).fetchone()
        for run in manifest.runs.all():
            node = AsOf(manifest, run.number).find(NAMES[0].encode())
            assert node is not None and node.content.digest != digest, "it stood in no state of the copy"
        (entry,) = History(manifest).find(NAMES[0].encode())
        story = Teller(manifest, None).story(entry)
    assert story is not None
    (last,) = [each for each in story.versions if each.since == each.until]
    assert last.places and last.node.stat.size_bytes == len(bad()), "history lists it, and where it stands"
    assert world.mend_from(NAMES[0], b"retired/" + last.places[0].path)[0].done, "also where nothing is damaged"
    assert world.pair.at(NAMES[0]).read_bytes() == bad()
    assert displaced(world) == [bad(), GOOD]
    world.night()
    assert (world.pair.copy / NAMES[0]).read_bytes() == bad()


def test_B_a_version_that_was_displaced_can_be_chosen_where_both_drives_are_bad(world: SmallWorld) -> None:
    assert all(each.done for each in world.mend("restore"))
    world.night()
    decay_again(world)
    place = next(each for each in world.survey(NAMES[0]).older if each.version.reason == "displaced")
    assert world.mend("choose", NAMES[0], source=os.fsdecode(place.path))[0].done
    assert world.pair.at(NAMES[0]).read_bytes() == bad()


def decay_again(world: SmallWorld) -> None:
    decay(world)
    world.verify()


def test_B_it_expires_as_other_retired_versions_do(world: SmallWorld) -> None:
    assert all(each.done for each in world.mend("restore"))
    for _ in range(29):
        world.night()
    assert displaced(world) == [bad()]
    for _ in range(3):
        world.night()
    assert displaced(world) == []


def test_B_a_secondary_without_room_for_it_keeps_mend_from_displacing_anything(world: SmallWorld) -> None:
    class Full(Effects):
        @staticmethod
        def pwrite(*args: object) -> int:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        write = pwrite

    (outcome,) = world.mend("restore", NAMES[0], effects=Full())
    assert not outcome.done and "kept on the secondary" in outcome.told and "Make room there" in outcome.told
    assert world.pair.at(NAMES[0]).read_bytes() == bad()


def test_B_a_file_beside_the_card_that_nobody_knows_is_not_deleted(world: SmallWorld) -> None:
    left = world.pair.at(".nightferry-mending")
    left.write_bytes(b"whose is that?")
    with pytest.raises(Failed, match="look at what it holds"):
        world.mend("restore")
    assert left.read_bytes() == b"whose is that?"
    left.unlink()
    assert all(each.done for each in world.mend("restore"))
