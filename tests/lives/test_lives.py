"""Months of a pair: short lives that once failed, random ones from fixed seeds, and the oracle's own eyesight.

``python tests/lives/run.py`` lives as many as one likes; see tests/README.md.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from drives import requires_root_and_loops
from lives.known import FAILS_TODAY, KNOWN, NIGHT, Known
from lives.life import Worlds, live, random_life, script
from lives.looking import look, sha256
from lives.rot import flip
from lives.world import World

# What is not put right yet is left out of the random lives by the rules that it breaks. These are lived in memory.
IGNORED = frozenset(
    rule for each in KNOWN if each.name in FAILS_TODAY and each.drives == "tmpfs" for rule in each.rules
)
SEEDS = range(1, 17)
NIGHTS = 16


@pytest.mark.parametrize("known", [each for each in KNOWN if each.drives == "tmpfs"], ids=lambda each: each.name)
def test_E_a_life_that_once_failed(known: Known) -> None:
    _live_again(known)


@requires_root_and_loops
@pytest.mark.parametrize("known", [each for each in KNOWN if each.drives != "tmpfs"], ids=lambda each: each.name)
def test_E_a_life_that_once_failed_on_real_drives(known: Known) -> None:
    _live_again(known)


def _live_again(known: Known) -> None:
    """Those that fail still have to be seen by the oracle: it is known to see what it will guard."""
    failure = live(known.steps, Worlds(known.drives)).failure
    if known.name in FAILS_TODAY:
        assert failure is not None, f"{known.name} is put right: take it out of FAILS_TODAY"
        assert failure.rule in known.rules, failure
    elif failure is not None:
        raise failure


@pytest.mark.parametrize("seed", SEEDS)
def test_E_a_random_life(seed: int) -> None:
    outcome = random_life(NIGHTS, Worlds(ignored=IGNORED), seed)
    if outcome.failure is not None:
        pytest.fail(f"seed {seed}: {outcome.failure}\n{script(outcome.steps)}")


def test_a_life_is_the_same_each_time() -> None:
    one, other = (random_life(8, Worlds(ignored=IGNORED), 5).steps for _ in range(2))
    assert one == other


def test_a_flip_moves_no_time(tmp_path: Path) -> None:
    path = os.fsencode(tmp_path / "kyrie.wav")
    if Path("/dev/shm").is_dir():
        path = b"/dev/shm/flipped %d.wav" % os.getpid()
    try:
        with open(path, "wb") as file:
            file.write(b"kyrie" * 2000)
        before = os.lstat(path)
        flipped = flip(path, 4321)
        after = os.lstat(path)
        assert flipped is not None and flipped[0] != flipped[1]
        assert (before.st_mtime_ns, before.st_ctime_ns, before.st_size) == (
            after.st_mtime_ns, after.st_ctime_ns, after.st_size
        )  # fmt: skip
    finally:
        os.unlink(path)


def test_the_oracle_sees_what_a_night_did_not_do(tmp_path: Path) -> None:
    """A file taken out of the copy while a night runs, so that the night calls itself complete without it."""
    steps = [("write", {"path": b"m/kyrie.wav", "number": 1, "size": 500}), NIGHT]
    world = World(tmp_path / "world")
    try:
        for step in steps:
            world.perform(step)
        copied = os.fsencode(world.secondary) + b"/copy/m/kyrie.wav"
        assert look(os.path.dirname(copied)).things[b"kyrie.wav"].content == sha256(_content(copied))
        world.oracle.before_program()
        os.unlink(copied)
        said = world.last
        assert said is not None
        with pytest.raises(AssertionError, match=r"\[(lost|complete-false)\]"):
            world.oracle.after_night(said, world.clock.true_s)
    finally:
        world.close()


def _content(path: bytes) -> bytes:
    with open(path, "rb") as file:
        return file.read()
