"""Content that is bad where it should stand: taken from wherever it is right, and else named or restored marked."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from harness import Pair
from restore_world import names, restored, unlike
from world import KYRIE, PROGRAMME, sha256

from drives import run
from faulty_fuse import FaultyDrive

GLORIA = "2026-05 spring concert/02 gloria.wav"
BLOCK = 4096


@pytest.fixture
def pair(tmp_path: Path) -> Pair:
    made = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")
    made.write(KYRIE, b"kyrie " * 5000)
    made.write(GLORIA, b"gloria " * 700)
    made.run_well()
    return made


def rot(path: Path) -> None:
    """One byte is another; size and date are as before."""
    before = os.stat(path)
    with open(path, "r+b") as file:
        file.seek(100)
        file.write(b"#")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def test_rule_C_a_bad_copy_is_not_restored_as_if_it_were_good(pair: Pair, tmp_path: Path) -> None:
    rot(pair.copy / KYRIE)
    (pair.primary / KYRIE).unlink()
    result = restored(pair, tmp_path / "restored")
    assert (result.exit_code, names(result.bad), result.written.files) == (1, [KYRIE.encode()], 1)
    assert not (tmp_path / "restored" / KYRIE).exists()
    assert sha256(tmp_path / "restored" / GLORIA) == sha256(pair.primary / GLORIA)


@pytest.mark.parametrize("records", ["sealed", "lists", "none"])
def test_rule_I_no_symlink_on_the_secondary_leads_out_of_it(pair: Pair, tmp_path: Path, records: str) -> None:
    """Where it leads stands the very content that is wanted: whoever follows it is found out."""
    folder = KYRIE.split("/")[0]
    outside = tmp_path / "outside"
    (pair.copy / folder).rename(outside)
    (pair.copy / folder).symlink_to(outside)
    (pair.primary / folder).rename(tmp_path / "gone")
    if records != "sealed":
        for path in pair.records.glob("manifest*"):
            path.unlink()
    if records == "none":
        (pair.records / "checksums.xxh128").unlink()
    result = restored(pair, tmp_path / "restored", alone=True)
    there = tmp_path / "restored" / folder
    assert result.written.files == 0
    if records == "none":
        assert there.is_symlink()  # restored as what stands in the plain tree
    else:
        assert result.exit_code == 1
        assert sorted(names(result.bad)) == [KYRIE.encode(), GLORIA.encode()]
        assert list(there.iterdir()) == []


def test_it_is_taken_from_the_primary(pair: Pair, tmp_path: Path) -> None:
    rot(pair.copy / KYRIE)
    access_time_ns = os.stat(pair.primary / KYRIE).st_atime_ns
    result = restored(pair, tmp_path / "restored")
    assert (result.exit_code, names(result.elsewhere)) == (1, [KYRIE.encode()])
    assert "the primary" in result.elsewhere.kept[0].why
    assert os.stat(pair.primary / KYRIE).st_atime_ns == access_time_ns
    assert unlike(pair.primary, tmp_path / "restored") == []
    (pair.primary / KYRIE).write_bytes(b"another" * 4286)  # of the same size, nearly: not what was copied
    os.truncate(pair.primary / KYRIE, 30_000)
    assert restored(pair, tmp_path / "again").bad.count == 1


@pytest.mark.parametrize("known", [False, True])
def test_it_is_taken_from_where_the_primary_has_it_now(pair: Pair, tmp_path: Path, known: bool) -> None:
    """As of a night before it moved; also where the copy is known to be bad, and so not asked at all."""
    run("mv", pair.primary / KYRIE, pair.primary / "kyrie, final.wav")
    pair.run_well()
    rot(pair.copy / "kyrie, final.wav")
    if known:
        with pair.manifest(writable=True) as manifest:
            manifest.runs.find_damage(b"kyrie, final.wav", "secondary", "decayed", "verify", 2, 0.0, "found by a test")
    result = restored(pair, tmp_path / "restored", KYRIE, as_of="1")
    assert result.bad.count == 0
    assert sha256(tmp_path / "restored" / KYRIE) == sha256(pair.primary / "kyrie, final.wav")
    if not known:
        assert "from the primary (kyrie, final.wav)" in result.elsewhere.kept[0].why


def test_it_is_taken_from_a_retired_version(pair: Pair, tmp_path: Path) -> None:
    first = (pair.primary / KYRIE).read_bytes()
    for content in (b"sung again", first):
        pair.clock.pass_days(1)
        pair.write(KYRIE, content)
        pair.run_well()
    rot(pair.copy / KYRIE)
    (pair.primary / KYRIE).unlink()
    result = restored(pair, tmp_path / "restored", KYRIE)
    assert names(result.elsewhere) == [KYRIE.encode()]
    assert "retired" in result.elsewhere.kept[0].why
    assert (tmp_path / "restored" / KYRIE).read_bytes() == first


def test_it_is_taken_from_another_file_of_the_same_content(pair: Pair, tmp_path: Path) -> None:
    run("cp", pair.primary / KYRIE, pair.primary / "kyrie for the radio.wav")
    pair.run_well()
    (pair.copy / KYRIE).unlink()
    (pair.primary / KYRIE).unlink()
    result = restored(pair, tmp_path / "restored", KYRIE)
    assert names(result.elsewhere) == [KYRIE.encode()]
    assert sha256(tmp_path / "restored" / KYRIE) == sha256(pair.primary / "kyrie for the radio.wav")


def test_an_older_night_is_restored_from_what_was_retired(pair: Pair, tmp_path: Path) -> None:
    first = (pair.primary / KYRIE).read_bytes()
    pair.write(KYRIE, b"sung again")
    pair.run_well()
    rot(pair.copy / KYRIE)  # the newer one, which is not asked for
    result = restored(pair, tmp_path / "restored", as_of="1")
    assert (result.exit_code, result.elsewhere.count) == (0, 0)
    assert (tmp_path / "restored" / KYRIE).read_bytes() == first


def test_bad_ones_on_request_under_a_marked_name(pair: Pair, tmp_path: Path) -> None:
    rot(pair.copy / KYRIE)
    os.chmod(pair.primary / KYRIE, 0o640)
    (pair.primary / KYRIE).unlink()
    into = tmp_path / "restored"
    result = restored(pair, into, bad=True)
    assert (result.exit_code, result.bad.count, result.damaged.count) == (1, 0, 1)
    damaged = result.damaged.kept[0]
    assert (damaged.path, damaged.restored_as, damaged.ranges) == (KYRIE.encode(), f"{KYRIE}.damaged".encode(), [])
    assert sha256(into / f"{KYRIE}.damaged") == sha256(pair.copy / KYRIE)
    assert not (into / KYRIE).exists()
    again = restored(pair, into, bad=True)
    assert (again.exit_code, again.damaged.count, again.written.files) == (1, 1, 0)


def test_what_is_known_to_be_bad_counts_as_bad(pair: Pair, tmp_path: Path) -> None:
    rot(pair.copy / KYRIE)
    (pair.primary / KYRIE).unlink()
    with pair.manifest(writable=True) as manifest:
        manifest.runs.find_damage(KYRIE.encode(), "secondary", "decayed", "verify", 1, 0.0, "found by a test")
    assert "known to be damaged" in restored(pair, tmp_path / "one").bad.kept[0].why
    assert restored(pair, tmp_path / "two", bad=True).damaged.count == 1
    assert (tmp_path / "two" / f"{KYRIE}.damaged").exists()


def test_what_was_let_go_is_said_to_be(pair: Pair, tmp_path: Path) -> None:
    pair.write(KYRIE, b"sung again")
    pair.run_well()
    pair.set(keep_retired="1d", keep_retired_at_least="1d")
    for _ in range(4):
        pair.clock.pass_days(2)
        pair.run_well()
    assert pair.held() == {}
    result = restored(pair, tmp_path / "restored", as_of="1")
    assert names(result.bad) == [KYRIE.encode()]
    assert "not kept any more" in result.bad.kept[0].why
    assert sha256(tmp_path / "restored" / GLORIA) == sha256(pair.primary / GLORIA)


@pytest.fixture
def faulty(tmp_path: Path) -> Iterator[tuple[Pair, FaultyDrive]]:
    with FaultyDrive(tmp_path / "behind", tmp_path / "second") as drive:
        pair = Pair(tmp_path / "primary", drive.root, tmp_path / "state")
        pair.write(KYRIE, os.urandom(40 * BLOCK + 100))
        pair.write(PROGRAMME, "Kyrie\n")
        pair.run_well()
        drive.drop_caches()
        yield pair, drive


def test_unreadable_sectors_are_named_and_the_rest_is_saved(faulty: tuple[Pair, FaultyDrive], tmp_path: Path) -> None:
    pair, drive = faulty
    whole = (pair.primary / KYRIE).read_bytes()
    (pair.primary / KYRIE).unlink()
    drive.fail_reading(f"copy/{KYRIE}", 10 * BLOCK, 12 * BLOCK)
    one = restored(pair, tmp_path / "one")
    assert names(one.bad) == [KYRIE.encode()]
    assert "I/O error" in one.bad.kept[0].why
    two = restored(pair, tmp_path / "two", bad=True)
    ranges = [tuple(each) for each in two.damaged.kept[0].ranges]
    assert ranges == [(10 * BLOCK, 12 * BLOCK, "zeros")]
    expected = whole[: 10 * BLOCK] + bytes(2 * BLOCK) + whole[12 * BLOCK :]
    assert (tmp_path / "two" / f"{KYRIE}.damaged").read_bytes() == expected
    assert (tmp_path / "two" / PROGRAMME).read_text() == "Kyrie\n"


def test_two_bad_places_fill_each_other(faulty: tuple[Pair, FaultyDrive], tmp_path: Path) -> None:
    pair, drive = faulty
    whole = (pair.primary / KYRIE).read_bytes()
    rot(pair.primary / KYRIE)
    drive.fail_reading(f"copy/{KYRIE}", 10 * BLOCK, 12 * BLOCK)
    result = restored(pair, tmp_path / "restored", bad=True)
    assert [tuple(each) for each in result.damaged.kept[0].ranges] == [(10 * BLOCK, 12 * BLOCK, "another place")]
    assert (tmp_path / "restored" / f"{KYRIE}.damaged").read_bytes() == whole


def test_B_each_of_many_is_taken_from_its_twin(tmp_path: Path) -> None:
    pair = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")
    for number in range(130):
        for folder in ("a", "b"):
            pair.write(f"{folder}/{number:03d}.wav", b"%d" % number * 200)
    pair.run_well()
    for number in range(130):
        rot(pair.copy / f"a/{number:03d}.wav")
    result = restored(pair, tmp_path / "restored", alone=True)
    assert (result.elsewhere.count, result.bad.count) == (130, 0)
    assert unlike(pair.primary, tmp_path / "restored") == []


def test_B_the_primary_is_asked_under_names_that_no_night_carried_out(pair: Pair, tmp_path: Path) -> None:
    """As on a held night: the copy has them under the old names, and no record has the new ones."""
    moved = pair.primary / "elsewhere"
    moved.mkdir()
    for name in (KYRIE, GLORIA):
        os.rename(pair.primary / name, moved / name.split("/")[1])
    good = sha256(moved / KYRIE.split("/")[1])
    rot(pair.copy / KYRIE)
    result = restored(pair, tmp_path / "restored")
    assert names(result.bad) == []
    assert names(result.elsewhere) == [KYRIE.encode()]
    assert sha256(tmp_path / "restored" / KYRIE) == good
