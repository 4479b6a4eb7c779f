"""Rules B, C and N: content is sought by its checksum everywhere, so that none is called lost that stands somewhere.

Decay is a few bytes written into a file in place. On the secondary nothing but its checksum tells of that, and on the
primary the manifest is told of the time of change that it moved.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from harness import Pair

from nightferry.night.context import Unwatched

KYRIE = "2026-05 spring concert/01 kyrie.wav"
TWIN = "best of/kyrie, once more.wav"
CONTENT = os.urandom(50_000)


@pytest.fixture
def pair(tmp_path: Path) -> Pair:
    """Of which each night reads all."""
    made = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state", verify_cycle="1d")
    made.write("programme.txt", "Kyrie\n")
    return made


def rot(path: Path | bytes) -> None:
    """In place, so that every name of that file has it; size and date stay."""
    before = os.stat(path)
    with open(path, "r+b") as file:
        file.seek(100)
        file.write(b"rot")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def rot_on_primary(pair: Pair, name: str) -> None:
    path = pair.at(name)
    inode = os.stat(path).st_ino
    rot(path)
    with pair.manifest(writable=True) as manifest, manifest.database.transaction() as connection:
        connection.execute("UPDATE entry SET ctime_ns = ? WHERE inode = ?", (os.stat(path).st_ctime_ns, inode))
        connection.execute("UPDATE entry SET listing = NULL")


def night(pair: Pair) -> object:
    pair.clock.pass_days(1.01)
    return pair.run(progress=Unwatched())


def damage(pair: Pair) -> list[tuple[bytes, str, str]]:
    with pair.manifest() as manifest:
        return sorted(each[:3] for each in manifest.runs.open_damage())


def register(pair: Pair) -> list[str]:
    with pair.manifest() as manifest:
        return [row[0] for row in manifest.database.connection.execute("SELECT became FROM damage ORDER BY id")]


@pytest.mark.parametrize("where", ["a twin in the copy", "a twin on the primary", "a retired version of another name"])
def test_B_a_copy_whose_primary_is_bad_too_is_mended_from_elsewhere(pair: Pair, where: str) -> None:
    pair.write(KYRIE, CONTENT)
    pair.write(TWIN, CONTENT)
    pair.run_well()
    if where == "a retired version of another name":
        pair.at(TWIN).unlink()
        night(pair)
    elif where == "a twin on the primary":
        rot(pair.copy / TWIN)
    else:
        rot_on_primary(pair, TWIN)
    rot_on_primary(pair, KYRIE)
    rot(pair.copy / KYRIE)
    night(pair)
    night(pair)
    assert (pair.copy / KYRIE).read_bytes() == CONTENT
    assert (KYRIE.encode(), "secondary", "decayed") not in damage(pair)
    assert (KYRIE.encode(), "primary", "decayed") in damage(pair)  # which is a person's
    assert pair.staging() == []


def test_B_a_missing_copy_whose_primary_is_bad_is_put_back_from_elsewhere(pair: Pair) -> None:
    pair.write(KYRIE, CONTENT)
    pair.write(TWIN, CONTENT)
    pair.run_well()
    rot_on_primary(pair, KYRIE)
    (pair.copy / KYRIE).unlink()
    night(pair)
    assert (pair.copy / KYRIE).read_bytes() == CONTENT
    assert damage(pair) == [(KYRIE.encode(), "primary", "decayed")]


def test_B_all_names_of_a_bad_copy_are_mended_from_elsewhere(pair: Pair) -> None:
    pair.write(KYRIE, CONTENT)
    pair.write(TWIN, CONTENT)
    os.link(pair.at(KYRIE), pair.at("another name.wav"))
    pair.run_well()
    rot_on_primary(pair, KYRIE)
    rot(pair.copy / KYRIE)
    assert (pair.copy / "another name.wav").read_bytes() != CONTENT
    night(pair)
    for name in (KYRIE, "another name.wav"):
        assert (pair.copy / name).read_bytes() == CONTENT
    assert os.stat(pair.copy / KYRIE).st_ino == os.stat(pair.copy / "another name.wav").st_ino
    assert [each for each in damage(pair) if each[1] == "secondary"] == []


def shared_with_the_copy(pair: Pair) -> bytes:
    """A retired version that shares its inode with a copy; its path."""
    first = pair.write(KYRIE, CONTENT)
    pair.at(TWIN).parent.mkdir()
    os.link(first, pair.at(TWIN))
    pair.run_well()
    pair.at(TWIN).unlink()
    night(pair)
    held = pair.held()[TWIN.encode()]
    assert os.stat(held.path).st_ino == os.stat(pair.copy / KYRIE).st_ino
    return held.path


def test_B_a_retired_version_that_rots_with_the_copy_comes_back_as_a_file_of_its_own(pair: Pair) -> None:
    old = shared_with_the_copy(pair)
    rot(pair.copy / KYRIE)
    assert Path(os.fsdecode(old)).read_bytes() != CONTENT
    result = night(pair)
    assert damage(pair) == []
    assert (result.outcome, result.tally.mended) == ("complete", 2)
    held = pair.held()[TWIN.encode()]
    good = [each.path for each in _held_good(pair)]
    assert len(good) == 1 and Path(os.fsdecode(good[0])).read_bytes() == CONTENT
    assert os.stat(good[0]).st_ino not in (os.stat(pair.copy / KYRIE).st_ino, os.stat(old).st_ino)
    assert held is not None and any("brought back from" in each for each in register(pair))
    night(pair)
    assert damage(pair) == []
    for _ in range(32):
        result = night(pair)
    assert result.state == "sound" and _held_good(pair) == [], "and retired versions expire as before"


def _held_good(pair: Pair) -> list:  # type: ignore[type-arg]
    with pair.manifest() as manifest:
        rows = manifest.database.connection.execute("SELECT held FROM past WHERE held IS NOT NULL AND reason='removed'")
        top = os.fsencode(pair.retired) + b"/"
        return [type("At", (), {"path": top + held}) for (held,) in rows.fetchall()]


def test_B_a_retired_version_that_is_gone_comes_back(pair: Pair) -> None:
    pair.write(KYRIE, CONTENT)
    pair.run_well()
    pair.write(KYRIE, b"another take")
    pair.write(TWIN, CONTENT)
    night(pair)
    held = pair.held()[KYRIE.encode()]
    os.unlink(held.path)
    night(pair)
    assert damage(pair) == []
    assert Path(os.fsdecode(pair.held()[KYRIE.encode()].path)).read_bytes() == CONTENT


def test_C_nothing_is_mended_from_a_place_whose_content_is_another(pair: Pair) -> None:
    pair.write(KYRIE, CONTENT)
    pair.write(TWIN, CONTENT)
    pair.run_well()
    for name in (KYRIE, TWIN):
        rot_on_primary(pair, name)
        rot(pair.copy / name)
    before = (pair.copy / KYRIE).read_bytes()
    night(pair)
    night(pair)
    assert (pair.copy / KYRIE).read_bytes() == before
    assert len(damage(pair)) == 4
    assert pair.staging() == []
