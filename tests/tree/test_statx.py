"""Metadata of many names at once, against what the standard library says of each."""

from __future__ import annotations

import errno
import os
import socket
import subprocess
from pathlib import Path

import pytest

from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Stat
from nightferry.tree.statx import NAMES_LIMIT, Records, stat_all, stat_by_library


def make_everything(folder: Path) -> None:
    (folder / "kyrie.wav").write_bytes(b"k" * 5000)
    (folder / "empty").touch()
    with open(folder / "holes", "wb") as file:
        file.truncate(3 << 32)
    (folder / "scores").mkdir()
    (folder / "latest").symlink_to("kyrie.wav")
    os.link(folder / "kyrie.wav", folder / "same")
    os.mkfifo(folder / "pipe")
    server = socket.socket(socket.AF_UNIX)
    server.bind(str(folder / "socket"))
    server.close()
    os.utime(folder / "empty", ns=(1, -1_500_000_000))  # before 1970, not a whole second
    os.utime(folder / "holes", ns=(1, 4_102_444_800_123_456_789))
    os.chmod(folder / "kyrie.wav", 0o6751)
    if os.geteuid() == 0:
        os.chown(folder / "kyrie.wav", 4_000_000_000, 3_999_999_999)


def test_when_a_folder_was_made(tmp_path: Path) -> None:
    folder = tmp_path / "advent"
    folder.mkdir()
    fd = os.open(tmp_path, os.O_RDONLY)
    try:
        born = Effects.born_ns(b"advent", dir_fd=fd)
        # stat(1) asks the kernel on its own way; it prints "-" where a file system keeps no such time.
        said = subprocess.run(["stat", "-c", "%.9W", folder], capture_output=True, text=True, check=True).stdout.strip()
        assert (None if born is None else f"{born // 10**9}.{born % 10**9:09}") == (
            said if said[0] not in "-0" else None
        )
        os.utime(folder, ns=(1, 1))
        folder.rename(tmp_path / "christmas")
        assert Effects.born_ns(b"christmas", dir_fd=fd) == born
        assert Effects.born_ns(b"advent", dir_fd=fd) is None
    finally:
        os.close(fd)


@pytest.mark.parametrize("look", [stat_all, stat_by_library])
def test_numbers_are_those_of_the_standard_library(look, tmp_path: Path) -> None:
    make_everything(tmp_path)
    names = sorted(map(os.fsencode, os.listdir(tmp_path)))
    fd, records = os.open(tmp_path, os.O_RDONLY), Records()
    try:
        assert look(fd, names, records) == []
    finally:
        os.close(fd)
    modes = records.modes(len(names))
    for at, name in enumerate(names):
        found = os.lstat(os.fsencode(tmp_path) + b"/" + name)
        assert modes[at] == found.st_mode, name
        assert records.numbers(at) == (
            found.st_mode, found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino, found.st_uid,
            found.st_gid, found.st_nlink, found.st_blocks,
        ), name  # fmt: skip
        if name not in (b"pipe", b"socket"):
            assert Stat.made(*records.numbers(at)) == Stat.of(found)


def test_both_ways_leave_the_same_bytes(tmp_path: Path) -> None:
    """So that a fingerprint made in a sandbox without the call is the one that was made outside."""
    make_everything(tmp_path)
    names = sorted(map(os.fsencode, os.listdir(tmp_path)))
    fd, one, other = os.open(tmp_path, os.O_RDONLY), Records(), Records()
    try:
        stat_all(fd, names, one)
        stat_by_library(fd, names, other)
    finally:
        os.close(fd)
    for at, name in enumerate(names):
        assert one.telling(at) == other.telling(at), name
    assert [bytes(column) for column in one.columns(len(names))] == [
        bytes(column) for column in other.columns(len(names))
    ]


@pytest.mark.parametrize("look", [stat_all, stat_by_library])
def test_names_that_cannot_be_looked_at_are_told(look, tmp_path: Path) -> None:
    (tmp_path / "kyrie.wav").touch()
    fd = os.open(tmp_path, os.O_RDONLY)
    try:
        assert look(fd, [b"gloria.wav", b"kyrie.wav", b"n" * 300], Records()) == [0, 2]
    finally:
        os.close(fd)


def test_more_names_than_there_is_room_for_are_refused(tmp_path: Path) -> None:
    fd = os.open(tmp_path, os.O_RDONLY)
    try:
        with pytest.raises(OSError) as refused:
            Effects.stat_all(fd, [b"x"] * (NAMES_LIMIT + 1), Records())
        assert refused.value.errno == errno.E2BIG
    finally:
        os.close(fd)


def test_the_last_place_has_room_for_a_whole_record(tmp_path: Path) -> None:
    (tmp_path / "kyrie.wav").write_bytes(b"kyrie")
    fd, records = os.open(tmp_path, os.O_RDONLY), Records()
    try:
        assert stat_all(fd, [b"kyrie.wav"] * NAMES_LIMIT, records) == []
    finally:
        os.close(fd)
    assert records.numbers(NAMES_LIMIT - 1) == records.numbers(0)
