"""The failing drive itself: what other tests rely on when they say that a drive was slow, or two asked at once."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from faulty_fuse import FaultyDrive


@pytest.fixture
def drive(tmp_path: Path) -> Iterator[FaultyDrive]:
    with FaultyDrive(tmp_path / "behind", tmp_path / "mnt") as made:
        (made.behind / "slow.wav").write_bytes(b"slow")
        (made.behind / "quick.wav").write_bytes(b"quick")
        yield made


class Reader(threading.Thread):
    """Reads a file, and notes whether ``lifted`` was set when it had it."""

    def __init__(self, path: Path, lifted: threading.Event) -> None:
        super().__init__(daemon=True)
        self._path, self._lifted = path, lifted
        self.content, self.after_lifting = b"", False

    def run(self) -> None:
        self.content = self._path.read_bytes()
        self.after_lifting = self._lifted.is_set()


def test_a_hanging_read_ends_when_the_fault_is_lifted_and_not_before(drive: FaultyDrive) -> None:
    drive.delay("slow.wav", "read", seconds=None)
    lifted = threading.Event()
    reader = Reader(drive.root / "slow.wav", lifted)
    reader.start()
    assert (drive.root / "quick.wav").read_bytes() == b"quick"  # others are served meanwhile
    reader.join(0.5)  # time enough to end, were it not held up
    lifted.set()
    drive.heal()
    reader.join(60)
    assert (reader.content, reader.after_lifting) == (b"slow", True)


def test_a_delayed_read_takes_at_least_so_long(drive: FaultyDrive) -> None:
    drive.delay("slow.wav", "read", seconds=0.3)
    started_s = time.monotonic()
    assert (drive.root / "slow.wav").read_bytes() == b"slow"
    assert time.monotonic() - started_s >= 0.3  # a lower bound: a busy machine only makes it longer


@pytest.mark.parametrize("operation", ["open", "getattr", "readdir"])
def test_other_operations_can_be_delayed_too(drive: FaultyDrive, operation: str) -> None:
    drive.delay("slow.wav" if operation != "readdir" else "", operation, seconds=0.2)
    started_s = time.monotonic()
    if operation == "readdir":
        assert sorted(os.listdir(drive.root)) == ["quick.wav", "slow.wav"]
    else:
        assert (drive.root / "slow.wav").read_bytes() == b"slow"
    assert time.monotonic() - started_s >= 0.2


def test_two_reads_that_are_to_meet_wait_for_each_other(drive: FaultyDrive, tmp_path: Path) -> None:
    mine, theirs = tmp_path / "mine", tmp_path / "theirs"
    drive.meet("slow.wav", "read", mine, theirs)
    drive.meet("quick.wav", "read", theirs, mine)
    readers = [Reader(drive.root / name, threading.Event()) for name in ("slow.wav", "quick.wav")]
    for reader in readers:
        reader.start()
    for reader in readers:
        reader.join(60)
    assert [reader.content for reader in readers] == [b"slow", b"quick"]


def test_a_read_that_nobody_meets_fails(drive: FaultyDrive, tmp_path: Path) -> None:
    drive.meet("slow.wav", "read", tmp_path / "mine", tmp_path / "never", limit_s=0.2)
    with pytest.raises(OSError, match="Input/output"):
        (drive.root / "slow.wav").read_bytes()
    assert (tmp_path / "mine").exists()
