"""Restoring files, folders, patterns and everything, from real drives and as of any night that is kept."""

from __future__ import annotations

import os
import sqlite3
import stat
import subprocess
from pathlib import Path

import pytest
from harness import Pair
from restore_world import STAGING, names, restored, unlike, whole_names
from world import KYRIE, PROGRAMME, World, sha256

from drives import MIB, DriveFactory, run
from nightferry.errors import Busy, Failed, WrongDrive, WrongUse
from nightferry.night.context import Stop
from nightferry.night.preflight import lock_pair
from trees import tree_with_everything

CONCERT = "2026-05 spring concert"


@pytest.fixture
def pair(tmp_path: Path) -> Pair:
    """Two folders, for what does not depend on the file system."""
    return Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")


def choir(pair: Pair) -> None:
    pair.write(KYRIE, b"kyrie " * 500)
    pair.write(f"{CONCERT}/02 gloria.wav", b"gloria " * 700)
    pair.write(f"{CONCERT}/notes/seating.txt", "altos left\n")
    pair.write("2025-12 christmas/01 kyrie.wav", b"another kyrie " * 90)
    pair.write(PROGRAMME, "Kyrie, Gloria\n")


# --- everything


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs"])
def test_a_round_trip_of_everything(drives: DriveFactory, tmp_path: Path, kind: str) -> None:
    size_bytes = 320 * MIB if kind == "xfs" else 160 * MIB
    pair = Pair(drives(kind, size_bytes), drives(kind, size_bytes), tmp_path / "state")
    tree_with_everything(pair.primary)
    pair.run()
    into = drives(kind, size_bytes).root / "restored"
    result = restored(pair, into)
    assert result.exit_code == 0
    assert unlike(pair.primary, into) == []
    before, after = os.stat(pair.primary), os.stat(into)
    assert (before.st_mode, before.st_uid, before.st_mtime_ns) == (after.st_mode, after.st_uid, after.st_mtime_ns)
    assert (result.written.lost, result.unverified, result.notes) == ({}, 0, [])
    # and again: nothing is written, and nothing is remembered of the first time
    footprint = run("find", into, "-printf", r"%p %i %T@ %C@\0")
    again = restored(pair, into)
    assert (again.exit_code, again.written.files, again.written.links, again.written.altered) == (0, 0, 0, 0)
    assert again.right == result.written.files + result.written.links + result.written.symlinks
    changed = set(run("find", into, "-printf", r"%p %i %T@ %C@\0").split(b"\0")) - set(footprint.split(b"\0"))
    assert {line.split(b" ")[0] for line in changed} <= {bytes(into)}  # its own folder came and went there


def test_a_sparse_file_stays_sparse(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    with open(world.pair.primary / "take.raw", "wb") as file:
        file.truncate(700 * MIB)  # more than either drive has
        file.seek(300 * MIB)
        file.write(b"sound" * 1000)
    world.pair.run_well()
    small = drives("ext4", 32 * MIB)
    into = small.root / "restored"
    result = restored(world.pair, into)
    assert result.exit_code == 0
    assert os.stat(into / "take.raw").st_size == 700 * MIB
    assert os.stat(into / "take.raw").st_blocks * 512 < MIB
    assert run("cmp", into / "take.raw", world.pair.primary / "take.raw") == b""


@pytest.mark.parametrize("kind", ["exfat", "ntfs"])
def test_metadata_comes_back_from_a_secondary_that_could_not_hold_it(
    drives: DriveFactory, tmp_path: Path, kind: str
) -> None:
    pair = Pair(drives("ext4", 96 * MIB), drives(kind, 192 * MIB), tmp_path / "state")
    tree_with_everything(pair.primary, raw_names=False, case_pairs=False)
    for path in pair.left_out(pair.run().number):  # what this file system cannot name is not on the secondary at all
        os.unlink(os.fsencode(pair.primary) + b"/" + path)
    pair.run_well()
    result = restored(pair, tmp_path / "restored")
    assert (result.exit_code, result.written.lost) == (0, {})
    assert unlike(pair.primary, tmp_path / "restored") == []


def test_the_root_of_a_folder_that_was_there_keeps_its_metadata(pair: Pair, tmp_path: Path) -> None:
    choir(pair)
    pair.run_well()
    into = tmp_path / "restored"
    into.mkdir(mode=0o751)
    os.chmod(into, 0o751)
    restored(pair, into)
    assert stat.S_IMODE(os.stat(into).st_mode) == 0o751
    assert unlike(pair.primary, into) == []


# --- what of it


def test_a_file_a_folder_a_pattern(pair: Pair, tmp_path: Path) -> None:
    choir(pair)
    pair.run_well()
    one = tmp_path / "one"
    restored(pair, one, KYRIE)
    assert whole_names(one) == [CONCERT, KYRIE]
    assert stat.S_IMODE(os.stat(one / CONCERT).st_mode) == stat.S_IMODE(os.stat(pair.primary / CONCERT).st_mode)
    folder = tmp_path / "folder"
    restored(pair, folder, f"{CONCERT}/")
    assert unlike(pair.primary / CONCERT, folder / CONCERT) == []
    assert not (folder / PROGRAMME).exists()
    kyries = tmp_path / "kyries"
    restored(pair, kyries, "*kyrie.wav", PROGRAMME)
    assert [name for name in whole_names(kyries) if "." in name] == ["2025-12 christmas/01 kyrie.wav", KYRIE, PROGRAMME]
    deep = tmp_path / "deep"
    restored(pair, deep, "*/notes")
    assert whole_names(deep) == [CONCERT, f"{CONCERT}/notes", f"{CONCERT}/notes/seating.txt"]
    for path in ("2025-12 christmas", CONCERT):
        wanted, found = os.stat(pair.primary / path), os.stat(kyries / path)
        assert wanted.st_mtime_ns == found.st_mtime_ns


def test_whole_paths_on_a_drive_are_taken_as_paths_below_it(pair: Pair, tmp_path: Path) -> None:
    choir(pair)
    pair.run_well()
    restored(pair, tmp_path / "one", str(pair.primary / KYRIE))
    restored(pair, tmp_path / "two", str(pair.copy / KYRIE))
    assert sha256(tmp_path / "one" / KYRIE) == sha256(tmp_path / "two" / KYRIE) == sha256(pair.primary / KYRIE)


@pytest.mark.parametrize("given", ["no such file.wav", "*.flac", "../primary", "/etc/passwd", f"{CONCERT}/../../x"])
def test_what_is_not_there_is_wrong_use_and_makes_nothing(pair: Pair, tmp_path: Path, given: str) -> None:
    choir(pair)
    pair.run_well()
    with pytest.raises(WrongUse):
        restored(pair, tmp_path / "restored", given)
    assert not (tmp_path / "restored").exists()


def test_a_path_that_is_gone_is_told_with_the_night_that_has_it(pair: Pair, tmp_path: Path) -> None:
    choir(pair)
    pair.run_well()
    (pair.primary / PROGRAMME).unlink()
    pair.write("new.txt", b"later")
    pair.run_well()
    with pytest.raises(WrongUse, match=r"night 1 was the last that had it; add --as-of 1\."):
        restored(pair, tmp_path / "restored", PROGRAMME)
    assert restored(pair, tmp_path / "restored", PROGRAMME, as_of="1").exit_code == 0
    with pytest.raises(WrongUse, match="it came with night 2"):
        restored(pair, tmp_path / "restored", "new.txt", as_of="1")
    with pytest.raises(WrongUse, match=r"No night .* had it; a pattern may find it, such as '\*\*/kyrie\.wav'"):
        restored(pair, tmp_path / "restored", "kyrie.wav")


@pytest.mark.parametrize(
    "name", ["programme.txt", "o'clock $(touch ran).txt", "back\\slash.txt", "spaces  ", "#1 take"]
)
def test_rule_H_the_pattern_that_is_proposed_may_be_pasted_into_a_shell(pair: Pair, tmp_path: Path, name: str) -> None:
    pair.write(f"2026-05 spring concert/{name}", b"kyrie")
    pair.run_well()
    with pytest.raises(WrongUse) as refused:
        restored(pair, tmp_path / "restored", name)
    pattern = str(refused.value).partition("such as ")[2].removesuffix(".")
    words = subprocess.run(
        ["bash", "-c", f"printf '%s\\0' {pattern}"], cwd=pair.primary, capture_output=True, text=True, check=True
    ).stdout.split("\0")[:-1]
    assert len(words) == 1
    restored(pair, tmp_path / "restored", words[0])
    found = [each.name for each in (tmp_path / "restored").rglob("*") if each.is_file()]
    assert found == [name]


def test_rule_H_names_of_any_bytes(pair: Pair, tmp_path: Path) -> None:
    rude = b"01 \xff\xfe\n\x1b[31m<b>.wav"
    (pair.primary / os.fsdecode(rude)).write_bytes(b"sound")
    deep = b"/".join([b"d" * 200] * 30)
    os.makedirs(b"/".join([os.fsencode(pair.primary), *deep.split(b"/")[:15]]))
    pair.run_well()
    restored(pair, tmp_path / "restored", rude)
    assert (tmp_path / "restored" / os.fsdecode(rude)).read_bytes() == b"sound"


def test_a_pattern_that_is_a_name_means_the_name(pair: Pair, tmp_path: Path) -> None:
    pair.write("take [1].wav", b"one")
    pair.write("take 1.wav", b"other")
    pair.run_well()
    restored(pair, tmp_path / "restored", "take [1].wav")
    assert os.listdir(tmp_path / "restored") == ["take [1].wav"]


# --- as of a night


def test_as_of_each_night(pair: Pair, tmp_path: Path) -> None:
    states = []
    for night in range(1, 6):
        choir(pair)
        pair.write(f"{CONCERT}/take {night}.wav", b"take" * night)
        pair.write(PROGRAMME, f"programme of night {night}\n")
        if night == 3:
            (pair.primary / CONCERT).rename(pair.primary / "2026-05 concert of spring")
        if night == 4:
            (pair.primary / "2025-12 christmas/01 kyrie.wav").unlink()
        pair.run_well()
        states.append(tmp_path / f"state of night {night}")
        run("cp", "-a", pair.primary, states[-1])
        pair.clock.pass_days(1)
    for night, state in enumerate(states, start=1):
        into = tmp_path / f"night {night}"
        result = restored(pair, into, as_of=str(night))
        assert (result.exit_code, result.night, result.newest) == (0, night, night == 5)
        assert unlike(state, into) == []


# --- what stands there already


def test_nothing_is_overwritten_unless_asked(pair: Pair, tmp_path: Path) -> None:
    choir(pair)
    pair.run_well()
    into = tmp_path / "restored"
    restored(pair, into)
    (into / KYRIE).write_bytes(b"a new recording")
    os.chmod(into / PROGRAMME, 0o600)
    (into / f"{CONCERT}/02 gloria.wav").unlink()
    (into / f"{CONCERT}/02 gloria.wav").symlink_to("01 kyrie.wav")
    result = restored(pair, into)
    assert result.exit_code == 1
    assert sorted(names(result.left)) == sorted(
        [KYRIE.encode(), PROGRAMME.encode(), f"{CONCERT}/02 gloria.wav".encode()]
    )
    assert (into / KYRIE).read_bytes() == b"a new recording"
    assert stat.S_IMODE(os.stat(into / PROGRAMME).st_mode) == 0o600
    inode = os.stat(into / PROGRAMME).st_ino
    result = restored(pair, into, overwrite=True)
    assert (result.exit_code, result.written.files, result.written.replaced, result.written.altered) == (0, 2, 2, 1)
    assert os.stat(into / PROGRAMME).st_ino == inode, "its content was right, and needed no writing"
    assert unlike(pair.primary, into) == []


def test_same_size_and_date_are_no_proof(pair: Pair, tmp_path: Path) -> None:
    choir(pair)
    pair.run_well()
    into = tmp_path / "restored"
    restored(pair, into)
    before = os.stat(into / KYRIE)
    (into / KYRIE).write_bytes(b"KYRIE " * 500)
    os.utime(into / KYRIE, ns=(before.st_mtime_ns, before.st_mtime_ns))
    assert names(restored(pair, into).left) == [KYRIE.encode()]
    restored(pair, into, overwrite=True)
    assert sha256(into / KYRIE) == sha256(pair.primary / KYRIE)


def test_a_folder_in_the_way_stays(pair: Pair, tmp_path: Path) -> None:
    choir(pair)
    pair.run_well()
    into = tmp_path / "restored"
    (into / KYRIE / "somebody's").mkdir(parents=True)
    (into / "2025-12 christmas").write_text("a file where a folder is to be")
    result = restored(pair, into, overwrite=True)
    assert result.exit_code == 1
    assert sorted(names(result.refused)) == [b"2025-12 christmas", b"2025-12 christmas/01 kyrie.wav", KYRIE.encode()]
    assert (into / KYRIE / "somebody's").is_dir()
    assert (into / "2025-12 christmas").is_file()
    assert sha256(into / PROGRAMME) == sha256(pair.primary / PROGRAMME)


def test_rule_I_no_symlink_in_the_target_is_followed(pair: Pair, tmp_path: Path) -> None:
    choir(pair)
    pair.run_well()
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "precious").write_text("mine")
    into = tmp_path / "restored"
    into.mkdir()
    (into / CONCERT).symlink_to(outside)
    (into / PROGRAMME).symlink_to(outside / "precious")
    result = restored(pair, into, overwrite=True)
    assert os.listdir(outside) == ["precious"]
    assert (outside / "precious").read_text() == "mine"
    assert (into / CONCERT).is_symlink()
    assert b"programme.txt" not in names(result.refused)
    assert sha256(into / PROGRAMME) == sha256(pair.primary / PROGRAMME)  # the link itself was replaced
    assert KYRIE.encode() in names(result.refused)


def test_E_a_new_link_of_a_held_night_keeps_its_mode(tmp_path: Path) -> None:
    """The copy has the old mode of the one name, which waits with the hold, and the new mode of the other."""
    pair = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state", hold_count=3)
    for number in range(6):
        pair.write(f"takes/{number}.wav", f"take {number}")
    kyrie = pair.write("kyrie.wav", b"kyrie " * 500)
    kyrie.chmod(0o644)
    pair.run_well()
    run("rm", "-r", pair.primary / "takes")
    kyrie.chmod(0o600)
    os.link(kyrie, pair.primary / "link.wav")
    assert pair.run().outcome == "held"
    into = tmp_path / "restored"
    assert restored(pair, into).exit_code == 0
    modes = {name: stat.S_IMODE((into / name).stat().st_mode) for name in ("kyrie.wav", "link.wav")}
    assert modes == {"kyrie.wav": 0o644, "link.wav": 0o600}


def test_hard_links_are_one_file_again(pair: Pair, tmp_path: Path) -> None:
    choir(pair)
    os.link(pair.primary / KYRIE, pair.primary / "kyrie again.wav")
    os.link(pair.primary / KYRIE, pair.primary / f"{CONCERT}/notes/kyrie.wav")
    pair.run_well()
    into = tmp_path / "restored"
    result = restored(pair, into)
    assert result.written.links == 2
    assert unlike(pair.primary, into) == []
    (into / "kyrie again.wav").unlink()
    assert restored(pair, into).written.links == 1
    assert unlike(pair.primary, into) == []
    run("cp", "--remove-destination", into / KYRIE, into / "kyrie again.wav")
    run("touch", "-r", into / KYRIE, into / "kyrie again.wav")
    restored(pair, into, overwrite=True)
    assert unlike(pair.primary, into) == []


def test_files_get_no_default_acl_of_the_target(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    choir(world.pair)
    world.pair.run_well()
    into = tmp_path / "restored"
    into.mkdir()
    run("setfacl", "-d", "-m", "u:1234:rwx", into)
    restored(world.pair, into)
    assert unlike(world.pair.primary, into) == []


# --- where it must not write


def test_it_writes_to_no_drive_of_a_pair(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    pair = world.pair
    choir(pair)
    pair.run_well()
    link = tmp_path / "link"
    link.symlink_to(pair.primary)
    bound = tmp_path / "bound"
    bound.mkdir()
    run("mount", "--bind", pair.primary / CONCERT, bound)
    try:
        places = (
            pair.primary, pair.secondary, pair.primary / "restored", pair.secondary / "copy" / "x", link / "restored",
            bound / "restored", pair.primary.parent,
        )  # fmt: skip
        before = run("find", pair.primary, pair.secondary, "-printf", r"%p %i %T@ %C@\0")
        for place in places:
            with pytest.raises(WrongUse, match="pair"):
                restored(pair, place)
            with pytest.raises(WrongUse):
                restored(pair, place, alone=True)
        assert run("find", pair.primary, pair.secondary, "-printf", r"%p %i %T@ %C@\0") == before
    finally:
        run("umount", bound)


def test_it_keeps_off_a_drive_with_a_card_of_no_known_pair(drives: DriveFactory, tmp_path: Path) -> None:
    strangers = World.on_drives(drives, tmp_path / "other")
    bound = tmp_path / "bound"
    bound.mkdir()
    (strangers.pair.primary / "folder").mkdir()
    pair = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")
    choir(pair)
    pair.run_well()
    for place in (strangers.pair.secondary / "restored", strangers.pair.primary / "folder"):
        with pytest.raises(WrongUse, match="identity card"):
            restored(pair, place)
    run("mount", "--bind", strangers.pair.primary / "folder", bound)
    try:
        with pytest.raises(WrongUse, match="identity card"):
            restored(pair, bound / "restored")
    finally:
        run("umount", bound)


def test_the_target_has_to_be_one(pair: Pair, tmp_path: Path) -> None:
    choir(pair)
    pair.run_well()
    with pytest.raises(WrongUse, match="the folder above it"):
        restored(pair, tmp_path / "not there" / "restored")
    (tmp_path / "file").write_text("x")
    with pytest.raises(WrongUse, match="not a folder"):
        restored(pair, tmp_path / "file")


def test_two_restores_into_one_folder(pair: Pair, tmp_path: Path) -> None:
    choir(pair)
    pair.run_well()
    other = Pair(tmp_path / "b primary", tmp_path / "b secondary", tmp_path / "b state")
    choir(other)
    other.run_well()
    into = tmp_path / "restored"

    class Nosy:
        refused = 0

        def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
            if name == "restore":
                with pytest.raises(Busy):
                    restored(other, into)
                self.refused += 1

        def advance(self, files: int = 0, size_bytes: int = 0) -> None:
            pass

        def note(self, event: str, **details: object) -> None:
            pass

    nosy = Nosy()
    assert restored(pair, into, progress=nosy).exit_code == 0
    assert nosy.refused == 1


def test_a_night_that_runs_is_not_disturbed(pair: Pair, tmp_path: Path) -> None:
    choir(pair)
    pair.run_well()
    with lock_pair(pair.state_dir, pair.settings.name, "run"), pytest.raises(Busy):
        restored(pair, tmp_path / "restored")


def test_too_little_room_is_said_before_anything_is_written(drives: DriveFactory, tmp_path: Path) -> None:
    pair = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")
    for take in range(8):
        pair.write(f"take {take}.wav", os.urandom(4 * MIB))
    pair.run_well()
    small = drives("ext4", 24 * MIB)
    with pytest.raises(Failed, match=r"does not fit: 32.0 MiB .* free, .* too little"):
        restored(pair, small.root / "restored")
    assert not (small.root / "restored").exists()
    assert restored(pair, small.root / "restored", "take 1.wav").exit_code == 0
    # what is there already takes no room any more
    assert restored(pair, small.root / "restored", "take 1.wav", "take [23].wav").exit_code == 0


def test_too_few_inodes_are_said(drives: DriveFactory, tmp_path: Path) -> None:
    pair = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")
    small = drives("ext4", 8 * MIB)
    free = os.statvfs(small.root).f_favail
    for number in range(free):
        pair.write(f"{number % 50}/{number}", b"")
    pair.run_well()
    with pytest.raises(Failed, match="inodes"):
        restored(pair, small.root / "restored")


# --- stopping


def test_a_stop_keeps_what_is_done_and_the_next_call_goes_on(pair: Pair, tmp_path: Path) -> None:
    for number in range(40):
        pair.write(f"{CONCERT}/{number:02}.wav", os.urandom(10_000))
    pair.run_well()
    stop = Stop(pair.clock)

    class Stopping:
        files = 0
        restoring = False

        def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
            self.restoring = name == "restore"

        def advance(self, files: int = 0, size_bytes: int = 0) -> None:
            self.files += files * self.restoring
            if self.files == 15:
                stop.request("asked to stop")

        def note(self, event: str, **details: object) -> None:
            pass

    into = tmp_path / "restored"
    first = restored(pair, into, stop=stop, progress=Stopping())
    assert (first.stopped, first.exit_code, first.written.files) == (True, 1, 15)
    assert not (into / STAGING).exists()
    second = restored(pair, into)
    assert (second.right, second.written.files, second.exit_code) == (15, 25, 0)
    assert unlike(pair.primary, into) == []


# --- the drives


def test_the_primary_is_not_needed_and_not_written(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    choir(world.pair)
    world.pair.run_well()
    run("cp", "-a", world.pair.primary, tmp_path / "as it was")
    world.drives[0].unmount()
    assert restored(world.pair, tmp_path / "restored").exit_code == 0
    assert unlike(tmp_path / "as it was", tmp_path / "restored") == []
    world.drives[1].unmount()
    with pytest.raises(WrongDrive, match="Nothing is mounted"):
        restored(world.pair, tmp_path / "again")


def test_the_secondary_alone_mounted_read_only(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    tree_with_everything(world.pair.primary)
    world.pair.run()
    run("rm", "-r", world.pair.state_dir)
    world.drives[1].remount(read_only=True)
    result = restored(world.pair, tmp_path / "restored", alone=True)
    assert (result.exit_code, result.night) == (0, 1)
    assert unlike(world.pair.primary, tmp_path / "restored") == []


def test_a_configured_pair_whose_state_is_gone(pair: Pair, tmp_path: Path) -> None:
    choir(pair)
    pair.run_well()
    run("rm", "-r", pair.state_dir)
    result = restored(pair, tmp_path / "restored")
    assert result.exit_code == 0
    assert any("no state" in note for note in result.notes)
    assert unlike(pair.primary, tmp_path / "restored") == []
    assert not pair.state_dir.exists(), "a restore makes no state"


def test_by_older_records_it_says_what_may_be_missing(pair: Pair, tmp_path: Path) -> None:
    choir(pair)
    pair.run_well()
    pair.clock.pass_days(1)
    pair.write("2026-06 summer.wav", b"new")
    pair.run_well()
    (pair.records / "manifest.sqlite3").write_bytes(b"no database")
    result = restored(pair, tmp_path / "restored", alone=True)
    assert (result.exit_code, result.night, result.behind) == (1, 1, True)
    assert any("in copy/ on the secondary as ordinary files" in note for note in result.notes)
    assert not (tmp_path / "restored" / "2026-06 summer.wav").exists()


def test_what_the_night_did_not_copy_is_said(drives: DriveFactory, tmp_path: Path) -> None:
    pair = Pair(drives("ext4", 64 * MIB), drives("exfat", 64 * MIB), tmp_path / "state")
    choir(pair)
    pair.write(f"{CONCERT}/03 credo: take 2?.wav", b"exFAT has no such names")
    pair.run()
    result = restored(pair, tmp_path / "restored")
    (note,) = [note for note in result.notes if "did not copy 1 name" in note]
    assert f"{CONCERT}/03 credo: take 2?.wav" in note
    assert not (tmp_path / "restored" / CONCERT / "03 credo: take 2?.wav").exists()
    for given, is_said in ((CONCERT, True), ("*.wav", True), (PROGRAMME, False), ("*.txt", False)):
        notes = restored(pair, tmp_path / "part", given).notes
        assert any("did not copy" in note for note in notes) is is_said, given


@pytest.mark.parametrize("name", [".nightferry-volume.toml", ".nightferry-volume.toml.new", STAGING, "lost+found"])
def test_rule_I_no_manifest_puts_names_of_ours_into_a_target(pair: Pair, tmp_path: Path, name: str) -> None:
    choir(pair)
    pair.run_well()
    with sqlite3.connect(pair.records / "manifest.sqlite3") as sealed:
        changes = sealed.execute("UPDATE entry SET name = ? WHERE name = ?", (name.encode(), PROGRAMME.encode()))
        assert changes.rowcount == 1
    sealed.close()
    (pair.copy / PROGRAMME).rename(pair.copy / name)
    result = restored(pair, tmp_path / "restored", alone=True)
    assert (result.exit_code, names(result.refused)) == (1, [name.encode()])
    assert not (tmp_path / "restored" / name).exists()
    assert (tmp_path / "restored" / KYRIE).exists()


def test_with_no_manifest_at_all_the_plain_tree_is_restored(pair: Pair, tmp_path: Path) -> None:
    choir(pair)
    (pair.primary / "empty").mkdir()
    os.link(pair.primary / KYRIE, pair.primary / "kyrie again.wav")
    (pair.primary / "link").symlink_to(KYRIE)
    pair.run_well()
    for name in ("manifest.sqlite3", "manifest.previous.sqlite3"):
        (pair.records / name).unlink(missing_ok=True)
    result = restored(pair, tmp_path / "restored", alone=True)
    assert (result.exit_code, result.night, result.unverified) == (0, None, 0)
    assert unlike(pair.primary, tmp_path / "restored") == []
    part = restored(pair, tmp_path / "part", "*.txt", "empty", alone=True)
    assert part.exit_code == 0
    assert whole_names(tmp_path / "part") == [
        CONCERT,
        f"{CONCERT}/notes",
        f"{CONCERT}/notes/seating.txt",
        "empty",
        PROGRAMME,
    ]
    with pytest.raises(WrongUse, match="as-of"):
        restored(pair, tmp_path / "again", alone=True, as_of="1")
    (pair.records / "checksums.xxh128").unlink()
    unchecked = restored(pair, tmp_path / "unchecked", alone=True)
    assert (unchecked.exit_code, unchecked.unverified) == (1, 5), "quiet would mean checked"
