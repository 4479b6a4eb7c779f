"""Hard links: what is one file on the primary is one in the copy, and what is two is two, whatever happened between."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from harness import Pair, explain, night_that_keeps_everything

from effects_faults import CountingEffects, KillingEffects, in_child
from nightferry.night.run import Result
from nightferry.tree.effects import Effects

TAKE, OTHER, THIRD = "2026-05 spring concert/01 kyrie.wav", "best of.wav", "2026-05 spring concert/last.wav"


def link(pair: Pair, old: str, new: str) -> None:
    os.link(pair.at(old), pair.at(new))


def groups(root: Path, names: list[str]) -> list[list[str]]:
    """Names by the file that they are, both in their order."""
    found: dict[int, list[str]] = {}
    for name in names:
        found.setdefault((root / name).stat().st_ino, []).append(name)
    return sorted(found.values())


def expect_the_same(pair: Pair, *names: str) -> Result:
    """After a night that joins: the same files of the same names, and a night after it has nothing to do."""
    result = night_that_keeps_everything(pair)
    assert pair.differences() == [], explain(pair, result)
    assert groups(pair.copy, list(names)) == groups(pair.primary, list(names))
    pair.run_quiet()
    return result


def _held(pair: Pair, change: Callable[[], None]) -> None:
    """A night that is held, in which something else happens too."""
    for number in range(5):
        pair.at(f"voices/{number}.txt").unlink()
    change()
    assert pair.run().outcome == "held"
    pair.release()


@pytest.fixture
def pair(make: Callable[..., Pair]) -> Pair:
    pair = make(hold_count=4)
    pair.write(TAKE, b"first take" * 1000)
    for number in range(20):
        pair.write(f"voices/{number}.txt", b"%d" % number)
    pair.run_well()
    return pair


def test_rule_D_a_link_made_in_a_held_night_is_one_after_the_release(pair: Pair) -> None:
    _held(pair, lambda: link(pair, TAKE, OTHER))
    result = expect_the_same(pair, TAKE, OTHER)
    assert result.tally.written_bytes == 0, "nothing is copied for it"
    assert list((pair.retired / f"{result.number:06d}").glob("**/*.wav")) == []


def test_several_links_made_in_a_held_night_and_a_move(pair: Pair) -> None:
    def change() -> None:
        link(pair, TAKE, OTHER)
        link(pair, TAKE, THIRD)
        pair.at(TAKE).rename(pair.at("moved.wav"))

    _held(pair, change)
    expect_the_same(pair, "moved.wav", OTHER, THIRD)


def test_a_link_made_while_the_night_runs(pair: Pair) -> None:
    """Behind the walk's back: the folder of the one name was compared before, that of the other is after."""
    pair.write("zz/new.wav", b"new")
    made = []

    class Linking(Effects):
        @staticmethod
        def scandir(fd: int) -> object:
            where = os.readlink(f"/proc/self/fd/{fd}")
            if where.endswith("/zz") and not made:
                link(pair, TAKE, "zz/kyrie.wav")
                made.append(where)
            return Effects.scandir(fd)

    pair.run_well(effects=Linking())
    assert made
    expect_the_same(pair, TAKE, "zz/kyrie.wav")


def test_names_that_the_primary_split_are_two_files_in_the_copy(pair: Pair) -> None:
    link(pair, TAKE, OTHER)
    link(pair, TAKE, THIRD)
    pair.run_well()
    pair.at(OTHER).unlink()
    shutil.copy2(pair.at(TAKE), pair.at(OTHER))  # as `cp -p --remove-destination`
    expect_the_same(pair, TAKE, OTHER, THIRD)


def test_names_that_were_split_and_joined_otherwise_in_a_held_night(pair: Pair) -> None:
    pair.write("gloria.wav", b"gloria")
    link(pair, TAKE, OTHER)
    link(pair, "gloria.wav", "gloria 2.wav")
    pair.run_well()

    def change() -> None:
        pair.at(OTHER).unlink()
        link(pair, "gloria.wav", OTHER)
        pair.at("gloria 2.wav").unlink()
        link(pair, TAKE, "gloria 2.wav")

    _held(pair, change)
    expect_the_same(pair, TAKE, OTHER, "gloria.wav", "gloria 2.wav")


def _split_in_the_copy(pair: Pair, name: str, *, content: bytes | None = None) -> None:
    """As nights of an older version left it: the rows say one file, the copy has two."""
    copied = pair.copy / name
    there = copied.stat()
    data = copied.read_bytes() if content is None else content
    copied.unlink()
    copied.write_bytes(data)
    copied.chmod(there.st_mode & 0o7777)
    os.utime(copied, ns=(there.st_atime_ns, there.st_mtime_ns))
    with pair.manifest(writable=True) as manifest:  # their turn to be read has come
        manifest.database.connection.execute("UPDATE entry SET read_secondary_s = 1")


def test_files_that_were_apart_before_are_found_by_verification(pair: Pair) -> None:
    link(pair, TAKE, OTHER)
    link(pair, TAKE, THIRD)
    pair.run_well()
    _split_in_the_copy(pair, OTHER)
    expect_the_same(pair, TAKE, OTHER, THIRD)


def test_rule_C_bad_bytes_are_mended_and_never_linked_over_good_ones(pair: Pair) -> None:
    link(pair, TAKE, OTHER)
    pair.run_well()
    good = pair.at(TAKE).read_bytes()
    for name in (OTHER, TAKE):
        _split_in_the_copy(pair, name, content=b"F" + good[1:])
        pair.run()
        pair.run()
        assert [(pair.copy / each).read_bytes() == good for each in (TAKE, OTHER)] == [True, True]
        with pair.manifest(writable=True) as manifest:
            manifest.database.connection.execute("UPDATE entry SET read_secondary_s = 1")
        pair.run()
        assert groups(pair.copy, [TAKE, OTHER]) == groups(pair.primary, [TAKE, OTHER])


def test_rule_E_killed_anywhere_while_it_joins(pair: Pair) -> None:
    pair.set(hold_count=1)
    names = [TAKE]

    def held_with_a_new_link(number: int) -> None:
        for victim in ("soprano.txt", "alto.txt"):
            pair.write(victim, b"%d" % number)
        pair.run_well()
        for victim in ("soprano.txt", "alto.txt"):
            pair.at(victim).unlink()
        names.append(f"take {number}.wav")
        link(pair, TAKE, names[-1])
        assert pair.run().outcome == "held"
        pair.release()

    held_with_a_new_link(0)
    counting = CountingEffects()
    pair.run_well(effects=counting)
    links = [place for place, call in enumerate(counting.calls, 1) if call.name == "link"]
    assert links, "it joins by a link"
    for n in range(links[-1] - 1, min(links[-1] + 14, counting.count)):
        held_with_a_new_link(n)
        in_child(lambda n=n: pair.run(effects=KillingEffects(n)))
        pair.run_well()
        assert pair.differences() == [], f"killed at {n}"
        assert len(groups(pair.copy, names)) == 1, f"killed at {n}"
        assert pair.staging() == []
