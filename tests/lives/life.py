"""One life: steps drawn from a seed and lived as they are drawn, and what fails cut down to the fewest steps."""

from __future__ import annotations

import shutil
import signal
import tempfile
import time
import traceback
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import NamedTuple

from drives import DriveFactory
from lives import changes, events
from lives.oracle import Failure
from lives.steps import Draw, drawn
from lives.world import Step, World

# A life that takes longer hangs.
LIMIT_S = 300
# Both enter their kinds of steps when they are loaded.
assert changes and events
MEMORY = Path("/dev/shm")
# The steps after which a life is checked in full; they stay when it is shrunk.
ENDING: list[Step] = [("restore_all", {}), ("converge", {}), ("restore_all", {"most": 4})]
Make = Callable[[Path], World]


@dataclass
class Outcome:
    """What became of a life. ``failure`` None: it came to its end."""

    seed: int | None
    steps: list[Step]
    failure: Failure | None
    nights: int = 0


class Worlds(NamedTuple):
    """How worlds are made: in memory, or on two real drives of one kind behind loop devices."""

    kind: str = "tmpfs"
    ignored: frozenset[str] = frozenset()  # rules that the oracle does not look at
    without: frozenset[str] = frozenset()  # kinds of steps that are not drawn
    only: frozenset[str] = frozenset()  # kinds of events that are drawn, where not all are

    def __call__(self, base: Path) -> World:
        if self.kind == "tmpfs":
            return World(base, ignored=self.ignored, without=self.without, only=self.only)
        factory = DriveFactory(base / "drives")
        options = "nodatasum" if self.kind == "btrfs" else ""  # else it tells of rot by itself, and refuses to read
        try:
            primary, secondary = (
                factory(self.kind, 24 << 20, options=options, name=name)  # type: ignore[arg-type]
                for name in ("primary", "secondary")
            )
            world = World(base, drives=(primary, secondary), ignored=self.ignored, without=self.without, only=self.only)
        except BaseException:
            factory.close()
            raise
        world.when_closed.append(factory.close)
        return world


def live(steps: Iterable[Step], make: Make, seed: int | None = None, *, verbose: bool = False) -> Outcome:
    """Lives these steps; keeps those that were begun. They may be drawn as they are asked for (``LifeDrawer``)."""
    base = Path(tempfile.mkdtemp(prefix="life-", dir=MEMORY if MEMORY.is_dir() else None))
    done: list[Step] = []
    world: World | None = None
    failure: Failure | None = None
    signal.signal(signal.SIGALRM, _hung)
    signal.alarm(LIMIT_S)
    try:
        world = make(base)
        world.verbose = verbose
        if isinstance(steps, LifeDrawer):
            steps.begin(world)
        for step in steps:
            done.append(step)
            world.perform(step)
    except Failure as found:
        failure = found
    except Exception:  # of the runner itself
        failure = Failure("runner", traceback.format_exc())
    finally:
        signal.alarm(0)
        if world is not None:
            world.close()
        shutil.rmtree(base, ignore_errors=True)
    nights = sum("night" in name for name, _ in done)
    return Outcome(seed, done, failure, nights)


def _hung(*_: object) -> None:
    raise Failure("hung", f"a life took longer than {LIMIT_S} s: {''.join(traceback.format_stack(limit=12))}")


class LifeDrawer:
    """The steps of a random life. The same seed gives the same life, as long as the program does the same."""

    def __init__(self, seed: int, nights: int) -> None:
        self._random, self._nights = Random(seed), nights
        self._world: World | None = None

    def begin(self, world: World) -> None:
        self._world = world

    def __iter__(self) -> Iterator[Step]:
        assert self._world is not None
        random, draw = self._random, Draw(self._world, self._random)
        for number in range(1, random.randrange(3, 9)):
            yield ("folder_of", {"path": b"%d tour" % number, "number": number, "count": random.randrange(1, 6)})
        yield ("night", {})
        draw._numbers = 100
        pending = 0  # events that come together
        restless = random.choice((0.1, 0.25, 0.5))
        for night in range(self._nights):
            yield from self._changes(draw, random.choice((0, 0, 1, 1, 2, 3, 5)))
            if pending or random.random() < restless:
                pending = pending - 1 if pending else random.choice((0, 1, 1, 2))
                for _ in range(random.choice((1, 1, 2))):
                    yield from self._step(draw, "event")
                if random.random() < 0.4:  # at once: the next night may put right what a person would meet now
                    yield ("restore", {"back": random.randrange(3), "alone": random.random() < 0.6})
                yield from self._changes(draw, random.choice((0, 0, 1, 2)))
            yield ("night", {"days": random.choice((1, 1, 1, 1, 1, 2, 9))} if random.random() < 0.3 else {})
            if night % 6 == 5 or pending:
                yield ("restore", {"back": min(int(random.expovariate(0.3)), 40), "alone": random.random() < 0.5})
            if night % 15 == 14:
                yield ("history", {"back": random.randrange(8), "alone": random.random() < 0.3})
        yield from ENDING

    def _changes(self, draw: Draw, count: int) -> Iterator[Step]:
        for _ in range(count):
            yield from self._step(draw, "change")

    def _step(self, draw: Draw, group: str) -> Iterator[Step]:
        draw.refresh()
        step = drawn(draw, group)
        if step is not None:
            yield step


def random_life(nights: int, make: Make, seed: int) -> Outcome:
    """Lives a random life."""
    return live(LifeDrawer(seed, nights), make, seed)


# --- shrinking


def shrink(steps: list[Step], rule: str, make: Make, *, most_s: float = 40) -> list[Step]:
    """The fewest steps that still fail by the same rule (delta debugging: Zeller and Hildebrandt, IEEE TSE 28, 2002),
    then the simplest arguments. ``most_s``: processor time it may take."""
    until_s = time.process_time() + most_s

    def fails(candidate: list[Step]) -> bool:
        found = live(candidate, make).failure
        return found is not None and found.rule == rule

    steps = _without_late_restores(steps, fails)
    steps = _fewest(steps, fails, lambda: time.process_time() >= until_s)
    return _simplest(steps, fails, lambda: time.process_time() >= until_s + most_s / 3)


def _without_late_restores(steps: list[Step], fails: Callable[[list[Step]], bool]) -> list[Step]:
    """All nights were restored one after the other: most often a few do."""
    if not steps or steps[-1][0] != "restore_all":
        return steps
    for most in (1, 3):
        candidate = [*steps[:-1], ("restore_all", {"most": most})]
        if fails(candidate):
            return candidate
    return steps


def _fewest(steps: list[Step], fails: Callable[[list[Step]], bool], over: Callable[[], bool]) -> list[Step]:
    size = max(1, len(steps) // 2)
    while True:
        at, shorter = 0, False
        while at < len(steps) and not over():
            candidate = steps[:at] + steps[at + size :]
            if candidate and fails(candidate):
                steps, shorter = candidate, True
            else:
                at += size
        if over() or (size == 1 and not shorter):
            return steps
        size = size if shorter and size == 1 else max(1, size // 2)


_SIMPLER = {
    "size": (0, 40, 900),
    "count": (1, 2),
    "at": (0, 1),
    "days": (1,),
    "most": (1,),
    "times": (1,),
    "back": (0, 1),
}


def _simplest(steps: list[Step], fails: Callable[[list[Step]], bool], over: Callable[[], bool]) -> list[Step]:
    for at, (name, args) in enumerate(steps):
        for key, values in _SIMPLER.items():
            for value in values:
                if key not in args or args[key] == value or over():
                    continue
                candidate = [*steps[:at], (name, {**steps[at][1], key: value}), *steps[at + 1 :]]
                if fails(candidate):
                    steps = candidate
                    break
    return steps


def script(steps: Iterable[Step]) -> str:
    """The steps as Python: what ``run.py --script FILE`` lives again."""
    return "[\n" + "".join(f"    {step!r},\n" for step in steps) + "]\n"
