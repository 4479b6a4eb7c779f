"""A share of the exhaustive set, evenly spread; the whole is for ``python tests/lives/exhaustive.py``."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
from crash_world import fast_folder

from counts import count_case
from lives.cases import SLOTS, Case, case, sequences, total
from lives.events import empty_primary
from lives.exhaustive import run_all
from lives.looking import Tree
from lives.small_tree import SmallTree, Step, changes, first_steps, first_tree
from lives.world import World

# Another remainder for each release, so that in time every case is lived. The step is prime: it meets each slot.
STEP, REMAINDER = 2503, 17
# Only a change of the alphabet or of the events changes them, and then all numbers mean something else.
SEQUENCES, NUMBERS = 5_211, 339_504

_Row = tuple[str, int, int, frozenset[bytes], frozenset[bytes]]  # kind, size, mode, names that share inode, content


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    folder, remove = fast_folder(tmp_path)
    made = World(folder / "world")
    try:
        yield made
    finally:
        made.close()
        remove()


def test_the_model_does_what_the_kernel_does(world: World) -> None:
    """Each change, and one of those behind it: kinds, sizes, modes, hard links, and which contents are equal."""
    first = first_tree()
    for at, one in enumerate(changes(first, 11)):
        twos = list(changes(first.changed(one), 12))
        for steps in ([one], [one, twos[at % len(twos)]]):
            tree = first
            for step in steps:
                tree = tree.changed(step)
            assert _as_kernel(world, steps) == _rows(tree), steps


def _as_kernel(world: World, steps: list[Step]) -> dict[bytes, _Row]:
    empty_primary(world)
    for step in [*first_steps(), *steps]:
        world.perform(step)
    found: Tree = world.oracle.look_primary()
    things = {path: thing for path, thing in found.things.items() if path}
    inodes, contents = _equal(found.inodes), _equal({path: thing.key for path, thing in things.items()})
    return {
        path: (thing.kind, thing.size_bytes, thing.mode, inodes.get(path, frozenset()), contents[path])
        for path, thing in things.items()
    }


def _rows(tree: SmallTree) -> dict[bytes, _Row]:
    files = {path: id(node) for path, node in tree.nodes.items() if node.kind == "f"}
    inodes, contents = _equal(files), _equal({path: (node.kind, node.content) for path, node in tree.nodes.items()})
    return {
        path: (
            node.kind, node.size, node.mode if node.kind != "l" else 0, inodes.get(path, frozenset()), contents[path]
        )
        for path, node in tree.nodes.items()
    }  # fmt: skip


def _equal(given: Mapping[bytes, object]) -> dict[bytes, frozenset[bytes]]:
    """Of each name, those that have the same."""
    return {path: frozenset(each for each in given if given[each] == value) for path, value in given.items()}


def test_two_changes_that_a_night_cannot_tell_apart_are_one() -> None:
    first = first_tree()

    def after(*steps: Step) -> SmallTree:
        tree = first
        for step in steps:
            tree = tree.changed(step)
        return tree

    touch: Step = ("touch", {"path": b"spring/credo.wav"})
    gloria: Step = ("delete", {"path": b"advent/gloria.wav"})
    kyrie: Step = ("delete", {"path": b"advent/kyrie.wav"})
    assert after(touch, gloria).key() == after(gloria, touch).key()
    assert after(gloria).key() == after(kyrie).key(mirrored=True) != after(kyrie).key()
    assert after(touch).key() != first.key() == after().key()
    overwritten: Step = ("write", {"path": b"spring/credo.wav", "number": 1, "size": 500})
    saved: Step = ("save", {"path": b"spring/credo.wav", "number": 1, "size": 500})
    assert after(overwritten).key() != after(saved).key(), "another inode"


def test_a_number_stays_with_its_case() -> None:
    assert (len(sequences()), total()) == (SEQUENCES, NUMBERS)
    quiet = case(0)
    assert quiet is not None and quiet.kind == "nothing"
    assert case(SLOTS - 1) is None
    chosen = [_well_named(each) for each in map(case, range(REMAINDER, total(), STEP)) if each is not None]
    assert {kind for _, kind in chosen} >= {"nothing", "killed", "sample"}
    assert {shape for shape, _ in chosen} == {"together", "apart", "three"}


def _well_named(chosen: Case) -> tuple[str, str]:
    assert case(chosen.number) == chosen
    return chosen.shape, chosen.kind


def test_E_a_share_of_all_small_lives() -> None:
    """Each kept night is restored as it was, or what is missing is named; nothing is lost, false or crosses."""
    done = [each for each in run_all(range(REMAINDER, total(), STEP)) if each.reached]
    count_case("small lives", len(done))
    assert len(done) > 40
    failed = [f"{each.number} ({each.kind}): [{each.rule}] {each.message}" for each in done if each.rule is not None]
    assert not failed, "\n".join([f"python tests/lives/exhaustive.py --case N, of {len(failed)}:", *failed])
