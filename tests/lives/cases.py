"""All cases of the exhaustive set, each under a number that stays: a sequence of changes, its nights, and an event.

The tree is that of small_tree.py. A sequence is two changes, either seen by one night (``together``) or with a night
between (``apart``). Sequences that a night cannot tell apart count once, also where only the names of the two files of
one folder are changed over. Each sequence has a slot for each event, so that ``number = sequence * SLOTS + slot``; a
slot that its sequence does not have (a fourth file to rot, a fortieth barrier) is empty. Behind all of them stand
three changes by sample.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Iterator
from random import Random
from typing import NamedTuple

from lives.small_tree import FILES, SmallTree, Step, changes, first_steps, first_tree

NIGHT: Step = ("night", {})
HELD: Step = ("held_night", {})
RELEASE: Step = ("release", {})
LOSE: Step = ("lose_state", {})
VERIFY: Step = ("verify", {})
# Where two files more have to go, so that any change at all is held: a limit of one file is the smallest there is.
GOING = (b"scans/1.png", b"scans/2.png")
ROT_AT = {"primary": 7, "copy": 11}  # the byte that is flipped: never the same on both drives
MOST_FILES = 4
MOST_POINTS = 40  # barriers of one night
# Of the night between two changes not every barrier is tried with every second change, but these many, in turn.
POINTS_BETWEEN, LIKELY_POINTS = 3, 24
SAMPLES = 6_000
SLOTS = 64


class Case(NamedTuple):
    """``kind`` names the event, for counting; ``steps`` the whole life."""

    number: int
    shape: str  # together, apart, three
    kind: str
    steps: tuple[Step, ...]

    @property
    def told(self) -> str:
        return f"{self.shape}: {self.kind}"


class Sequence(NamedTuple):
    shape: str
    changes: tuple[Step, ...]
    between: tuple[bytes, ...] = ()  # files that stand when the night between has ended


@functools.cache
def sequences() -> tuple[Sequence, ...]:
    """Every sequence of two changes that a night can tell from all others."""
    first = first_tree()
    together: dict[object, Sequence] = {}
    apart: dict[object, Sequence] = {}
    for one in changes(first, 11):
        after = first.changed(one)
        seen = after.seen()
        keys = after.key(), after.key(mirrored=True)
        for two in changes(after, 12):
            last, later = after.changed(two), seen.changed(two)
            _enter(together, [last.key(), last.key(mirrored=True)], Sequence("together", (one, two)))
            both = [(keys[0], later.key()), (keys[1], later.key(mirrored=True))]
            _enter(apart, both, Sequence("apart", (one, two), tuple(after.of("f"))))
    return *together.values(), *apart.values()


def _enter(known: dict[object, Sequence], keys: Iterable[object], sequence: Sequence) -> None:
    plain, mirrored = keys
    if plain not in known and mirrored not in known:
        known[plain] = sequence


def total() -> int:
    """How many numbers there are; some have no case."""
    return len(sequences()) * SLOTS + SAMPLES


def case(number: int) -> Case | None:
    """The case of a number, None where it has none."""
    place, slot = divmod(number, SLOTS)
    if number >= len(sequences()) * SLOTS:
        return _three(number, number - len(sequences()) * SLOTS)
    sequence = sequences()[place]
    events = _together(sequence) if sequence.shape == "together" else _apart(sequence, place)
    found = next((each for at, *each in events if at == slot), None)
    if found is None:
        return None
    kind, steps = found
    return Case(number, sequence.shape, kind, (*_begin(kind), *steps, *_end(number)))


def _begin(kind: str) -> Iterator[Step]:
    yield from first_steps()
    if kind.startswith("held"):
        for number, path in enumerate(GOING, start=7):
            yield "write", {"path": path, "number": number, "size": 100}
    yield NIGHT


def _end(number: int) -> Iterator[Step]:
    """One in four is restored before the pair is calm, one in eight from both places."""
    spread = (number * 2_654_435_761 >> 7) % 16  # multiplicative hashing: Knuth, TAOCP 3, 6.4
    alone = spread % 2 == 0
    if spread < 4:
        yield "restore_nights", {"alone": not alone}
    yield "converge", {}
    yield "restore_nights", {"alone": alone}
    if spread in (4, 5):
        yield "restore_nights", {"alone": not alone}


def _killed(point: int) -> Step:
    return "disturbed_night", {"how": "barrier", "at": point}


def _rot(side: str, path: bytes) -> Step:
    return f"rot_{side}", {"path": path, "at": ROT_AT[side]}


_Event = tuple[int, str, tuple[Step, ...]]  # slot, kind, steps after the first night


def _together(sequence: Sequence) -> Iterator[_Event]:
    both = sequence.changes
    yield 0, "nothing", (*both, NIGHT)
    yield 1, "state lost before", (*both, LOSE, NIGHT)
    yield 2, "state lost after", (*both, NIGHT, LOSE)
    yield 3, "held", (*_going(), *both, HELD, RELEASE, NIGHT)
    for at, path in enumerate(FILES):
        yield 4 + at, "rot on the primary, unknown", (_rot("primary", path), *both, NIGHT)
        yield 8 + at, "rot on the primary, known", (_rot("primary", path), VERIFY, *both, NIGHT)
        yield 12 + at, "rot in the copy", (_rot("copy", path), *both, NIGHT)
    for at in range(4):
        point = 6 + 5 * at
        yield 16 + at, "killed, and the state lost", (*both, _killed(point), LOSE, NIGHT)
    for point in range(1, MOST_POINTS + 1):
        yield 20 + point, "killed", (*both, _killed(point), NIGHT)


def _apart(sequence: Sequence, place: int) -> Iterator[_Event]:
    one, two = sequence.changes
    yield 0, "nothing", (one, NIGHT, two, NIGHT)
    yield 1, "state lost between", (one, NIGHT, LOSE, two, NIGHT)
    yield 2, "held, changed and released", (*_going(), one, HELD, two, RELEASE, NIGHT)
    yield 3, "held, released and changed", (*_going(), one, HELD, RELEASE, two, NIGHT)
    for at, path in enumerate(sequence.between[:MOST_FILES]):
        yield 4 + at, "rot on the primary between", (one, NIGHT, _rot("primary", path), two, NIGHT)
    path = sequence.between[place % len(sequence.between)] if sequence.between else b""
    if path:
        yield 12, "rot in the copy between", (one, NIGHT, _rot("copy", path), two, NIGHT)
    for at in range(POINTS_BETWEEN):
        point = 1 + (place + at * LIKELY_POINTS // POINTS_BETWEEN) % LIKELY_POINTS
        yield 20 + at, "killed between", (one, _killed(point), two, NIGHT)


def _going() -> Iterator[Step]:
    for path in GOING:
        yield "delete", {"path": path}


# --- three changes


def _three(number: int, seed: int) -> Case | None:
    """Three changes with nights between them or not, and one or two events somewhere."""
    if seed >= SAMPLES:
        return None
    random = Random(seed)
    tree: SmallTree = first_tree()
    steps: list[Step] = []
    for at in range(3):
        step = random.choice(list(changes(tree, 11 + at)))
        tree = tree.changed(step)
        steps.append(step)
        if at < 2 and random.random() < 0.5:
            steps.append(random.choice((NIGHT, NIGHT, _killed(random.randrange(1, LIKELY_POINTS)))))
    for _ in range(random.choice((1, 1, 2))):
        event = random.choice((LOSE, VERIFY, _rot("primary", random.choice(FILES)), _rot("copy", random.choice(FILES))))
        steps.insert(random.randrange(len(steps) + 1), event)
    if random.random() < 0.5:
        steps.append(_killed(random.randrange(1, LIKELY_POINTS)))
    return Case(number, "three", "sample", (*_begin(""), *steps, NIGHT, *_end(number)))
