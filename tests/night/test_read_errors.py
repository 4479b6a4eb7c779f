"""Drives that report read errors: the night names them, goes on, and loses nothing. Rules B and G."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from harness import Pair

from faulty_fuse import FaultyDrive

KYRIE = "2026-05 spring concert/01 kyrie.wav"
GLORIA = "2026-05 spring concert/02 gloria.wav"
BLOCK = 4096


class Box:
    """A pair of two such drives after its first night, a day later. Each is a mount of its own."""

    def __init__(self, primary: FaultyDrive, secondary: FaultyDrive, state_dir: Path) -> None:
        self.primary, self.secondary = primary, secondary
        self.pair = Pair(primary.root, secondary.root, state_dir, require_mount=True)

    def night(self) -> object:
        self.pair.clock.pass_days(1.01)
        self.primary.drop_caches()
        return self.pair.run()

    def register(self) -> list[tuple[bytes, str, str, bool]]:
        with self.pair.manifest() as manifest:
            return [
                (path, side, verdict, closed is not None)
                for path, side, verdict, closed in manifest.database.connection.execute(
                    "SELECT path, side, verdict, closed_run FROM damage ORDER BY id"
                )
            ]


@pytest.fixture
def box(tmp_path: Path) -> Iterator[Box]:
    with (
        FaultyDrive(tmp_path / "one", tmp_path / "mnt-one") as one,
        FaultyDrive(tmp_path / "two", tmp_path / "mnt-two") as two,
    ):
        made = Box(one, two, tmp_path / "state")
        made.pair.write(KYRIE, os.urandom(300_000))
        made.pair.write(GLORIA, os.urandom(200_000))
        made.pair.write("programme.txt", "Kyrie, Gloria, Sanctus\n")
        made.pair.run_well()
        yield made


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_the_faults_are_real(box: Box) -> None:
    box.primary.fail_reading(KYRIE, 100_000, 104_096)
    box.primary.fail("2026-05 spring concert", "readdir")
    box.primary.drop_caches()
    with pytest.raises(OSError, match="Input/output error"):
        box.pair.at(KYRIE).read_bytes()
    with pytest.raises(OSError, match="Input/output error"):
        os.listdir(box.pair.at("2026-05 spring concert"))
    box.primary.heal()
    assert len(box.pair.at(KYRIE).read_bytes()) == 300_000


@pytest.mark.parametrize("start", [0, 100_000, 299_000])
def test_rule_G_a_new_file_of_the_primary_that_cannot_be_read(box: Box, start: int) -> None:
    box.pair.write("new/1 bad.wav", os.urandom(300_000))
    box.pair.write("new/2 good.wav", os.urandom(5_000))
    box.primary.fail_reading("new/1 bad.wav", start, start + BLOCK)
    result = box.night()
    assert (result.outcome, result.tally.unreadable, result.tally.added) == ("partial", 1, 1)
    assert box.pair.left_out(2) == {b"new/1 bad.wav": "unreadable"}
    assert sorted(os.listdir(box.pair.copy / "new")) == ["2 good.wav"]
    assert box.pair.staging() == []
    box.primary.heal()
    assert box.night().outcome == "complete"
    assert sha256(box.pair.copy / "new/1 bad.wav") == sha256(box.pair.at("new/1 bad.wav"))


def test_rule_C_a_known_file_of_the_primary_that_cannot_be_read_is_damage(box: Box) -> None:
    good = sha256(box.pair.copy / KYRIE)
    box.primary.fail_reading(KYRIE, 200_000, 204_096)
    result = box.night()
    assert result.state == "attention"
    assert box.register() == [(KYRIE.encode(), "primary", "unreadable", False)]
    assert sha256(box.pair.copy / KYRIE) == good
    assert box.pair.held() == {}


@pytest.mark.parametrize("start", [0, 100_000, 299_000])
def test_rule_C_an_unreadable_copy_is_mended_in_the_same_night(box: Box, start: int) -> None:
    good = sha256(box.pair.at(KYRIE))
    box.secondary.fail_reading("copy/" + KYRIE, start, start + BLOCK)
    mended = box.secondary.behind / "copy" / KYRIE
    bad_inode = os.stat(mended).st_ino
    # All is due. Of a slice, files that were read on the same day come in the order of their inode numbers, and which
    # of two new files gets the lower one is up to whoever else makes and removes files there.
    box.pair.clock.pass_days(30)
    result = box.night()
    assert (result.outcome, result.tally.damage, result.tally.mended) == ("complete", 1, 1)
    assert os.stat(mended).st_ino != bad_inode
    assert sha256(mended) == good
    (held,) = box.pair.held().values()
    assert held.past.reason == "decayed"
    assert os.stat(os.fsencode(box.secondary.behind) + b"/retired/" + held.past.held).st_ino == bad_inode
    assert box.register() == [(KYRIE.encode(), "secondary", "unreadable", True)]


@pytest.mark.parametrize("operation", ["readdir", "getattr"])
def test_rule_B_a_folder_of_the_primary_that_cannot_be_read_keeps_its_copy(box: Box, operation: str) -> None:
    box.pair.write("programme.txt", "Kyrie only\n")
    box.primary.fail("2026-05 spring concert", operation)
    result = box.night()
    assert result.outcome == "partial"
    assert result.tally.removed == 0
    assert result.tally.changed == 1  # the others went on
    assert box.pair.left_out(2)[b"2026-05 spring concert"] == "unreadable"
    assert len((box.secondary.behind / "copy" / KYRIE).read_bytes()) == 300_000
    box.primary.heal()
    assert box.night().state in ("sound", "attention")
    assert {each.past.reason for each in box.pair.held().values()} == {"changed"}


def test_rule_G_a_folder_of_the_secondary_that_cannot_be_listed(box: Box) -> None:
    """It is named; what it holds is read by name all the same; everything goes on, and it is closed when healed."""
    box.pair.write("programme.txt", "Kyrie only\n")
    before = (box.secondary.behind / "copy" / KYRIE).read_bytes()
    box.secondary.fail("copy/2026-05 spring concert", "readdir")
    box.pair.clock.pass_days(30)
    result = box.night()
    assert (result.tally.changed, result.tally.damage, result.tally.mended) == (1, 1, 0)
    assert (result.outcome, result.state) == ("partial", "attention")
    assert result.tally.verified_secondary_bytes >= 500_000
    assert box.register() == [(b"2026-05 spring concert", "secondary", "unreadable", False)]
    assert (box.secondary.behind / "copy" / KYRIE).read_bytes() == before
    assert (box.secondary.behind / "copy/programme.txt").read_text() == "Kyrie only\n"
    box.secondary.heal()
    assert box.night().state == "sound"
    assert box.register() == [(b"2026-05 spring concert", "secondary", "unreadable", True)]


def test_rule_G_a_folder_of_the_secondary_that_cannot_be_opened(box: Box) -> None:
    """Everything in it is unreadable, what is elsewhere goes on; healed, all of it reads right again."""
    box.pair.write("programme.txt", "Kyrie only\n")
    before = (box.secondary.behind / "copy" / KYRIE).read_bytes()
    box.secondary.fail("copy/2026-05 spring concert", "getattr")
    box.pair.clock.pass_days(30)
    result = box.night()
    assert result.state == "attention"
    assert result.tally.mended == 0
    assert (box.secondary.behind / "copy/programme.txt").read_text() == "Kyrie only\n"
    assert (box.secondary.behind / "copy" / KYRIE).read_bytes() == before
    assert {row[:3] for row in box.register()} == {
        (name.encode(), "secondary", "unreadable") for name in ("2026-05 spring concert", KYRIE, GLORIA)
    }
    box.secondary.heal()
    assert box.night().outcome == "complete"
    assert all(row[3] for row in box.register())
    assert (box.secondary.behind / "copy" / KYRIE).read_bytes() == before
