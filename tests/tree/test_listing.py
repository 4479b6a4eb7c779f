"""Folders read in pieces, and one number for what they hold."""

from __future__ import annotations

import os
import random
from contextlib import contextmanager
from pathlib import Path

import pytest

from nightferry.tree import listing
from nightferry.tree.effects import Effects
from nightferry.tree.listing import Fingerprint, Lister
from nightferry.tree.metadata import Stat
from nightferry.tree.statx import NAMES_LIMIT


class Shuffled(Effects):
    """Lists folders in another order each time."""

    @contextmanager
    def scandir(self, fd: int):
        with Effects.scandir(fd) as entries:
            found = list(entries)
        random.shuffle(found)
        yield iter(found)


def fingerprint(folder: Path, effects: Effects | None = None, *, seed: int = 0, others: int = 0) -> bytes:
    fd, made = os.open(folder, os.O_RDONLY), Fingerprint(seed)
    try:
        for piece in Lister(effects or Effects()).pieces(fd):
            made.add(piece, range(len(piece.names)), others)
    finally:
        os.close(fd)
    return made.digest()


@pytest.fixture(params=[20, NAMES_LIMIT - 1, NAMES_LIMIT, NAMES_LIMIT + 700])
def folder(request, tmp_path: Path) -> Path:
    for number in range(request.param - 2):
        (tmp_path / f"{number:04} kyrie.wav").touch()
    (tmp_path / "long.wav").write_bytes(b"long")
    with open(os.fsencode(tmp_path) + b"/\xff\n", "wb"):
        pass
    return tmp_path


def test_pieces_have_all_names_and_their_metadata(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY)
    found = {}
    try:
        for piece in Lister(Effects()).pieces(fd):
            assert piece.names == sorted(piece.names)
            assert len(piece.names) <= NAMES_LIMIT
            assert piece.is_all == (len(os.listdir(folder)) < NAMES_LIMIT)
            assert sorted(piece.text.split("\0")) == sorted(map(os.fsdecode, piece.names))
            found |= {name: piece.stat(at) for at, name in enumerate(piece.names)}
    finally:
        os.close(fd)
    wanted = {name: Stat.of(os.lstat(os.fsencode(folder) + b"/" + name)) for name in os.listdir(os.fsencode(folder))}
    assert found == wanted


def test_the_fingerprint_does_not_depend_on_the_order(folder: Path) -> None:
    wanted = fingerprint(folder)
    for _ in range(3):
        assert fingerprint(folder, Shuffled()) == wanted


def test_whatever_tells_of_a_change_changes_the_fingerprint(folder: Path) -> None:
    seen = {fingerprint(folder), fingerprint(folder, seed=1), fingerprint(folder, others=1)}
    file = folder / "long.wav"

    def changed() -> None:
        now = fingerprint(folder)
        assert now not in seen
        seen.add(now)

    file.write_bytes(b"lonG")
    changed()
    file.write_bytes(b"longer")
    changed()
    os.utime(file, (1, 1))
    changed()
    os.chmod(file, 0o600)
    changed()
    os.rename(file, folder / "lonh.wav")
    changed()
    content = (folder / "lonh.wav").read_bytes()
    os.unlink(folder / "lonh.wav")
    changed()
    (folder / "lonh.wav").write_bytes(content)  # another inode, another ctime
    changed()
    (folder / "lonh.wav").unlink()
    (folder / "lonh.wav").symlink_to("x")
    changed()


def test_reading_a_file_does_not_change_the_fingerprint(folder: Path) -> None:
    wanted = fingerprint(folder)
    before = os.stat(folder / "long.wav")
    (folder / "long.wav").read_bytes()
    with open(folder / "long.wav", "rb") as file:
        os.utime(file.fileno(), ns=(before.st_atime_ns, before.st_mtime_ns))  # moves ctime
    assert fingerprint(folder) != wanted
    wanted = fingerprint(folder)
    os.posix_fadvise(fd := os.open(folder / "long.wav", os.O_RDONLY), 0, 0, os.POSIX_FADV_DONTNEED)
    os.read(fd, 4)
    os.close(fd)
    assert fingerprint(folder) == wanted


def test_names_run_together_are_other_names(tmp_path: Path) -> None:
    """Neither where one name ends, nor to which name a number belongs, may be exchanged unseen."""
    made = []
    for names in (("ab", "c"), ("a", "bc")):
        folder = tmp_path / names[0]
        folder.mkdir()
        for name in names:
            os.link(tmp_path / "one", folder / name) if made else (folder / name).touch()
        made.append(fingerprint(folder))
        if not (tmp_path / "one").exists():
            (tmp_path / "one").touch()
    assert made[0] != made[1]


def test_a_choice_of_names_is_as_a_folder_with_those_names_only(tmp_path: Path) -> None:
    for number in range(9):
        (tmp_path / f"{number} kyrie.wav").touch()

    def of(chosen: list[str]) -> bytes:
        fd, made = os.open(tmp_path, os.O_RDONLY), Fingerprint(0)
        try:
            for piece in Lister(Effects()).pieces(fd):
                made.add(piece, [at for at, name in enumerate(piece.names) if os.fsdecode(name) in chosen])
        finally:
            os.close(fd)
        return made.digest()

    names = sorted(os.listdir(tmp_path))
    some = of(names[2:5])
    assert some != of(names[2:6])
    assert some != of(names[3:5])
    for name in names[:2] + names[5:]:
        (tmp_path / name).unlink()
    assert of(names) == some == fingerprint(tmp_path)


def test_names_that_go_while_they_are_looked_at(tmp_path: Path) -> None:
    for name in ("gloria.wav", "kyrie.wav", "sanctus.wav"):
        (tmp_path / name).touch()

    class Removing(Effects):
        def stat_all(self, fd: int, names: list[bytes], records: listing.Records) -> list[int]:
            os.unlink(tmp_path / "kyrie.wav")
            return Effects.stat_all(fd, names, records)

    class Refusing(Effects):
        def stat_all(self, fd: int, names: list[bytes], records: listing.Records) -> list[int]:
            Effects.stat_all(fd, names, records)
            return [0]

        def stat(self, *args: object, **given: object) -> os.stat_result:
            raise PermissionError(1, "no")

    fd = os.open(tmp_path, os.O_RDONLY)
    try:
        (piece,) = Lister(Removing()).pieces(fd)
        assert (piece.gone, piece.failed) == ({1}, {})
        (piece,) = Lister(Refusing()).pieces(fd)
        assert piece.gone == set()
        assert list(piece.failed) == [0]
    finally:
        os.close(fd)


def test_an_empty_folder_is_one_empty_piece(tmp_path: Path) -> None:
    fd = os.open(tmp_path, os.O_RDONLY)
    try:
        (piece,) = Lister(Effects()).pieces(fd)
        assert (piece.names, piece.modes(), piece.is_all) == ([], [], True)
    finally:
        os.close(fd)
    assert fingerprint(tmp_path) == fingerprint(tmp_path)
