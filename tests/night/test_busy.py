"""The day's busy folders: read first, and waited for until they are quiet. A hint that changes nothing else."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from harness import MovedClock, Pair

from drives import DriveFactory
from effects_faults import CountingEffects


@pytest.fixture
def pair(tmp_path: Path) -> Pair:
    return Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")


def named(effects: CountingEffects) -> list[str]:
    """The files in the order in which they were given their names in the copy."""
    found = [os.fsdecode(call.args[1]) for call in effects.calls if call.name in ("rename", "rename_new")]
    return [name for name in found if name.endswith(".wav")]


def test_the_day_is_copied_first(pair: Pair) -> None:
    for folder in ("1990 tour", "2026-05 spring concert", "2026-06 rehearsals"):
        for name in ("01", "02"):
            pair.write(f"{folder}/{folder[:7]}-{name}.wav", folder.encode() * 50)
    effects = CountingEffects()
    result = pair.run(effects=effects, busy=(b"2026-06 rehearsals", b"2026-05 spring concert/not there", b""))
    assert result.outcome == "complete"
    assert named(effects) == [
        "2026-06-01.wav", "2026-06-02.wav",
        "1990 to-01.wav", "1990 to-02.wav", "2026-05-01.wav", "2026-05-02.wav",
    ]  # fmt: skip
    assert pair.differences() == []


@pytest.mark.parametrize(
    "busy", [(b"../..",), (b"/etc",), (b"a folder" * 600,), (b"a file.wav",), (b"\xff",), (b"link",), (b"x/" * 5000,)]
)
def test_rule_I_a_hint_leads_nowhere_and_ends_nothing(pair: Pair, busy: tuple[bytes, ...]) -> None:
    """What day.json says may be old, wrong, or written by somebody."""
    pair.write("a file.wav", b"kyrie")
    (pair.primary / "link").symlink_to("/etc")
    # The folder lies on a disk of this machine, which is never quiet.
    pair.set(settle_quiet=timedelta(seconds=0.2), settle_limit=timedelta(seconds=0.5))
    assert pair.run(busy=busy).outcome == "complete"
    assert pair.differences() == []


class Recorder(MovedClock):
    """A clock whose time passes at once, and somebody who works while it does."""

    def __init__(self, work: Callable[[int], None]) -> None:
        super().__init__()
        self.waited = 0
        self._passed_s = 0.0
        self._work = work

    def monotonic_s(self) -> float:
        return super().monotonic_s() + self._passed_s

    def sleep(self, seconds: float) -> None:
        self._passed_s += seconds
        self.waited += 1
        self._work(self.waited)


def test_a_file_that_is_written_in_place_is_waited_for(drives: DriveFactory, tmp_path: Path) -> None:
    """No name comes and no room goes, and the drive hears of it half a minute later: only the file's own date tells."""
    primary = drives("ext4", name="one")
    pair = Pair(primary, drives("ext4", name="two"), tmp_path / "state")
    concert = b"2026-05 spring concert"
    take = pair.primary / os.fsdecode(concert) / "01 kyrie.wav"
    pair.write(f"{os.fsdecode(concert)}/01 kyrie.wav", b"take 000")
    pair.set(settle_quiet=timedelta(seconds=5), settle_limit=timedelta(minutes=5))
    began_ns = take.stat().st_mtime_ns
    primary.sync()

    def work(step: int) -> None:
        if step <= 40:  # for 20 s by the clock
            with take.open("r+b") as file:
                file.write(b"take %03d" % step)
            os.utime(take, ns=(began_ns, began_ns + step))

    clock = Recorder(work)
    pair.run_well(clock=clock, busy=(concert,))
    assert clock.waited >= 50, "the last take, and then five seconds of quiet"
    assert (pair.secondary / "copy" / os.fsdecode(concert) / "01 kyrie.wav").read_bytes() == b"take 040"
