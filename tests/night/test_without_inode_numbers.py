"""A primary whose inode numbers and times of change mean nothing: exFAT through FUSE, which numbers files as they are
asked for and gives each the date of its content as its time of change. There content decides.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from harness import Pair
from test_fixity import Box, sha256

from drives import MIB, DriveFactory, need_tools, requires_root_and_loops

pytestmark = requires_root_and_loops

DATE_NS = 1_700_000_000 * 10**9
NAMES = ("kyrie.wav", "gloria.wav", "sanctus.wav")


class Stick(Box):
    """Recordings of one size and date, on exFAT; mounted again before each night."""

    def __init__(self, drives: DriveFactory, tmp_path: Path) -> None:
        need_tools("mkfs.exfat", "mount.exfat-fuse")
        self.drives = (drives("exfat", 64 * MIB), drives("ext4", 96 * MIB))
        self.pair = Pair(*self.drives, tmp_path / "state")
        for name in NAMES:
            self.pair.write(name, os.urandom(300_000))
        self.date()
        self.pair.run_well()
        self.was = {name: sha256(self.pair.at(name)) for name in NAMES}

    def date(self) -> None:
        for path in self.pair.primary.glob("*.wav"):
            os.utime(path, ns=(DATE_NS, DATE_NS))

    def night(self, days: float = 1.01) -> object:
        self.drives[0].remount()
        self.pair.clock.pass_days(days)
        return self.pair.run()

    def in_copy(self) -> dict[str, str]:
        return {path.name: sha256(path) for path in self.pair.copy.glob("*.wav")}


@pytest.fixture
def stick(drives: DriveFactory, tmp_path: Path) -> Stick:
    return Stick(drives, tmp_path)


def test_rule_C_numbers_that_were_given_again_are_no_moves(stick: Stick) -> None:
    """One file is gone and another renamed: after the next mount each has the number that another one had."""
    stick.pair.at("kyrie.wav").unlink()
    stick.pair.at("gloria.wav").rename(stick.pair.at("credo.wav"))
    stick.date()
    result = stick.night()
    assert result.state == "sound"
    assert stick.in_copy() == {"credo.wav": stick.was["gloria.wav"], "sanctus.wav": stick.was["sanctus.wav"]}
    later = stick.night(31)
    assert (later.state, stick.damage()) == ("sound", [])


def test_a_remount_that_numbers_files_anew_is_no_change(stick: Stick) -> None:
    stick.pair.at("kyrie.wav").unlink()
    stick.night()
    result = stick.night()
    assert (result.state, result.tally.changed, result.tally.written_bytes) == ("sound", 0, 0)
    assert result.tally.read_bytes == 0
    assert stick.in_copy() == {name: stick.was[name] for name in NAMES[1:]}


def _swap(stick: Stick) -> None:
    one, other = stick.pair.at("kyrie.wav"), stick.pair.at("gloria.wav")
    one.rename(stick.pair.at("swap"))
    other.rename(one)
    stick.pair.at("swap").rename(other)
    stick.date()


def test_rule_C_a_swap_of_names_is_seen_within_the_cycle_and_not_carried(stick: Stick) -> None:
    _swap(stick)
    stick.night()
    result = stick.night(31)
    assert result.state == "attention"
    damage = stick.damage()
    assert sorted(each[:3] for each in damage) == [
        (b"gloria.wav", "primary", "decayed"), (b"kyrie.wav", "primary", "decayed"),
    ]  # fmt: skip
    assert all("not to be told apart from an edit" in each[3] for each in damage)
    assert stick.in_copy() == stick.was
    assert stick.pair.held() == {}


def test_rule_C_a_swap_that_a_person_takes_as_it_is_is_copied(stick: Stick) -> None:
    _swap(stick)
    stick.night(31)
    stick.pair.accept_all()
    result = stick.night()
    assert (result.state, stick.damage()) == ("sound", [])
    now = stick.in_copy()
    assert (now["kyrie.wav"], now["gloria.wav"]) == (stick.was["gloria.wav"], stick.was["kyrie.wav"])


def test_rule_C_an_edit_under_the_old_date_is_told_as_what_it_is(stick: Stick) -> None:
    path = stick.pair.at("kyrie.wav")
    with path.open("r+b") as file:
        file.write(b"RIFF")
    stick.date()
    result = stick.night(31)
    assert result.state == "attention"
    (damage,) = stick.damage()
    assert "not to be told apart from an edit" in damage[3]
    assert stick.in_copy() == stick.was


def test_rule_C_a_copy_is_not_mended_from_a_file_that_only_has_its_name_and_date(stick: Stick) -> None:
    """Both are wrong for the row then: nothing is replaced on either drive."""
    stick.rot(1, stick.pair.copy / "kyrie.wav", 5_000)
    bad = sha256(stick.pair.copy / "kyrie.wav")
    _swap(stick)
    before = {name: sha256(stick.pair.at(name)) for name in NAMES}
    stick.night(31)
    assert stick.in_copy()["kyrie.wav"] == bad
    assert {name: sha256(stick.pair.at(name)) for name in NAMES} == before
    assert ("secondary", "decayed") in {each[1:3] for each in stick.damage()}


def test_rule_C_a_folder_of_the_same_number_with_other_files_of_one_date_is_read(stick: Stick) -> None:
    stick.pair.write("2025/take.wav", os.urandom(200_000))
    stick.pair.write("2026/take.wav", os.urandom(200_000))
    for year in ("2025", "2026"):
        os.utime(stick.pair.at(f"{year}/take.wav"), ns=(DATE_NS, DATE_NS))
    assert stick.night().state == "sound"
    stick.pair.at("2025/take.wav").unlink()
    stick.pair.at("2025").rmdir()
    stick.pair.at("2026").rename(stick.pair.at("2027"))
    stick.date()
    wanted = sha256(stick.pair.at("2027/take.wav"))
    for days in (1.01, 31):
        stick.night(days)
        assert sha256(stick.pair.copy / "2027/take.wav") == wanted or stick.damage()
    assert not (stick.pair.copy / "2026").exists()
