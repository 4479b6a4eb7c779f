"""Rule C on real decay: bits flipped in the image behind the file system, so that size, times and inode stay.

What is right is known from ``sha256sum``, taken before; what a night did is looked at with ordinary means.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from harness import Pair

from drives import MIB, Drive, DriveFactory, run
from nightferry.night import missing
from nightferry.night.context import Unwatched
from nightferry.tree.effects import Effects

BLOCK = 4096
KYRIE = "2026-05 spring concert/01 kyrie.wav"


def sha256(path: Path | bytes) -> str:
    return run("sha256sum", "-b", os.fsencode(path)).split()[0].decode().lstrip("\\")


class Box:
    """A pair on two real ext4 drives, after its first night, and a day or more later."""

    def __init__(self, drives: DriveFactory, tmp_path: Path, **settings: object) -> None:
        self.drives: tuple[Drive, Drive] = (drives("ext4", 96 * MIB), drives("ext4", 192 * MIB))
        self.pair = Pair(*self.drives, tmp_path / "state", **settings)

    def rot(self, side: int, path: Path | bytes, offset: int, mask: int = 0x08) -> None:
        """One bit of a file decays on the primary (0) or the secondary (1)."""
        before = os.lstat(path)
        drive = self.drives[side]
        drive.flip_byte(path, offset, mask)
        drive.drop_caches()
        after = os.lstat(path)
        same = ("st_size", "st_mtime_ns", "st_ctime_ns", "st_ino")
        assert [getattr(before, name) for name in same] == [getattr(after, name) for name in same]

    def nights(self, count: int) -> list:  # type: ignore[type-arg]
        """So many nights, a day apart. Caches are dropped before each, as a month would."""
        results = []
        for _ in range(count):
            self.pair.clock.pass_days(1.01)
            for drive in self.drives:
                drive.drop_caches()
            results.append(self.pair.run())
        return results

    def damage(self) -> list[tuple[bytes, str, str, str]]:
        with self.pair.manifest() as manifest:
            return manifest.runs.open_damage()

    def register(self) -> list[tuple[bytes, str, str, str | None]]:
        with self.pair.manifest() as manifest:
            return manifest.database.connection.execute(
                "SELECT path, side, verdict, became FROM damage ORDER BY id"
            ).fetchall()


@pytest.fixture
def box(drives: DriveFactory, tmp_path: Path) -> Box:
    made = Box(drives, tmp_path)
    made.pair.write(KYRIE, os.urandom(3 * MIB + 17))
    made.pair.write("programme.txt", "Kyrie, Gloria, Sanctus\n" * 500)
    made.pair.run_well()
    return made


@pytest.mark.parametrize("offset", [0, MIB + 5, 3 * MIB + 16], ids=["first block", "middle", "last block"])
def test_rule_C_a_decayed_copy_is_mended_from_the_primary(box: Box, offset: int) -> None:
    copy, primary = box.pair.copy / KYRIE, box.pair.at(KYRIE)
    good = sha256(primary)
    box.rot(1, copy, offset)
    assert sha256(copy) != good
    bad = sha256(copy)
    results = box.nights(1)
    assert sha256(copy) == good == sha256(primary)
    assert results[0].tally.mended == 1
    assert box.damage() == []
    assert box.register() == [
        (KYRIE.encode(), "secondary", "decayed", "mended from the primary; the bad bytes are in retired/")
    ]
    (held,) = box.pair.held(2).values()
    assert held.past.reason == "decayed"
    assert sha256(held.path) == bad
    assert box.pair.differences() == []
    box.pair.run_quiet()


@pytest.mark.parametrize("offset", [0, MIB + 5, 3 * MIB + 16], ids=["first block", "middle", "last block"])
def test_rule_C_a_decayed_primary_is_reported_and_never_copied(box: Box, offset: int) -> None:
    copy, primary = box.pair.copy / KYRIE, box.pair.at(KYRIE)
    good = sha256(copy)
    box.rot(0, primary, offset)
    box.pair.write("2026-06 summer/01 new.wav", os.urandom(1000))
    (result,) = box.nights(1)
    assert sha256(copy) == good
    assert [each[:3] for each in box.damage()] == [(KYRIE.encode(), "primary", "decayed")]
    assert (result.state, result.exit_code) == ("attention", 1)
    assert (box.pair.copy / "2026-06 summer/01 new.wav").exists()  # the night went on
    for later in box.nights(3):  # open until somebody does something, and entered once
        assert later.state == "attention"
    assert len(box.register()) == 1
    assert sha256(copy) == good


def test_rule_C_both_decayed_is_said_of_both_and_nothing_is_replaced(box: Box) -> None:
    copy, primary = box.pair.copy / KYRIE, box.pair.at(KYRIE)
    box.rot(0, primary, 100)
    box.rot(1, copy, 2 * MIB)
    before = sha256(copy)
    box.nights(2)
    assert sorted(each[:3] for each in box.damage()) == [
        (KYRIE.encode(), "primary", "decayed"),
        (KYRIE.encode(), "secondary", "decayed"),
    ]
    assert sha256(copy) == before
    assert box.pair.held() == {}


def test_rule_C_a_decayed_retired_version_is_reported(box: Box) -> None:
    primary = box.pair.write("programme.txt", "Kyrie only\n")
    good = sha256(primary)
    box.nights(1)
    (held,) = box.pair.held().values()
    box.rot(1, held.path, 50)
    (result,) = box.nights(1)
    assert [each[:3] for each in box.damage()] == [(held.past.held, "retired", "decayed")]
    assert result.state == "attention"
    assert sha256(primary) == sha256(box.pair.copy / "programme.txt") == good


def test_rule_C_a_decayed_file_of_many_names_on_the_primary_is_never_carried_over(
    drives: DriveFactory, tmp_path: Path
) -> None:
    box = Box(drives, tmp_path)
    first = box.pair.write("a/kyrie.wav", os.urandom(MIB))
    (box.pair.at("best of")).mkdir()
    os.link(first, box.pair.at("best of/kyrie.wav"))
    box.pair.run_well()
    good = sha256(first)
    box.rot(0, first, 5000)
    later(box)
    copies = [box.pair.copy / "a/kyrie.wav", box.pair.copy / "best of/kyrie.wav"]
    assert [sha256(copy) for copy in copies] == [good, good]
    assert os.stat(copies[0]).st_ino == os.stat(copies[1]).st_ino
    assert sorted(each[:3] for each in box.damage()) == [
        (b"a/kyrie.wav", "primary", "decayed"), (b"best of/kyrie.wav", "primary", "decayed"),
    ]  # fmt: skip
    # and a new name of it, by which its ctime moves
    os.link(first, box.pair.at("encore.wav"))
    (result,) = box.nights(1)
    assert (result.outcome, result.tally.changed) == ("partial", 0)
    assert [sha256(copy) for copy in copies] == [good, good]
    assert not (box.pair.copy / "encore.wav").exists()
    assert box.pair.left_out(result.number) == {b"encore.wav": "unreadable"}


def test_rule_C_a_damaged_file_that_is_renamed_takes_its_good_copy_along(box: Box) -> None:
    good = sha256(box.pair.at(KYRIE))
    box.rot(0, box.pair.at(KYRIE), 4711)
    later(box)
    box.pair.at(KYRIE).rename(box.pair.at("kyrie, final.wav"))
    (result,) = box.nights(1)
    assert (result.tally.moved, result.tally.added, result.tally.removed) == (1, 0, 0)
    assert sha256(box.pair.copy / "kyrie, final.wav") == good
    later(box)
    assert [each[:3] for each in box.damage()] == [(b"kyrie, final.wav", "primary", "decayed")]
    assert sha256(box.pair.copy / "kyrie, final.wav") == good


def test_rule_C_decay_in_a_sparse_file_of_the_primary_is_never_carried_over(
    drives: DriveFactory, tmp_path: Path
) -> None:
    box = Box(drives, tmp_path)
    sparse = box.pair.at("score.img")
    with sparse.open("wb") as file:
        file.seek(20 * MIB)
        file.write(os.urandom(64 * 1024))
        file.truncate(40 * MIB)
    box.pair.run_well()
    good = sha256(sparse)
    box.rot(0, sparse, 20 * MIB + 30_000)
    box.nights(2)
    assert sha256(box.pair.copy / "score.img") == good
    assert [each[:3] for each in box.damage()] == [(b"score.img", "primary", "decayed")]


def test_rule_C_hard_linked_copies_are_mended_together_and_stay_linked(drives: DriveFactory, tmp_path: Path) -> None:
    box = Box(drives, tmp_path)
    first = box.pair.write("a/kyrie.wav", os.urandom(MIB))
    (box.pair.at("best of")).mkdir()
    os.link(first, box.pair.at("best of/kyrie.wav"))
    box.pair.run_well()
    good = sha256(first)
    box.rot(1, box.pair.copy / "a/kyrie.wav", 5000)
    box.nights(1)
    copies = [box.pair.copy / "a/kyrie.wav", box.pair.copy / "best of/kyrie.wav"]
    assert [sha256(copy) for copy in copies] == [good, good]
    assert os.stat(copies[0]).st_ino == os.stat(copies[1]).st_ino
    assert box.damage() == []
    assert box.pair.differences() == []


def test_rule_C_decay_in_a_sparse_file(drives: DriveFactory, tmp_path: Path) -> None:
    box = Box(drives, tmp_path)
    sparse = box.pair.at("score.img")
    with sparse.open("wb") as file:
        file.seek(20 * MIB)
        file.write(os.urandom(64 * 1024))
        file.truncate(40 * MIB)
    box.pair.run_well()
    good = sha256(sparse)
    box.rot(1, box.pair.copy / "score.img", 20 * MIB + 30_000)
    box.nights(1)
    assert sha256(box.pair.copy / "score.img") == good
    assert os.stat(box.pair.copy / "score.img").st_blocks * 512 < MIB
    assert box.damage() == []


def test_a_copy_that_somebody_removed_is_put_back(box: Box) -> None:
    (box.pair.copy / KYRIE).unlink()
    (result,) = box.nights(1)
    assert result.tally.mended == 1
    assert [row[1:3] for row in box.register()] == [("secondary", "missing")]
    assert box.damage() == []
    assert box.pair.differences() == []


@pytest.fixture
def shaped(box: Box) -> Box:
    """With symlinks and an empty folder, and their names looked at once."""
    box.pair.at("2026-05 spring concert/newest").symlink_to("01 kyrie.wav")
    box.pair.at("to be recorded/autumn").mkdir(parents=True)
    box.pair.at("to be recorded").chmod(0o750)
    assert [result.outcome for result in box.nights(2)] == ["complete", "complete"]
    assert box.register() == []
    return box


def later(box: Box) -> object:
    """The night in which every name is due again."""
    box.pair.clock.pass_days(31)
    return box.nights(1)[0]


def mended(box: Box, path: str, verdict: str) -> None:
    """Found in that night, put right in it, and all is as on the primary."""
    result = later(box)
    assert (result.outcome, result.tally.mended) == ("complete", 1)
    assert [row[:3] for row in box.register()] == [(path.encode(), "secondary", verdict)]
    assert box.damage() == []
    assert box.pair.differences() == []
    box.pair.run_quiet()


LINK = "2026-05 spring concert/newest"


def test_a_symlink_that_is_gone_is_put_back(shaped: Box) -> None:
    (shaped.pair.copy / LINK).unlink()
    mended(shaped, LINK, "missing")


def test_a_symlink_that_points_elsewhere_is_put_right(shaped: Box) -> None:
    (shaped.pair.copy / LINK).unlink()
    (shaped.pair.copy / LINK).symlink_to("/etc/hostname")
    mended(shaped, LINK, "decayed")
    assert "/etc/hostname" in {held.content.decode() for held in shaped.pair.held().values()}


def test_a_file_where_a_symlink_was_is_kept_and_the_symlink_put_back(shaped: Box) -> None:
    (shaped.pair.copy / LINK).unlink()
    (shaped.pair.copy / LINK).write_text("somebody's notes")
    mended(shaped, LINK, "decayed")
    assert "somebody's notes" in {path.read_text() for path in shaped.pair.retired.rglob("newest*")}


@pytest.mark.parametrize("what", ["folder", "symlink"])
def test_something_else_where_a_file_was_is_kept_and_the_file_put_back(shaped: Box, what: str, tmp_path: Path) -> None:
    copy = shaped.pair.copy / KYRIE
    copy.unlink()
    if what == "folder":
        copy.mkdir()
        (copy / "notes.txt").write_text("somebody's notes")
    else:
        (tmp_path / "outside").write_text("not to be read")
        copy.symlink_to(tmp_path / "outside")
    mended(shaped, KYRIE, "decayed")
    assert sha256(copy) == sha256(shaped.pair.at(KYRIE))
    kept = list(shaped.pair.retired.rglob("01 kyrie.wav*"))
    assert len(kept) == 1 and (kept[0].is_symlink() if what == "symlink" else (kept[0] / "notes.txt").exists())


def test_an_empty_folder_that_is_gone_is_made_again(shaped: Box) -> None:
    (shaped.pair.copy / "to be recorded/autumn").rmdir()
    mended(shaped, "to be recorded/autumn", "missing")


def test_a_file_where_an_empty_folder_was_is_kept_and_the_folder_made_again(shaped: Box) -> None:
    place = shaped.pair.copy / "to be recorded/autumn"
    place.rmdir()
    place.write_text("somebody's notes")
    mended(shaped, "to be recorded/autumn", "decayed")
    assert place.is_dir()


def test_a_held_night_finds_and_does_not_mend(shaped: Box) -> None:
    shaped.pair.set(hold_count=1)
    (shaped.pair.copy / LINK).unlink()
    shaped.pair.at(KYRIE).unlink()
    shaped.pair.at("programme.txt").unlink()
    assert later(shaped).outcome == "held"
    assert [each[:3] for each in shaped.damage()] == [(LINK.encode(), "secondary", "missing")]
    shaped.pair.release()
    (result,) = shaped.nights(1)
    assert (result.tally.mended, shaped.damage()) == (1, [])
    assert shaped.pair.differences() == []


def test_a_whole_folder_that_is_gone_is_back_the_same_night(
    drives: DriveFactory, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """More files than are entered one by one where the folder is met, in folders below it too."""
    monkeypatch.setattr(missing, "ENTER_LIMIT", 20)
    box = Box(drives, tmp_path)
    for number in range(60):
        box.pair.write(f"rehearsals/{number % 3}/{number:04}.txt", f"take {number}")
    box.pair.at("rehearsals/newest").symlink_to("1/0001.txt")
    box.pair.at("rehearsals/2/empty").mkdir()
    box.pair.run_well()
    box.nights(1)
    run("rm", "-r", box.pair.copy / "rehearsals")
    result = later(box)
    assert box.pair.differences() == []
    assert box.damage() == []
    assert result.outcome == "complete"
    assert result.tally.mended == result.tally.damage >= 60
    box.pair.run_quiet()


class RemovedWhenLookedAt(Effects):
    """In the phase that reads back: a file goes away right after it was looked at, before it is opened."""

    def __init__(self, victim: Path, away: Path) -> None:
        inode = os.stat(victim).st_ino
        self.is_reading = False

        def stat(path: object, *args: object, **given: object) -> os.stat_result:
            found = os.stat(path, *args, **given)
            if self.is_reading and found.st_ino == inode and victim.exists():
                victim.rename(away)
            return found

        self.stat = stat


@pytest.mark.parametrize("side", ["primary", "secondary"])
def test_a_file_removed_right_before_it_is_opened_is_gone_and_not_unreadable(box: Box, side: str) -> None:
    """From the secondary it is missing, and put back; on the primary that is a person's doing."""
    victim = (box.pair.copy if side == "secondary" else box.pair.primary) / KYRIE
    effects = RemovedWhenLookedAt(victim, victim.parent.parent / "gone.wav")

    class Watching(Unwatched):
        def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
            effects.is_reading = name == "verify"

    box.pair.clock.pass_days(31)
    result = box.pair.run(effects=effects, progress=Watching())
    assert not victim.exists() if side == "primary" else victim.exists()
    assert result.outcome == "complete"
    assert [row[1:3] for row in box.register()] == ([("secondary", "missing")] if side == "secondary" else [])


def test_a_copy_that_somebody_wrote_to_is_damage_too(box: Box) -> None:
    copy = box.pair.copy / "programme.txt"
    copy.write_text("nobody should write here")
    box.nights(1)
    assert copy.read_bytes() == box.pair.at("programme.txt").read_bytes()
    assert [row[1:3] for row in box.register()] == [("secondary", "decayed")]
    assert "nobody should write here" in {held.content.decode() for held in box.pair.held().values()}


def test_a_change_by_a_person_is_no_damage(box: Box) -> None:
    """A new file under the old date: its number and its birth say that it is another one."""
    primary = box.pair.at(KYRIE)
    times = os.stat(primary)
    box.pair.write("new", b"RIFF" + primary.read_bytes()[4:])
    os.utime(box.pair.at("new"), ns=(times.st_atime_ns, times.st_mtime_ns))
    box.pair.at("new").rename(primary)
    (result,) = box.nights(1)
    assert result.tally.changed == 1
    assert result.tally.put_back_dates == 1
    assert any("other content under their old date" in note for note in result.notes)
    assert box.register() == []
    assert box.pair.differences() == []


def test_nothing_expires_while_damage_is_open(box: Box) -> None:
    box.pair.write("programme.txt", "Kyrie only\n")
    box.nights(1)
    (held,) = box.pair.held().values()
    box.rot(0, box.pair.at(KYRIE), 7)
    box.pair.set(keep_retired_at_least="1d", keep_retired="1d")
    for result in box.nights(4):
        assert result.tally.expired == 0
    assert os.path.exists(held.path)


def test_rule_M_every_byte_is_read_within_the_cycle_oldest_first(drives: DriveFactory, tmp_path: Path) -> None:
    """A simulated month: each night reads its share and no more, and by the end all was read, on both drives."""
    box = Box(drives, tmp_path, verify_cycle="10d")
    for number in range(200):
        box.pair.write(f"rehearsal/{number:03d}.wav", os.urandom(20_000 + number))
    box.pair.run_well()
    with box.pair.manifest() as manifest:
        total = manifest.entries.totals()[1]
    read = []
    for result in box.nights(11):
        assert result.outcome == "complete"
        sides = (result.tally.verified_primary_bytes, result.tally.verified_secondary_bytes)
        for side_bytes in sides:
            # 1.15 / 10 of all, and the file that fills the share
            assert total * 0.115 <= side_bytes <= total * 0.115 + 21_000
        read.append(sides)
        with box.pair.manifest() as manifest:
            now_s = box.pair.clock.now_s()
            rows = manifest.database.connection.execute(
                "SELECT min(read_primary_s), min(read_secondary_s) FROM entry WHERE kind = 2"
            ).fetchone()
        assert all(now_s - oldest_s <= 10.2 * 86_400 for oldest_s in rows)
    assert sum(primary for primary, _ in read) >= total


def test_a_week_of_missed_nights_is_caught_up(drives: DriveFactory, tmp_path: Path) -> None:
    box = Box(drives, tmp_path, verify_cycle="5d")
    for number in range(50):
        box.pair.write(f"rehearsal/{number:03d}.wav", os.urandom(20_000))
    box.pair.run_well()
    box.pair.clock.pass_days(7)
    (result,) = box.nights(1)
    assert result.tally.verified_primary_bytes == 50 * 20_000  # all of it was overdue
    assert result.tally.verified_secondary_bytes == 50 * 20_000


def test_a_copy_folder_that_somebody_moved_away_is_made_again_and_filled(box: Box) -> None:
    moved = box.pair.secondary / "moved away"
    (box.pair.copy / "2026-05 spring concert").rename(moved)
    box.pair.write("2026-05 spring concert/02 gloria.wav", os.urandom(1000))
    (result,) = box.nights(1)
    assert box.pair.differences() == []
    assert box.damage() == []
    assert ("secondary", "missing") in [row[1:3] for row in box.register()]
    assert result.tally.mended == 1
    assert any("was gone" in note for note in result.notes)
    box.pair.run_quiet()


def test_rule_I_a_symlink_where_a_copy_folder_was_is_moved_aside_and_not_followed(box: Box, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (box.pair.copy / "2026-05 spring concert").rename(box.pair.secondary / "moved away")
    (box.pair.copy / "2026-05 spring concert").symlink_to(outside)
    box.pair.write("2026-05 spring concert/02 gloria.wav", os.urandom(1000))
    box.nights(1)
    assert list(outside.iterdir()) == []
    assert box.pair.differences() == []
    assert [os.path.islink(held.path) for held in box.pair.held().values()] == [True]


def test_damage_that_reads_right_again_is_closed(box: Box) -> None:
    primary = box.pair.at(KYRIE)
    good = sha256(primary)
    box.rot(0, primary, 4711)
    box.nights(1)
    assert [each[:3] for each in box.damage()] == [(KYRIE.encode(), "primary", "decayed")]
    box.rot(0, primary, 4711)  # as a loose cable that was seen to
    assert sha256(primary) == good
    (result,) = box.nights(2)[-1:]
    assert box.damage() == []
    assert result.state == "sound"
