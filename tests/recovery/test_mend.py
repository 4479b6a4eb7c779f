"""Mending, on real decay: bits flipped in the image behind the file system; ``sha256sum`` says what is right."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest
from harness import OWN_NAMES, checksum_tool
from world import KYRIE, PROGRAMME, World, sha256

from drives import MIB, DriveFactory, run
from nightferry.errors import WrongDrive, WrongUse

OFFSETS = pytest.mark.parametrize("offset", [0, MIB + 5, 3 * MIB + 16], ids=["first block", "middle", "last block"])


@pytest.fixture
def world(drives: DriveFactory, tmp_path: Path) -> World:
    made = World.on_drives(drives, tmp_path)
    kyrie = made.pair.write(KYRIE, os.urandom(3 * MIB + 17))
    made.pair.write("2026-05 spring concert/02 gloria.wav", os.urandom(10_000))
    made.pair.write(PROGRAMME, "Kyrie, Gloria, Sanctus\n" * 500)
    kyrie.chmod(0o640)
    os.chown(kyrie, 1234, 2345)
    os.setxattr(kyrie, "user.take", b"third")
    run("setfacl", "-m", "u:3456:r", kyrie)
    os.utime(kyrie, ns=(1_700_000_000_111_222_333, 1_700_000_000_123_456_789))
    for folder in (kyrie.parent, made.pair.primary):
        os.utime(folder, ns=(1_600_000_000_000_000_001, 1_600_000_000_000_000_002))
    made.pair.run_well()
    return made


def traces(world: World, *but: Path) -> dict[str, tuple[int, ...]]:
    """All that stat tells of what is on the primary; of folders not ctime, which every new name in them moves."""
    found, folders = {}, [world.pair.primary]
    while folders:
        folder = folders.pop()
        fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOATIME)  # looking leaves no trace either
        try:
            paths = [folder / name for name in os.listdir(fd)]
        finally:
            os.close(fd)
        folders += [path for path in paths if path.is_dir() and not path.is_symlink()]
        found |= {str(path): _trace(path) for path in [folder, *paths] if path not in but}
    return found


def _trace(path: Path) -> tuple[int, ...]:
    state = os.lstat(path)
    times = (state.st_atime_ns, state.st_mtime_ns) + (() if path.is_dir() else (state.st_ctime_ns,))
    return (state.st_ino, state.st_size, state.st_mode, state.st_uid, state.st_gid, state.st_nlink, *times)


def whole(path: Path) -> tuple[object, ...]:
    """Content and metadata of one file."""
    state = os.stat(path)
    taken = {name: os.getxattr(path, name) for name in os.listxattr(path)}
    acl = run("getfacl", "-cpn", path)
    return (sha256(path), state.st_mode, state.st_uid, state.st_gid, state.st_mtime_ns, taken, acl)


# --- a bad primary


@OFFSETS
def test_a_bad_primary_is_put_back_with_all_its_metadata_and_no_other_trace(world: World, offset: int) -> None:
    kyrie = world.pair.at(KYRIE)
    good = whole(kyrie)
    before = traces(world, kyrie)
    world.rot(0, kyrie, offset)
    world.verify()
    assert sha256(kyrie) != good[0]
    (outcome,) = world.mend("restore")
    assert (outcome.done, outcome.told) == (True, "put back from the copy")
    assert traces(world, kyrie) == before
    assert whole(kyrie) == good
    assert world.open() == []
    assert world.register()[0][3] == "mended: put back from the copy"
    world.pair.run_quiet()
    assert world.pair.differences() == []
    assert world.verify().exit_code == 0


def test_looking_changes_nothing_and_says_what_each_place_has(world: World) -> None:
    world.rot(0, world.pair.at(KYRIE), 9)
    world.verify()
    before = traces(world)
    survey = world.survey(KYRIE)
    assert (survey.primary.is_right, survey.secondary.is_right, survey.changed_since) == (False, True, False)
    assert traces(world) == before
    assert world.open() == [(KYRIE.encode(), "primary", "decayed")]


def test_hard_links_are_put_right_together_and_stay_one_file(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    first = world.pair.write("a/kyrie.wav", os.urandom(MIB))
    other = world.pair.at("best of/kyrie.wav")
    other.parent.mkdir()
    os.link(first, other)
    world.pair.run_well()
    good = sha256(first)
    world.rot(0, first, 5_000)
    world.verify()
    before = traces(world, first, other)
    outcomes = world.mend("restore")
    assert all(each.done for each in outcomes)
    assert [sha256(first), sha256(other)] == [good, good]
    assert os.stat(first).st_ino == os.stat(other).st_ino
    assert traces(world, first, other) == before
    assert world.open() == []
    world.pair.run_quiet()
    assert world.pair.differences() == []


def test_a_sparse_file_stays_sparse(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    sparse = world.pair.at("score.img")
    with sparse.open("wb") as file:
        file.seek(20 * MIB)
        file.write(os.urandom(64 * 1024))
        file.truncate(40 * MIB)
    world.pair.run_well()
    good = sha256(sparse)
    world.rot(0, sparse, 20 * MIB + 30_000)
    world.verify()
    assert world.mend("restore")[0].done
    assert sha256(sparse) == good
    assert os.stat(sparse).st_blocks * 512 < MIB
    world.pair.run_quiet()


def test_a_file_that_somebody_wrote_since_is_not_overwritten(world: World) -> None:
    kyrie = world.pair.at(KYRIE)
    world.rot(0, kyrie, 9)
    world.verify()
    kyrie.write_bytes(b"a new take")
    (outcome,) = world.mend("restore")
    assert not outcome.done and "Somebody has written this file" in outcome.told
    assert kyrie.read_bytes() == b"a new take"
    assert world.mend("accept")[0].done
    assert world.pair.run_well().tally.changed == 1
    assert world.open() == []


def test_rule_C_a_mode_changed_on_a_file_known_to_be_bad_does_not_carry_it_over(world: World) -> None:
    kyrie = world.pair.at(KYRIE)
    good = sha256(kyrie)
    world.rot(0, kyrie, 9)
    world.verify()
    kyrie.chmod(0o600)
    result = world.pair.run()
    assert (result.outcome, result.tally.changed, result.tally.metadata) == ("partial", 0, 1)
    assert sha256(world.pair.copy / KYRIE) == good  # which gets the mode, and keeps its content
    assert world.mend("restore")[0].done
    assert (sha256(kyrie), os.stat(kyrie).st_mode & 0o777) == (good, 0o600)
    world.pair.run_quiet()
    assert world.pair.differences() == []
    world.pair.run_quiet()


def test_a_file_that_somebody_removed_is_not_brought_back(world: World) -> None:
    kyrie = world.pair.at(KYRIE)
    world.rot(0, kyrie, 9)
    world.verify()
    kyrie.unlink()
    assert not world.mend("restore")[0].done
    assert not kyrie.exists()
    assert world.mend("accept")[0].done
    assert world.open() == []


def test_one_that_somebody_put_back_by_hand_is_closed(world: World) -> None:
    kyrie = world.pair.at(KYRIE)
    world.rot(0, kyrie, 9)
    world.verify()
    run("cp", "-p", world.pair.copy / KYRIE, kyrie)
    assert world.mend("restore")[0].done
    assert world.open() == []
    world.pair.run_well()
    assert world.pair.differences() == []


def test_a_primary_that_is_mounted_read_only_is_refused(world: World) -> None:
    world.rot(0, world.pair.at(KYRIE), 9)
    world.verify()
    world.drives[0].remount(read_only=True)
    try:
        with pytest.raises(WrongDrive, match="mounted read-only"):
            world.mend("restore")
    finally:
        world.drives[0].remount()
    assert world.mend("restore")[0].done


def test_a_full_primary_is_said_and_the_file_is_as_it_was(world: World) -> None:
    kyrie = world.pair.at(KYRIE)
    world.rot(0, kyrie, 9)
    world.verify()
    bad = sha256(kyrie)
    filler = world.pair.at("filler")
    subprocess.run(["dd", "if=/dev/zero", f"of={filler}", "bs=1M"], capture_output=True, check=False)
    before = traces(world)
    (outcome,) = world.mend("restore")
    assert not outcome.done and "has room" in outcome.told
    assert sha256(kyrie) == bad
    assert traces(world) == before
    filler.unlink()
    assert world.mend("restore")[0].done


# --- a bad copy


def test_a_bad_copy_is_left_to_the_night_which_mends_it(world: World) -> None:
    copy = world.pair.copy / KYRIE
    good = sha256(copy)
    world.rot(1, copy, MIB)
    world.verify()
    (outcome,) = world.mend("restore")
    assert not outcome.done and "next night mends it" in outcome.told
    assert not world.mend("accept")[0].done
    assert world.pair.run().tally.mended == 1
    assert sha256(copy) == good
    assert world.open() == []


# --- both bad


def rotten(world: World) -> tuple[Path, Path]:
    """Both sides of one file bad, each in another place."""
    kyrie, copy = world.pair.at(KYRIE), world.pair.copy / KYRIE
    world.rot(0, kyrie, 100)
    world.rot(1, copy, 2 * MIB)
    world.verify()
    assert world.open() == [(KYRIE.encode(), "primary", "decayed"), (KYRIE.encode(), "secondary", "decayed")]
    return kyrie, copy


def test_both_bad_and_a_retired_version_has_the_right_content(world: World) -> None:
    kyrie = world.pair.at(KYRIE)
    first = kyrie.read_bytes()
    good = sha256(kyrie)
    kyrie.write_bytes(b"a take that was not kept")
    world.pair.run_well()
    kyrie.write_bytes(first)
    world.pair.run_well()
    rotten(world)
    (outcome,) = world.mend("restore")
    assert (outcome.done, outcome.told) == (True, "put back from the version of night 1 in retired/")
    assert sha256(kyrie) == good
    assert world.open() == [(KYRIE.encode(), "secondary", "decayed")]
    assert world.pair.run_well().tally.mended == 1
    assert sha256(world.pair.copy / KYRIE) == good
    assert world.open() == []


def test_both_bad_and_no_version_is_right_is_said_with_the_ranges(world: World) -> None:
    kyrie, copy = rotten(world)
    before = sha256(kyrie), sha256(copy)
    survey = world.survey(KYRIE)
    assert survey.sources == [] and survey.older == []
    ranges, is_all = world.with_surveyor(lambda surveyor: surveyor.differences(survey.primary, survey.secondary))
    # `cmp -l` counts bytes from 1
    listed = subprocess.run(["cmp", "-l", kyrie, copy], capture_output=True, check=False).stdout.decode().splitlines()
    assert [int(line.split()[0]) - 1 for line in listed] == [at for start, end in ranges for at in range(start, end)]
    assert is_all and ranges == [(100, 101), (2 * MIB, 2 * MIB + 1)]
    (outcome,) = world.mend("restore")
    assert not outcome.done and "No place has the right content" in outcome.told
    assert (sha256(kyrie), sha256(copy)) == before


def after_a_choice(world: World, chosen: str) -> None:
    """The next nights carry the choice across, keep what was bad and marked so, and are quiet after that."""
    kyrie, copy = world.pair.at(KYRIE), world.pair.copy / KYRIE
    assert sha256(kyrie) == chosen
    assert [each for each in world.open() if each[1] == "primary"] == []
    world.pair.run_well()
    assert sha256(kyrie) == sha256(copy) == chosen
    assert world.open() == []
    assert world.pair.differences() == []
    # the list beside the copy says the same: checked by the ordinary tool
    done = checksum_tool(world.pair, "xxhsum", "checksums.xxh128")
    assert done.returncode == 0, done.stdout + done.stderr
    world.pair.run_quiet()
    assert world.verify().exit_code == 0


def test_both_bad_and_the_copy_is_chosen(world: World) -> None:
    _, copy = rotten(world)
    chosen = sha256(copy)
    (outcome,) = world.mend("choose", KYRIE, source="secondary")
    assert outcome.done
    after_a_choice(world, chosen)


def test_both_bad_and_the_primary_is_chosen_or_accepted(world: World) -> None:
    kyrie, copy = rotten(world)
    chosen, bad = sha256(kyrie), sha256(copy)
    before = traces(world)
    assert world.mend("accept", KYRIE)[0].done
    assert traces(world) == before
    after_a_choice(world, chosen)
    (held,) = world.pair.held().values()
    assert (held.past.reason, sha256(held.path)) == ("decayed", bad)


def test_both_bad_and_an_older_version_is_chosen(world: World) -> None:
    kyrie = world.pair.at(KYRIE)
    older = sha256(kyrie)
    kyrie.write_bytes(os.urandom(3 * MIB - 5))
    world.pair.run_well()
    rotten(world)
    (place,) = world.survey(KYRIE).older
    assert (place.version.since, place.version.until) == (1, 2)
    with pytest.raises(WrongUse, match="none of the versions"):
        world.mend("choose", KYRIE, source="retired/elsewhere")
    assert world.mend("choose", KYRIE, source=place.path.decode())[0].done
    after_a_choice(world, older)


# --- accepting


def test_what_is_accepted_is_copied_and_the_older_version_kept(world: World) -> None:
    kyrie = world.pair.at(KYRIE)
    good = sha256(kyrie)
    world.rot(0, kyrie, 7)
    world.verify()
    accepted = sha256(kyrie)
    assert world.mend("accept")[0].done
    assert world.open() == []
    assert world.pair.run_well().tally.changed == 1
    assert sha256(world.pair.copy / KYRIE) == sha256(kyrie) == accepted
    (held,) = world.pair.held().values()
    assert sha256(held.path) == good
    assert world.pair.differences() == []
    world.pair.run_quiet()
    assert world.verify().exit_code == 0


def test_a_bad_retired_version_is_let_go(world: World) -> None:
    world.pair.write(PROGRAMME, "Kyrie only\n")
    world.pair.run_well()
    (held,) = world.pair.held().values()
    world.rot(1, held.path, 50)
    world.verify()
    name = "retired/" + held.past.held.decode()
    assert not world.mend("restore", name)[0].done
    assert world.mend("accept", name)[0].done
    assert world.open() == []
    assert world.verify().exit_code == 0
    (after,) = world.pair.held().values()
    assert after.past.reason == "decayed"
    world.pair.run_quiet()


def test_a_retired_version_that_is_gone_is_let_go(world: World) -> None:
    world.pair.write(PROGRAMME, "Kyrie only\n")
    world.pair.run_well()
    (held,) = world.pair.held().values()
    os.unlink(held.path)
    world.verify()
    assert world.open() == [(held.past.held, "retired", "missing")]
    assert world.mend("accept")[0].done
    assert world.pair.held() == {}
    assert world.verify().exit_code == 0


def test_a_path_without_damage_is_wrong_use(world: World) -> None:
    world.rot(0, world.pair.at(KYRIE), 7)
    world.verify()
    with pytest.raises(WrongUse, match="no open damage"):
        world.mend("restore", PROGRAMME)
    assert world.mend("restore", "2026-05 spring concert")[0].done  # the folder that holds it


def test_the_name_for_the_time_of_mending_is_not_copied(world: World) -> None:
    """What a call that was cut off leaves. Its manifest tells it from a file of others, which is never deleted."""
    for name in (".nightferry-mending", ".nightferry-displaced"):
        left = world.pair.at(name)
        assert left.name not in OWN_NAMES
        left.write_bytes(b"half")
    world.pair.run_well()
    assert not [name for name in os.listdir(world.pair.copy) if name.startswith(".nightferry")]
