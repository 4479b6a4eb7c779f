"""Restore tests on real drives: what they restore, what they find, and what they leave."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path
from random import Random

import pytest
from harness import OWN_NAMES, Pair, footprint
from rehearsals import by_hand, engine, keeping, left_in_scratch, read_report, reports
from scipy.stats import binomtest, hypergeom
from world import KYRIE, World

from compare import differences
from drives import MIB, Drive, DriveFactory
from effects_faults import KILLED, CountingEffects, KillingEffects, in_child
from nightferry.errors import Busy, Failed, WrongUse
from nightferry.night.context import Stop, Unwatched
from nightferry.night.preflight import lock_pair
from nightferry.planning.confidence import sample_size
from nightferry.recovery.rehearsing import reports as left_reports
from nightferry.recovery.rehearsing.by_hand import DEFAULT_SHARE
from nightferry.reporting.screens.rehearsal_words import not_covered
from nightferry.tree.effects import Effects
from trees import tree_with_everything

CENSUS = 1e-9  # a share that only all files can show


def folders(tmp_path: Path, files: int = 40, **settings: object) -> Pair:
    pair = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state", **settings)
    for number in range(files):
        pair.write(f"concert {number % 4}/{number:03d} kyrie.wav", os.urandom(500 + 37 * number))
    return pair


def spoil(path: Path) -> None:
    """Other content, with the size and the dates it had."""
    before = path.stat()
    with path.open("r+b") as file:
        file.seek(10)
        old = file.read(1)
        file.seek(10)
        file.write(bytes([old[0] ^ 1]))
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


# --- what is restored


@pytest.mark.parametrize("kind", ("ext4", "xfs", "btrfs"))
def test_everything_comes_back_as_it_was(
    kind: str, drives: DriveFactory, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Compared with ``diff``, ``find``, ``getfattr`` and ``getfacl``, on a disk that can hold all of it."""
    scratch = drives("ext4", 64 * MIB, name="scratch").root
    pair = Pair(drives("ext4", 96 * MIB), drives(kind, 192 * MIB), tmp_path / "state", rehearse_scratch=scratch)
    tree_with_everything(pair.primary)
    pair.run()
    with keeping(monkeypatch, tmp_path / "kept") as kept:
        made = by_hand(pair, CENSUS)
    rehearsal = made.rehearsal
    assert (rehearsal.outcome, rehearsal.mismatches, made.exit_code) == ("passed", [], 0)
    assert rehearsal.lost == {} and rehearsal.restored(streamed=True) == (0, 0)
    files = [path for path, entry in pair.entries().items() if entry.stat.kind == 2]
    assert {each.pick.path for each in rehearsal.tested if each.pick.stat.kind == 2} == set(files)
    # A folder without files is not restored, of symlinks three are; and each name is a file of its own here.
    found = differences(pair.primary, kept, links=False, special=False, exclude=OWN_NAMES)
    assert [line for line in found if f"nly in {pair.primary}" not in line] == []
    assert os.listdir(scratch) == ["lost+found"]


@pytest.mark.parametrize("kind", ("exfat", "ntfs"))
def test_metadata_comes_back_where_the_secondary_cannot_hold_it(
    kind: str, drives: DriveFactory, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scratch = drives("ext4", 64 * MIB, name="scratch").root
    pair = Pair(drives("ext4", 96 * MIB), drives(kind, 192 * MIB), tmp_path / "state", rehearse_scratch=scratch)
    kyrie = pair.write(KYRIE, os.urandom(200_000))
    os.chown(kyrie, 1234, 2345)
    kyrie.chmod(0o640)
    os.setxattr(kyrie, "user.mood", b"solemn")
    os.utime(kyrie, ns=(1, 1_700_000_000_123_456_789))
    kyrie.parent.chmod(0o2750)
    (pair.primary / "best").symlink_to(KYRIE)
    pair.run()
    with keeping(monkeypatch, tmp_path / "kept") as kept:
        made = by_hand(pair, CENSUS)
    assert made.rehearsal.outcome == "passed" and made.rehearsal.lost == {}
    assert not made.rehearsal.past_cache
    assert differences(pair.primary, kept, exclude=OWN_NAMES) == []


def test_rule_K_the_secondary_alone_is_enough(drives: DriveFactory, tmp_path: Path) -> None:
    """The box, its state and the primary are gone; the drive may even be mounted read-only."""
    world = World.on_drives(drives, tmp_path)
    world.pair.write(KYRIE, os.urandom(100_000))
    world.pair.run_well()
    world.drives[0].unmount()
    shutil.rmtree(world.pair.state_dir)
    world.drives[1].remount(read_only=True)
    rehearsal = engine(world.pair.settings, clock=world.pair.clock)
    assert rehearsal.outcome == "passed"
    assert [each.pick.path for each in rehearsal.tested] == [KYRIE.encode()]


def test_rule_A_and_B_neither_drive_is_changed_but_for_the_report(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    pair = world.pair
    tree_with_everything(pair.primary)
    pair.run()
    pair.at(KYRIE).unlink(missing_ok=True)
    pair.write("programme.txt", "new")
    pair.run()
    before = footprint(pair.primary), footprint(pair.copy, pair.retired)
    records = {name: (pair.records / name).read_bytes() for name in os.listdir(pair.records) if name != "reports"}
    made = by_hand(pair)
    assert (footprint(pair.primary), footprint(pair.copy, pair.retired)) == before
    assert {name: (pair.records / name).read_bytes() for name in records} == records
    assert reports(pair.records / "reports") == [f"rehearsal-{made.rehearsal.stamp}{end}" for end in (".json", ".txt")]
    assert pair.staging() == []


def _read_bytes(drive: Drive) -> int:
    """What the kernel has read from a block device (Documentation/admin-guide/iostats.rst: sectors of 512 bytes)."""
    return int(Path(f"/sys/block/{Path(drive.device).name}/stat").read_text().split()[2]) * 512


def test_it_is_read_from_the_drive_and_not_from_memory(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path, rehearse_scratch_limit=8 * MIB)
    for number in range(20):
        world.pair.write(f"{number}.wav", os.urandom(MIB))
    world.pair.write("film.mkv", os.urandom(12 * MIB))
    world.pair.run_well()
    for path in world.pair.copy.iterdir():
        path.read_bytes()
    world.drives[1].sync()
    before = _read_bytes(world.drives[1])
    made = by_hand(world.pair, CENSUS)
    read = _read_bytes(world.drives[1]) - before
    assert read >= 32 * MIB
    assert made.rehearsal.past_cache
    assert made.rehearsal.restored(streamed=True) == (1, 12 * MIB)
    assert made.rehearsal.restored(streamed=False) == (20, 20 * MIB)
    assert made.rehearsal.pace.rate_bytes_per_s
    told = " ".join(not_covered(made.rehearsal))
    assert "The metadata of 1 file (12.0 MiB) that could only be read and compared" in told
    assert "draws" not in told  # all of it was tried
    (text,) = (world.pair.records / "reports").glob("rehearsal-*.txt")
    assert "and 1 larger one (12.0 MiB) read and compared" in " ".join(text.read_text().split())


def test_retired_versions_are_among_them(tmp_path: Path) -> None:
    pair = folders(tmp_path)
    pair.run_well()
    for number in range(12):
        pair.write(f"concert {number % 4}/{number:03d} kyrie.wav", b"new")
    pair.run_well()
    rehearsal = by_hand(pair).rehearsal
    assert rehearsal.outcome == "passed"
    assert rehearsal.population.retired_files == 12
    assert sum(each.pick.side == "retired" for each in rehearsal.tested) == 5
    assert sum("from the last night" in each.pick.why for each in rehearsal.tested) == 5


def test_without_room_for_scratch_all_is_read_and_compared(tmp_path: Path) -> None:
    pair = folders(tmp_path, rehearse_scratch_limit=0)
    pair.run_well()
    rehearsal = by_hand(pair).rehearsal
    assert rehearsal.outcome == "passed"
    assert rehearsal.restored(streamed=False) == (0, 0)
    assert "too little room" in (rehearsal.place.why_none or "")


def test_a_scratch_place_that_gives_up_says_nothing_of_the_secondary(tmp_path: Path) -> None:
    pair = folders(tmp_path, files=90)
    pair.run_well()

    class FillsUp(Effects):
        count = 0

        def pwrite(self, *args: object) -> int:  # type: ignore[override]
            FillsUp.count += 1
            if FillsUp.count > 70:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return os.pwrite(*args)  # type: ignore[arg-type]

    rehearsal = by_hand(pair, effects=FillsUp()).rehearsal
    assert rehearsal.outcome == "passed" and len(rehearsal.tested) == 90
    assert rehearsal.restored(streamed=False)[0] == 64 and rehearsal.restored(streamed=True)[0] == 26
    assert "gave up" in (rehearsal.place.why_none or "")
    assert left_of(pair) == []


@pytest.mark.parametrize("where", ("primary", "secondary"))
def test_rule_A_no_scratch_on_a_drive_of_the_pair(where: str, drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    world.pair.write(KYRIE, b"kyrie")
    world.pair.run_well()
    world.pair.set(rehearse_scratch=getattr(world.pair, where))
    before = footprint(world.pair.primary)
    rehearsal = by_hand(world.pair).rehearsal
    assert f"lies on the {where}" in (rehearsal.place.why_none or "")
    assert rehearsal.outcome == "passed" and rehearsal.restored(streamed=True)[0] == 1
    assert footprint(world.pair.primary) == before


def test_an_empty_copy_is_a_statement_about_nothing(tmp_path: Path) -> None:
    pair = folders(tmp_path, files=0)
    pair.at("a folder").mkdir()
    pair.run_well()
    assert by_hand(pair).rehearsal.outcome == "passed"


# --- what is found


def test_each_kind_of_damage_is_named_entered_and_mended(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    pair = world.pair
    for name in ("decayed", "missing", "a folder", "a symlink", "right"):
        pair.write(f"{name}.wav", os.urandom(50_000))
    (pair.primary / "best").symlink_to("right.wav")
    pair.run_well()
    world.rot(1, pair.copy / "decayed.wav", 20_000)
    for name in ("missing", "a folder", "a symlink"):
        (pair.copy / f"{name}.wav").unlink()
    (pair.copy / "a folder.wav").mkdir()
    (pair.copy / "a symlink.wav").symlink_to("right.wav")
    made = by_hand(pair)
    found = {each.path: each.what for each in made.rehearsal.mismatches}
    assert found == {
        b"decayed.wav": "decayed", b"missing.wav": "missing", b"a folder.wav": "unreadable",
        b"a symlink.wav": "missing",
    }  # fmt: skip
    assert made.exit_code == 1
    register = {each.path: (each.verdict, each.found_by, each.side) for each in world.damage()}
    assert register == {path: (what, "rehearsal", "secondary") for path, what in found.items()}
    by_files, by_bytes = made.rehearsal.assurances
    assert (by_files.done, by_files.failed, by_files.most) == (5, 4, 4)
    assert by_bytes.failed > 0
    report = read_report(pair.records / "reports", made.rehearsal.stamp)
    assert report["outcome"] == "mismatches" and not report["secondary_alone_was_enough"]
    pair.run()
    assert world.open() == []
    assert by_hand(pair).rehearsal.outcome == "passed"


class LyingScratch(Effects):
    """Says that it did what it was asked to in the scratch place, and did not."""

    def __init__(self, about: str) -> None:
        def is_mine(fd: object) -> bool:
            return isinstance(fd, int) and "nightferry-rehearsal-" in os.readlink(f"/proc/self/fd/{fd}")

        def written(call):  # type: ignore[no-untyped-def]
            def writing(fd: int, data: object, *at: int) -> int:
                other = bytearray(data)  # type: ignore[call-overload]
                if other and is_mine(fd):
                    other[0] ^= 1
                return call(fd, other, *at)

            return writing

        def not_done(call):  # type: ignore[no-untyped-def]
            # not of the small files by which it is found out what the place can hold
            return lambda fd, *given, **more: (
                None if is_mine(fd) and os.fstat(fd).st_size >= 500 else call(fd, *given, **more)
            )

        if about == "content":
            self.write, self.pwrite = written(os.write), written(os.pwrite)
        elif about == "time":
            self.utime = not_done(os.utime)
        elif about == "mode":
            self.chmod = not_done(os.chmod)
        else:
            self.chown = not_done(os.chown)


@pytest.mark.parametrize("about", ("content", "owner", "mode", "time"))
def test_what_was_restored_is_compared_with_what_it_should_be(about: str, tmp_path: Path) -> None:
    """In content and metadata, as it stands in the scratch place by then: nothing is believed to have worked."""
    pair = folders(tmp_path, files=3)
    for number, path in enumerate(sorted(pair.primary.rglob("*.wav"))):
        os.chown(path, 1000 + number, 2000)
        path.chmod(0o640)
    pair.run_well()
    rehearsal = by_hand(pair, effects=LyingScratch(about)).rehearsal
    files = [each for each in rehearsal.mismatches if each.path.endswith(b".wav")]
    assert (rehearsal.outcome, len(files)) == ("mismatches", 3)
    assert {each.what for each in rehearsal.mismatches} == {"metadata"}
    assert all(f"restored, and its {about}" in each.detail for each in files), files
    assert rehearsal.assurances[0].failed == 3


def test_a_bad_retired_version_is_entered_where_it_stands(tmp_path: Path) -> None:
    pair = folders(tmp_path, files=3)
    pair.run_well()
    pair.at("concert 0/000 kyrie.wav").unlink()
    pair.run_well()
    (held,) = pair.held().values()
    spoil(Path(os.fsdecode(held.path)))
    made = by_hand(pair)
    (mismatch,) = made.rehearsal.mismatches
    assert (mismatch.side, mismatch.what, mismatch.name) == ("retired", "decayed", held.past.held)
    assert World(pair).open() == [(held.past.held, "retired", "decayed")]
    assert by_hand(pair).rehearsal.outcome == "mismatches"
    assert len(World(pair).open()) == 1


def test_planted_faults_are_missed_as_often_as_the_confidence_allows(tmp_path: Path) -> None:
    """The whole engine, many times over a small tree: whether a blind draw met a bad file, against scipy."""
    total, bad, rounds = 30, 4, int(os.environ.get("REHEARSAL_ROUNDS", "40"))
    share = bad / total
    pair = folders(tmp_path, files=total)
    pair.run_well()
    chosen = Random(4).sample(sorted(pair.copy.rglob("*.wav")), bad)
    for path in chosen:
        spoil(path)
    wrong = {bytes(path.relative_to(pair.copy)) for path in chosen}
    missed = wrongly_stated = 0
    for seed in range(rounds):
        rehearsal = engine(pair.settings, share=share, seed=seed, clock=pair.clock)
        tested = {each.pick.path: each.is_right for each in rehearsal.tested}
        assert {each.path for each in rehearsal.mismatches} == wrong & set(tested)
        assert {path for path, right in tested.items() if not right} == wrong & set(tested)
        files = rehearsal.assurances[0]
        assert files.done == files.planned == sample_size(total, share)
        missed += files.failed == 0
        wrongly_stated += files.most < bad
    allowed = hypergeom.pmf(0, total, bad, sample_size(total, share))
    assert 0.02 < allowed <= 0.05
    assert binomtest(missed, rounds, allowed).pvalue > 0.001
    assert binomtest(wrongly_stated, rounds, 0.05, alternative="greater").pvalue > 0.001


@pytest.mark.parametrize("damage", ("overwritten", "gone"))
def test_without_a_sound_manifest_on_the_drive_it_says_that_the_drive_is_not_enough(
    damage: str, tmp_path: Path
) -> None:
    pair = folders(tmp_path)
    pair.run_well()
    pair.run_well()
    for name in ("manifest.sqlite3", "manifest.previous.sqlite3"):
        if damage == "gone":
            (pair.records / name).unlink()
        else:
            (pair.records / name).write_bytes(os.urandom(40_000))
    made = by_hand(pair)
    assert made.rehearsal.outcome == "impossible" and made.exit_code == 1
    report = read_report(pair.records / "reports", made.rehearsal.stamp)
    assert "nightferry run recordings" in report["impossible"] and report["whole_restore"] is None
    assert report["not_covered"]


def test_with_only_the_newest_manifest_damaged_it_says_so_too(tmp_path: Path) -> None:
    """The one before it is older than the files, and would find fault with what is right."""
    pair = folders(tmp_path, files=4)
    pair.run_well()
    pair.write("concert 0/000 kyrie.wav", b"another take")
    pair.run_well()
    (pair.records / "manifest.sqlite3").write_bytes(os.urandom(40_000))
    rehearsal = by_hand(pair).rehearsal
    assert (rehearsal.outcome, rehearsal.mismatches) == ("impossible", [])
    assert "sealed last on the secondary cannot be used" in (rehearsal.impossible or "")
    assert World(pair).open() == []


def test_what_reads_wrong_once_and_right_the_next_time_is_told_apart_from_rot(tmp_path: Path) -> None:
    """Nothing is wrong with the file then: cable, power or memory are, and there is nothing to mend."""
    pair = folders(tmp_path, files=3)
    pair.run_well()
    inode = os.stat(pair.copy / "concert 1/001 kyrie.wav").st_ino

    class WrongOnce(Effects):
        def __init__(self) -> None:
            self.is_wrong = True

            def once(call):  # type: ignore[no-untyped-def]
                def reading(fd: int, buffers: list[memoryview], *given: int) -> int:
                    got: int = call(fd, buffers, *given)
                    if self.is_wrong and got and os.fstat(fd).st_ino == inode:
                        self.is_wrong = False
                        buffers[0][0] ^= 1
                    return got

                return reading

            self.preadv, self.readv = once(os.preadv), once(os.readv)

    rehearsal = by_hand(pair, effects=WrongOnce()).rehearsal
    (mismatch,) = rehearsal.mismatches
    assert (mismatch.path, mismatch.what) == (b"concert 1/001 kyrie.wav", "unstable")
    assert "suspect cable, power or memory" in mismatch.detail
    assert World(pair).open() == []


def test_a_manifest_that_hangs_files_on_nothing_is_found(tmp_path: Path) -> None:
    """A row whose folder is not there: SQLite calls such a manifest whole."""
    import sqlite3

    pair = folders(tmp_path, files=20)
    pair.run_well()
    sealed = sqlite3.connect(pair.records / "manifest.sqlite3")
    sealed.execute("UPDATE entry SET parent = 999999 WHERE name = CAST('007 kyrie.wav' AS BLOB)")
    sealed.commit()
    sealed.close()
    made = by_hand(pair, CENSUS)
    assert made.rehearsal.is_failure


@pytest.mark.parametrize(
    "change", ("size_bytes = 'large'", "name = CAST('../../x' AS BLOB)", "digest = x'00'", "algorithm = 77")
)
def test_rule_I_a_sealed_manifest_is_input(change: str, tmp_path: Path) -> None:
    import sqlite3

    pair = folders(tmp_path, files=5)
    pair.run_well()
    outside = tmp_path / "outside"
    outside.mkdir()
    sealed = sqlite3.connect(pair.records / "manifest.sqlite3")
    sealed.execute(f"UPDATE entry SET {change} WHERE kind = 2 AND name = CAST('000 kyrie.wav' AS BLOB)")
    sealed.commit()
    sealed.close()
    before = footprint(outside, pair.primary, pair.copy)
    made = by_hand(pair, CENSUS)
    assert made.rehearsal.is_failure
    assert footprint(outside, pair.primary, pair.copy) == before
    assert left_of(pair) == []


# --- what ends it early


def test_a_limit_of_bytes_ends_the_blind_draws_and_is_said(tmp_path: Path) -> None:
    pair = folders(tmp_path, files=200)
    pair.run_well()
    pair.set(rehearse_limit=400_000)
    made = by_hand(pair)
    rehearsal = made.rehearsal
    assert (rehearsal.outcome, rehearsal.stopped, made.exit_code) == ("short", "limit", 0)
    assert sum(each.pick.size_bytes for each in rehearsal.tested) <= 400_000
    assert 0 < rehearsal.assurances[0].done < rehearsal.assurances[0].planned
    assert rehearsal.assurances[0].share > DEFAULT_SHARE
    pair.set(rehearse_limit=2_000)
    rehearsal = by_hand(pair).rehearsal
    assert [each.size_bytes for each in rehearsal.passed_over] and rehearsal.assurances[0].share > 0.5


def test_asked_to_stop_it_tells_what_it_has_shown(tmp_path: Path) -> None:
    pair = folders(tmp_path, files=300)
    pair.run_well()
    stop = Stop(pair.clock)

    class StopsSoon(Effects):
        count = 0

        def pwrite(self, *args: object) -> int:  # type: ignore[override]
            StopsSoon.count += 1
            if StopsSoon.count == 150:
                stop.request("asked to stop")
            return os.pwrite(*args)  # type: ignore[arg-type]

    made = by_hand(pair, stop=stop, effects=StopsSoon())
    rehearsal = made.rehearsal
    assert (rehearsal.outcome, rehearsal.stopped, made.exit_code) == ("short", "asked", 1)
    assert 0 < len(rehearsal.tested) < 200
    assert left_of(pair) == []


def left_of(pair: Pair) -> list[str]:
    """What a rehearsal of this pair left in the scratch place."""
    import hashlib

    with pair.manifest() as manifest:
        mine = hashlib.sha256((manifest.pair_id or "").encode()).hexdigest()[:16]
    return [name for name in left_in_scratch() if mine in name]


def test_rule_E_what_a_crash_leaves_the_next_one_removes(tmp_path: Path) -> None:
    pair = folders(tmp_path, files=12)
    pair.run_well()
    counting = CountingEffects()
    engine(pair.settings, clock=pair.clock, effects=counting)
    left = 0
    for n in range(5, counting.count, max(1, counting.count // 12)):
        assert not in_child(lambda n=n: engine(pair.settings, clock=pair.clock, effects=KillingEffects(n)))
        left += bool(left_of(pair))
        assert engine(pair.settings, clock=pair.clock).outcome == "passed"
        assert left_of(pair) == []
    assert left > 5


def test_rule_E_a_night_removes_it_too(tmp_path: Path) -> None:
    pair = folders(tmp_path, files=12)
    pair.run_well()
    assert not in_child(lambda: engine(pair.settings, clock=pair.clock, effects=KillingEffects(60)))
    assert left_of(pair)
    pair.run_well()
    assert left_of(pair) == []


# --- by hand


def test_it_takes_the_locks(tmp_path: Path) -> None:
    pair = folders(tmp_path)
    pair.run_well()
    with lock_pair(pair.state_dir, "recordings", "run"), pytest.raises(Busy):
        by_hand(pair)


def test_before_the_first_night_there_is_nothing_to_restore(tmp_path: Path) -> None:
    with pytest.raises(WrongUse, match="No night has run"):
        by_hand(folders(tmp_path))


def test_a_run_that_did_not_end_has_to_be_finished_first(tmp_path: Path) -> None:
    pair = folders(tmp_path)
    pair.run_well()
    pair.write("new.wav", os.urandom(5_000))

    class DiesInTheCopy(Unwatched):
        def phase(self, name: str, *totals: object) -> None:
            if name == "copy":
                os._exit(KILLED)

    assert not in_child(lambda: pair.run(progress=DiesInTheCopy()))
    with pytest.raises(Failed, match="nightferry run recordings"):
        by_hand(pair)
    pair.run()
    assert by_hand(pair).rehearsal.outcome == "passed"


def test_the_oldest_reports_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(left_reports, "KEPT_LIMIT", 2)
    pair = folders(tmp_path, files=3)
    pair.run_well()
    (pair.records / "reports/notes of the choir.txt").write_text("mine")
    stamps = []
    for _ in range(4):
        pair.clock.shift_s += 5
        stamps.append(by_hand(pair).rehearsal.stamp)
    for folder in (pair.records / "reports", pair.state_dir / "recordings/reports"):
        kept = [f"rehearsal-{stamp}{end}" for stamp in stamps[-2:] for end in (".json", ".txt")]
        assert reports(folder) == kept
    assert (pair.records / "reports/notes of the choir.txt").exists()


def test_the_draw_is_that_of_its_seed(tmp_path: Path) -> None:
    pair = folders(tmp_path, files=300)
    pair.run_well()
    taken = [
        [each.pick.path for each in engine(pair.settings, seed=seed, share=0.1, clock=pair.clock).tested]
        for seed in (1, 1, 2)
    ]
    assert taken[0] == taken[1] != taken[2]
