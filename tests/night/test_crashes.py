"""A night cut off at each of its effects, or failing at one, and what the next night makes of it (rules B, D and E).

Of a tree with every kind of change, on secondaries that can more and less; each attempt starts from the same saved
state. A plain run takes a sample, spread evenly and the same each time, since tests/hostile/test_effects.py goes
through every effect of a small tree; NIGHTFERRY_SWEEPS=1 takes a larger one, HYPOTHESIS_PROFILE=long every effect.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from crash_world import World, copy_of, different, fast_folder, write
from harness import Pair

import nightferry.night.run as run_module
from attempts import Sweep
from effects_faults import (
    Call,
    CountingEffects,
    FailingCalls,
    FailingEffects,
    KillingEffects,
    PowerCutEffects,
    ShortEffects,
    in_child,
)
from nightferry.night.run import Result
from nightferry.planning.drive_health import DRIVE_ERRORS
from sweeps import ALL, LONG

OUTSIDE_TIMES = 5

# What the secondary is taken not to have.
WITH_LINKS: dict[str, bool] = {}
EXCHANGE_ONLY = {"hard_links": False}
NEITHER = {"hard_links": False, "exchange": False}
WITHOUT_SYMLINKS = {"symlinks": False}
WAYS = {
    "links": WITH_LINKS,
    "links-without-exchange": {"exchange": False},
    "exchange": EXCHANGE_ONLY,
    "neither": NEITHER,
}


@pytest.fixture
def base(tmp_path: Path) -> Iterator[Path]:
    folder, remove = fast_folder(tmp_path)
    try:
        yield folder
    finally:
        remove()


def sample(count: int, ci: int, start: int = 1) -> list[int]:
    """Numbers from ``start`` to ``count``: all, or about ``ci`` of them, evenly spread.

    Outside a plain run so many times as many, and the last: the sealing.
    """
    ci *= OUTSIDE_TIMES if ALL else 1
    if LONG or count <= ci:
        return list(range(start, count + 1))
    step = (count - start) / (ci - 1)
    return sorted({start + round(n * step) for n in range(ci)} | set(range(count - 3, count + 1) if ALL else ()))


def _world(base: Path, monkeypatch: pytest.MonkeyPatch, way: str) -> tuple[World, list[Call]]:
    world = World(base, monkeypatch, **WAYS[way])
    effects = CountingEffects()
    if not world.capabilities.hard_links:
        world.loses_links()
    world.reference(effects)
    return world, effects.calls


def _label(k: int, calls: list[Call]) -> str:
    call = calls[k - 1] if k <= len(calls) else None
    return f"{k} of {len(calls)}" + (f" ({call.name} {call.args})" if call else " (the end)")


def _recover(world: World, *, may_hold_more: bool = False, may_hold_folders: bool = False) -> None:
    result = world.run()
    assert isinstance(result, Result), f"the next night did not begin: {result}"
    assert result.outcome == "complete", f"{result.outcome}: {result.failure} {result.notes}"
    world.check_recovered(may_hold_more=may_hold_more, may_hold_folders=may_hold_folders)


@pytest.mark.parametrize("way", WAYS)
def test_rule_B_D_E_killed_at_any_effect(base: Path, monkeypatch: pytest.MonkeyPatch, way: str) -> None:
    """Killed just before effect k; that is also just after effect k-1, since nothing lies between."""
    world, calls = _world(base, monkeypatch, way)
    sweep = Sweep("nights of a larger tree, killed", label=f"killed, {way}")

    def attempt(k: int) -> None:
        world.put_back()
        ended = in_child(lambda: world.run(KillingEffects(k)))
        assert ended == (k > len(calls)), "the night was not the same as the first time"
        world.check_interrupted(gap=way == "neither")
        _recover(world)

    for k in sample(len(calls) + 1, ci=12):
        sweep.attempt(_label(k, calls), lambda k=k: attempt(k))
    sweep.report()


@pytest.mark.parametrize("number", [errno.EIO, errno.ENOSPC, errno.EROFS], ids=["EIO", "ENOSPC", "EROFS"])
@pytest.mark.parametrize("way", WAYS)
def test_rule_B_D_E_any_effect_fails(base: Path, monkeypatch: pytest.MonkeyPatch, way: str, number: int) -> None:
    world, calls = _world(base, monkeypatch, way)
    sweep = Sweep("nights of a larger tree, an effect failed", label=f"{errno.errorcode[number]}, {way}")

    def attempt(k: int) -> None:
        world.put_back()
        result = world.run(FailingEffects(k, number))
        if isinstance(result, Result) and result.outcome == "complete":
            # What a night calls complete has to be.
            assert different(world.primary, copy_of(world.pair)) == []
        world.check_interrupted(gap=way == "neither")
        # A folder below retired/ that cannot be removed stays, empty, unless it was the drive that failed.
        _recover(world, may_hold_folders=number not in DRIVE_ERRORS and calls[k - 1].name == "rmdir")

    for k in sample(len(calls), ci=6, start=1 + number % 3):
        if number == errno.ENOSPC and calls[k - 1].name == "setxattr":
            continue  # with room left, that is how ext4 says that it has no place for an attribute: named, not a fault
        sweep.attempt(_label(k, calls), lambda k=k: attempt(k))
    sweep.report()


REFUSED = [
    ("links", "rename", b"06 encore.wav"),  # a move: the old name has to be looked for again
    ("links", "rename", b"new.wav"),  # what no run put there could not be moved away: it is not replaced either
    ("links", "exchange", b"becomes folder"),
    ("exchange", "exchange", b"02 gloria.wav"),  # the new file stands below retired/ by then
    ("neither", "mkdir", b"becomes folder"),  # the file it was stands below retired/ by then
]


@pytest.mark.parametrize(("way", "call", "name"), REFUSED, ids=[f"{way}-{call}" for way, call, _ in REFUSED])
def test_rule_B_D_E_a_name_that_was_refused_is_done_the_next_night(
    base: Path, monkeypatch: pytest.MonkeyPatch, way: str, call: str, name: bytes
) -> None:
    """Each of these once left something lost, unknown to the manifest, or never looked at again."""
    world, calls = _world(base, monkeypatch, way)
    k = next(n for n, each in enumerate(calls, start=1) if each.name == call and each.args[0] == name)
    world.put_back()
    result = world.run(FailingEffects(k, errno.ENOSPC))
    assert isinstance(result, Result)
    assert result.outcome == "partial"
    world.check_interrupted()
    _recover(world)


@pytest.mark.parametrize("lose", ["names", "data", "some names"])
@pytest.mark.parametrize("way", ["links", "exchange"])
def test_rule_B_D_E_the_power_is_cut_at_any_effect(
    base: Path, monkeypatch: pytest.MonkeyPatch, way: str, lose: str
) -> None:
    """What was not durable yet is lost: the names, some of the names, or the data under names that stayed."""
    world, calls = _world(base, monkeypatch, way)
    sweep = Sweep("nights of a larger tree, power cut", label=f"power cut, {way}, {lose} lost")
    top = os.fsencode(world.pair.secondary)

    def attempt(k: int) -> None:
        world.put_back()
        effects = PowerCutEffects(k, top, lose=lose.removeprefix("some "), keep=k % 7 if lose == "some names" else 0)
        ended = in_child(lambda: world.run(effects))
        assert ended == (k > len(calls)), "the night was not the same as the first time"
        world.check_interrupted()
        _recover(world)

    for k in sample(len(calls), ci=14):
        sweep.attempt(_label(k, calls), lambda k=k: attempt(k))
    sweep.report()


@pytest.mark.parametrize("way", WAYS)
def test_rule_E_killed_again_while_it_recovers(base: Path, monkeypatch: pytest.MonkeyPatch, way: str) -> None:
    """Killed at k, then the next night killed at each of the effects of its reconciling."""
    world, calls = _world(base, monkeypatch, way)
    sweep = Sweep("nights of a larger tree, killed twice", label=f"killed twice, {way}")
    real, reconciled = run_module.reconcile, []
    effects = CountingEffects()

    def counted(*args: object) -> int:
        before = effects.count
        try:
            return real(*args)
        finally:
            reconciled.append((before, effects.count))

    def attempt(j: int) -> None:
        world.put_aside_back()
        assert not in_child(lambda: world.run(KillingEffects(j)))
        world.check_interrupted(gap=way == "neither")
        _recover(world)

    points = sample(len(calls), ci=10) if not LONG else list(range(1, len(calls) + 1, 6))
    for k in points:
        world.put_back()
        in_child(lambda k=k: world.run(KillingEffects(k)))
        world.keep_aside()
        effects, reconciled[:] = CountingEffects(), []
        with monkeypatch.context() as patch:
            patch.setattr(run_module, "reconcile", counted)
            world.run(effects)
        [(first, last)] = reconciled
        chosen = range(first + 1, last + 1)
        for j in chosen if LONG else list(chosen)[k % 3 :: max(1, len(chosen) // 2)]:
            sweep.attempt(f"{_label(k, calls)}, then {_label(j, effects.calls)}", lambda j=j: attempt(j))
    sweep.report()


def test_rule_D_a_failed_sync_is_never_retried_on_the_same_pages(base: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every syncfs in turn fails once: whatever was staged before it is written anew before the next one succeeds."""
    world, calls = _world(base, monkeypatch, "links")
    sweep = Sweep("nights of a larger tree, a syncfs failed")
    syncs = sum(call.name == "syncfs" for call in calls)

    def attempt(n: int) -> None:
        world.put_back()
        effects = FailingCalls(lambda call, before: call.name == "syncfs" and before == n, errno.EIO)
        result = world.run(effects)
        assert isinstance(result, Result)
        [at] = effects.failed
        if result.outcome == "complete":
            assert different(world.primary, copy_of(world.pair)) == []
        _check_written_again(effects.calls, at)
        world.check_interrupted()
        _recover(world)

    for n in range(syncs):
        sweep.attempt(f"syncfs {n + 1} of {syncs}", lambda n=n: attempt(n))
    sweep.report()


def _staged(calls: list[Call]) -> list[bytes]:
    return [call.args[0] for call in calls if call.name == "open"]


def _check_written_again(calls: list[Call], failed: int) -> None:
    """Files placed after the failure are files made after it: nothing that the failed sync covered gets a name."""
    last = max((n for n in range(failed) if calls[n].name == "syncfs"), default=-1)
    doubtful = set(_staged(calls[last + 1 : failed]))
    named_after = [call.args[0] for call in calls[failed + 1 :] if call.name in ("rename", "exchange", "link")]
    assert not doubtful & set(named_after), f"named after the failed sync: {doubtful & set(named_after)}"


def test_rule_D_a_batch_whose_sync_failed_is_written_again_in_the_same_night(
    base: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    world, calls = _world(base, monkeypatch, "links")
    places = [n for n, call in enumerate(calls) if call.name == "syncfs"]
    staged_before = [
        n for n, (start, end) in enumerate(zip([0, *places], places, strict=False)) if _staged(calls[start:end])
    ]
    assert staged_before
    again = 0
    for n in staged_before:
        world.put_back()
        effects = FailingCalls(lambda call, before, n=n: call.name == "syncfs" and before == n, errno.EIO)
        result = world.run(effects)
        assert isinstance(result, Result)
        if not any("written again" in note for note in result.notes):
            continue  # the seal: what it writes is written anew by the next night
        again += 1
        assert result.outcome == "complete", result.failure
        written = [call for call in effects.calls if call.name == "pwrite"]
        assert len(written) > sum(call.name == "pwrite" for call in calls)
        world.check_recovered()
    assert again >= 1


def test_rule_B_D_E_a_drive_that_fails_for_good(base: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From effect k on every one fails, those that clean up and those that commit included."""
    world, calls = _world(base, monkeypatch, "links")
    sweep = Sweep("nights of a larger tree, all effects failed")

    def attempt(k: int) -> None:
        world.put_back()
        result = world.run(FailingEffects(k, errno.EIO, times=10**6))
        assert not isinstance(result, Result) or result.outcome == "failed"
        world.check_interrupted()
        _recover(world)

    # What comes behind the last commit only says how the state's files are left.
    ended = max(k for k, call in enumerate(calls, start=1) if call.name == "commit")
    for k in sample(ended, ci=14):
        sweep.attempt(_label(k, calls), lambda k=k: attempt(k))
    sweep.report()


def test_rule_G_any_look_or_reading_fails(base: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A call that only looks fails with EIO: nothing is lost by that, and the next night is whole."""
    world, _ = _world(base, monkeypatch, "links")
    counting = CountingEffects(reads=True)
    world.put_back()
    world.run(counting)
    sweep = Sweep("nights of a larger tree, a look failed")

    def attempt(k: int) -> None:
        world.put_back()
        result = world.run(FailingEffects(k, errno.EIO, reads=True))
        if isinstance(result, Result) and result.outcome == "complete":
            assert different(world.primary, copy_of(world.pair)) == []
        world.check_interrupted()
        _recover(world, may_hold_more=True)

    for k in sample(counting.count, ci=16):
        sweep.attempt(_label(k, counting.calls), lambda k=k: attempt(k))
    sweep.report()


def test_rule_E_short_reads_and_writes_change_nothing(base: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    world, _ = _world(base, monkeypatch, "links")
    world.put_back()
    result = world.run(ShortEffects(5_000))
    assert isinstance(result, Result)
    assert result.outcome == "complete"
    world.check_recovered()


def test_rule_E_killed_while_the_secondary_is_probed(base: Path) -> None:
    """The probe is left out of the other tests; what it leaves in staging/ is removed."""
    pair = Pair(base / "primary", base / "secondary", base / "state")
    write(pair.primary / "01 kyrie.wav", "kyrie")
    pair.run_well()
    counting = CountingEffects()
    pair.run(effects=counting)
    tried = sample(counting.count, ci=12)
    for k in tried:
        assert not in_child(lambda k=k: pair.run(effects=KillingEffects(k)))
        pair.run_well()
        assert pair.staging() == []
    print(f"\nkilled while probing: {len(tried)} of {counting.count}")
