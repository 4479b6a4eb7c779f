"""Reading back what was just written, stopped half way: what was not read back is said, and comes first next time."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import timedelta
from itertools import pairwise

import pytest
from harness import Pair, explain

from drives import MIB
from nightferry.night import copying
from nightferry.night.commit import Pending
from nightferry.night.context import Night, Stop
from nightferry.night.readback import read_back
from nightferry.tree.effects import Effects


class StopsAtReading(Effects):
    """Asks to stop when the copy with this number (from 1) is opened to be read back."""

    def __init__(self, stop: Stop, pair: Pair, number: int) -> None:
        self._opened: set[int] = set()
        copy = os.fsencode(pair.copy)

        def fstat(fd: int) -> os.stat_result:
            path = os.readlink(b"/proc/self/fd/%d" % fd)
            if path.startswith(copy) and path.endswith(b".wav"):
                self._opened.add(os.fstat(fd).st_ino)
                if len(self._opened) >= number:
                    stop.request("asked to stop")
            return os.fstat(fd)

        self.fstat = fstat


def never_read(pair: Pair) -> list[str]:
    with pair.manifest() as manifest:
        rows = manifest.database.connection.execute(
            "SELECT name FROM entry WHERE kind = 2 AND read_secondary_s IS NULL ORDER BY name"
        )
        return [name.decode() for (name,) in rows]


@pytest.mark.parametrize("size_bytes", [1_000, 20 * MIB], ids=["between files", "within one"])
def test_a_stop_amid_reading_back_is_said_and_counted(pair: Pair, size_bytes: int) -> None:
    for number in range(4):
        pair.write(f"rehearsal/{number}.wav", os.urandom(size_bytes + number))
    stop = Stop(pair.clock)
    result = pair.run(stop=stop, effects=StopsAtReading(stop, pair, 2))
    assert result.outcome == "interrupted", explain(pair, result)
    assert result.tally.added == 4  # they were committed
    left = never_read(pair)
    assert result.tally.not_read_back == len(left) in (2, 3)  # one that was under way may have been finished
    assert result.tally.read_back_files == 4 - len(left)
    (note,) = [note for note in result.notes if "not read back" in note]
    assert f"{len(left)} new copies were not read back" in note


def test_the_next_night_reads_what_was_not_read_back_before_all_else(pair: Pair) -> None:
    for number in range(6):
        pair.write(f"rehearsal/{number}.wav", os.urandom(1_000))
    stop = Stop(pair.clock)
    pair.run(stop=stop, effects=StopsAtReading(stop, pair, 2))
    left = never_read(pair)
    assert len(left) in (4, 5)
    result = pair.run_well()  # within the same day, when nothing else is read
    assert never_read(pair) == []
    assert result.tally.verified_secondary_bytes == len(left) * 1_000
    assert result.tally.verified_primary_bytes == 0


def test_a_first_night_without_read_back_is_read_in_the_nights_of_the_cycle(pair: Pair) -> None:
    """Read all at once, it would have been read back after all; an even share of it is due each night."""
    pair.set(read_back="off", verify_cycle=timedelta(days=10))
    for number in range(100):
        pair.write(f"rehearsal/{number:03}.wav", os.urandom(1_000))
    left = [100]
    for _ in range(10):
        pair.run_well()
        left.append(len(never_read(pair)))
        pair.clock.pass_days(1)
    shares = [before - after for before, after in pairwise(left)]
    assert all(10 <= share <= 13 for share in shares[:8]), left  # an even share, with what is read beyond it
    assert left[-1] == 0


def test_a_mended_copy_that_was_not_read_back_stays_in_the_register(pair: Pair) -> None:
    pair.write("kyrie.wav", os.urandom(20 * MIB))
    pair.run_well()
    (pair.copy / "kyrie.wav").write_bytes(b"not the kyrie")
    pair.clock.pass_days(31)
    stop = Stop(pair.clock)
    result = pair.run(stop=stop, effects=StopsAtReading(stop, pair, 2))  # the bad one, then the one put in its place
    assert (result.outcome, result.tally.mended) == ("interrupted", 0)
    assert (pair.copy / "kyrie.wav").read_bytes() == pair.at("kyrie.wav").read_bytes()
    with pair.manifest() as manifest:
        assert [each.path for each in manifest.runs.damage()] == [b"kyrie.wav"]
    pair.clock.pass_days(1.01)
    assert pair.run_well().open_damage == 0


def test_rule_C_a_file_of_two_names_that_reads_back_wrong_is_written_again_under_both(
    pair: Pair, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = pair.write("a/kyrie.wav", b"k" * 300_000)
    pair.at("b").mkdir()
    os.link(first, pair.at("b/kyrie.wav"))
    pair.set(verify_share=0.0)
    copies = [pair.copy / "a/kyrie.wav", pair.copy / "b/kyrie.wav"]
    spoiled: list[int] = []

    def read_back_of_rot(night: Night, placed: list[Pending], copy_again: Callable[[Pending], list[Pending]]) -> int:
        if placed and not spoiled:
            spoiled.append(copies[0].stat().st_ino)
            with copies[0].open("r+b") as file:
                file.write(b"ROT")
                file.flush()
                os.fsync(file.fileno())
            os.utime(copies[0], ns=(0, first.stat().st_mtime_ns))
        return read_back(night, placed, copy_again)

    monkeypatch.setattr(copying, "read_back", read_back_of_rot)
    pair.run()
    assert spoiled
    assert [copy.read_bytes() for copy in copies] == [first.read_bytes()] * 2
    assert copies[0].stat().st_ino == copies[1].stat().st_ino != spoiled[0]
    assert pair.differences() == []
