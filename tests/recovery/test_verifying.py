"""Verifying by hand, on real decay; what is right is known from ``sha256sum``."""

from __future__ import annotations

import errno
import io
import os
from pathlib import Path

import pytest
from harness import Pair, footprint
from world import KYRIE, PROGRAMME, World

from drives import MIB, DriveFactory
from effects_faults import FailingCalls
from nightferry.errors import Busy, Failed, WrongUse
from nightferry.night.context import Stop, Unwatched
from nightferry.planning.drive_health import READ_ERRORS_LIMIT
from nightferry.recovery.opening import open_pair
from nightferry.recovery.verifying import ASKED, FAILING, TIME_OVER
from nightferry.reporting.look.terminal import Screen
from nightferry.reporting.screens.verify_text import show_verified
from nightferry.tree.effects import Effects


@pytest.fixture
def world(drives: DriveFactory, tmp_path: Path) -> World:
    made = World.on_drives(drives, tmp_path)
    made.pair.write(KYRIE, os.urandom(3 * MIB + 17))
    made.pair.write(PROGRAMME, "Kyrie, Gloria, Sanctus\n" * 500)
    made.pair.run_well()
    return made


@pytest.fixture
def folders(tmp_path: Path) -> World:
    """A pair of plain folders with twenty files and one night."""
    pair = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")
    for number in range(20):
        pair.write(f"rehearsal {number % 2}/{number:02d}.wav", os.urandom(5_000 + number))
    pair.run_well()
    return World(pair)


class Stopping(Unwatched):
    """Asks to stop after so many files."""

    def __init__(self, stop: Stop, files: int) -> None:
        self._stop, self._files, self.seen = stop, files, 0

    def advance(self, files: int = 0, size_bytes: int = 0) -> None:
        self.seen += files
        if self.seen >= self._files:
            self._stop.request("asked to stop")


def test_all_intact(world: World) -> None:
    result = world.verify()
    assert result.exit_code == 0
    assert result.verified.files == {"primary": 2, "secondary": 2}
    size = 3 * MIB + 17 + 23 * 500
    assert result.verified.size_bytes == {"primary": size, "secondary": size}
    assert (result.intact, result.stopped, result.looked_for_unlisted) == (4, None, True)
    assert not result.verified.indirect
    assert all(each.share == 1.0 for each in result.coverage.values())


@pytest.mark.parametrize(("side", "name"), [(0, "primary"), (1, "secondary")])
def test_rule_C_decay_is_found_on_either_side_and_nothing_is_written(world: World, side: int, name: str) -> None:
    path = (world.pair.at(KYRIE), world.pair.copy / KYRIE)[side]
    world.rot(side, path, 2 * MIB)
    before = footprint(world.pair.primary, world.pair.secondary)
    result = world.verify()
    assert footprint(world.pair.primary, world.pair.secondary) == before
    assert world.open() == [(KYRIE.encode(), name, "decayed")]
    assert (result.exit_code, result.intact, dict(result.found)) == (1, 3, {(name, "decayed"): 1})
    assert world.damage()[0].found_by == "verify"
    world.verify()
    assert len(world.register()) == 1  # once, while it is open


def test_decay_of_a_retired_version_is_found_and_only_where_asked_for(world: World) -> None:
    world.pair.write(PROGRAMME, "Kyrie only\n")
    world.pair.run_well()
    (held,) = world.pair.held().values()
    world.rot(1, held.path, 50)
    assert world.verify(retired=False).exit_code == 0
    assert world.verify(sides=("primary",)).exit_code == 0
    assert world.verify(sides=("secondary",)).exit_code == 1
    assert world.open() == [(held.past.held, "retired", "decayed")]


def test_a_copy_that_is_gone_is_missing(world: World) -> None:
    (world.pair.copy / KYRIE).unlink()
    world.verify()
    assert world.open() == [(KYRIE.encode(), "secondary", "missing")]


def test_a_read_error_is_named(world: World) -> None:
    inode = os.stat(world.pair.at(KYRIE)).st_ino
    effects = FailingReads(inode)
    world.verify(effects=effects)
    assert world.open() == [(KYRIE.encode(), "primary", "unreadable")]
    assert os.strerror(errno.EIO) in world.damage()[0].detail
    assert world.verify().exit_code == 0  # it can be read again
    assert world.register()[0][3] == "reads back right again, as a command found"


class FailingReads(Effects):
    """Reading one file gives EIO, as a bad sector does."""

    def __init__(self, inode: int) -> None:
        def preadv(fd: int, *args: object) -> int:
            if os.fstat(fd).st_ino == inode:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return os.preadv(fd, *args)

        self.preadv = preadv


def test_rule_M_a_drive_that_fails_too_many_reads_is_not_called_verified(folders: World) -> None:
    """It is read no further, and what is left is said; the other drive is read to its end."""
    for number in range(40):
        folders.pair.write(f"many/{number:02d}.wav", os.urandom(200))
    folders.pair.run_well()
    of_copy = {os.stat(path).st_ino for path in folders.pair.copy.rglob("*.wav")}

    class Dying(Effects):
        def __init__(self) -> None:
            def preadv(fd: int, *args: object) -> int:
                if os.fstat(fd).st_ino in of_copy:
                    raise OSError(errno.EIO, os.strerror(errno.EIO))
                return os.preadv(fd, *args)

            self.preadv = preadv

    result = folders.verify(effects=Dying())
    assert (result.stopped, result.exit_code, result.looked_for_unlisted) == (FAILING, 1, False)
    assert result.verified.given_up == {"secondary"}
    assert dict(result.found) == {("secondary", "unreadable"): READ_ERRORS_LIMIT}
    assert (result.left["primary"][0], result.left["secondary"][0]) == (0, 60 - READ_ERRORS_LIMIT)
    out = io.StringIO()
    show_verified(Screen(out), result)
    told = " ".join(out.getvalue().split())
    assert "since too many reads of the secondary failed" in told
    assert "Left to read: 28 files" in told and "Nothing is known of that. Do not work the secondary harder" in told
    assert folders.verify().stopped is None


def test_a_changed_file_is_no_damage(world: World) -> None:
    world.pair.at(PROGRAMME).write_text("Gloria\n")
    (world.pair.at(KYRIE)).unlink()
    result = world.verify()
    assert (result.exit_code, result.verified.changed, result.intact) == (0, 2, 2)


def test_one_that_reads_right_again_is_closed(world: World) -> None:
    copy = world.pair.copy / KYRIE
    world.rot(1, copy, 100)
    world.verify()
    world.rot(1, copy, 100)  # inverting it once more gives the old byte
    result = world.verify()
    assert (result.exit_code, [each.path for each in result.closed]) == (0, [KYRIE.encode()])
    assert world.register()[0][3] == "reads back right again, as a command found"


def test_what_was_read_today_is_not_read_again_unless_asked_for(folders: World) -> None:
    assert sum(folders.verify(also_fresh=False).verified.files.values()) == 0
    assert sum(folders.verify().verified.files.values()) == 40
    folders.pair.clock.pass_days(0.6)
    assert sum(folders.verify(also_fresh=False).verified.files.values()) == 40


def test_a_path_is_a_file_or_a_folder_with_all_below_it(folders: World) -> None:
    assert folders.verify(path=b"rehearsal 1").verified.files == {"primary": 10, "secondary": 10}
    assert folders.verify(path=b"./rehearsal 1/03.wav").verified.files == {"primary": 1, "secondary": 1}
    whole = bytes(folders.pair.primary) + b"/rehearsal 0/"
    assert folders.verify(path=whole, sides=("primary",)).verified.files["primary"] == 10
    for wrong in (b"rehearsal 7", b"rehearsal", b"/etc", b"../x"):
        with pytest.raises(WrongUse):
            folders.verify(path=wrong)


def test_stopped_and_called_again_it_goes_on_and_reads_nothing_twice(folders: World) -> None:
    folders.pair.clock.pass_days(1)
    for number in range(400):
        folders.pair.write(f"many/{number:03d}.wav", os.urandom(200))
    folders.pair.run_well()
    folders.pair.clock.pass_days(1)
    stop = Stop(folders.pair.clock)
    first = folders.verify(stop=stop, progress=Stopping(stop, 100), also_fresh=False)
    read = sum(first.verified.files.values())
    assert first.stopped == ASKED and first.exit_code == 1 and not first.looked_for_unlisted
    assert 100 <= read < 840
    assert sum(files for files, _ in first.left.values()) == 840 - read
    second = folders.verify(also_fresh=False)
    assert (second.stopped, sum(second.verified.files.values())) == (None, 840 - read)


def test_a_time_limit_ends_it_and_is_no_fault(folders: World) -> None:
    result = folders.verify(for_s=0.000001)
    assert (result.stopped, result.exit_code) == (TIME_OVER, 0)
    assert sum(files for files, _ in result.left.values()) == 40 - sum(result.verified.files.values())
    enough = folders.verify(for_s=600.0)
    assert (enough.stopped, enough.looked_for_unlisted) == (None, False)


def test_the_oldest_reading_comes_first(folders: World) -> None:
    with folders.pair.manifest(writable=True) as manifest:
        old = manifest.entries.find(b"rehearsal 1/19.wav")
        manifest.database.connection.execute("UPDATE entry SET read_primary_s = 1000 WHERE id = ?", (old.id,))
    stop = Stop(folders.pair.clock)
    order: list[bytes] = []

    class Noting(Effects):
        def __init__(self) -> None:
            def opening(path: object, flags: int, *args: object, **kwargs: object) -> int:
                if isinstance(path, bytes) and path.endswith(b".wav"):
                    order.append(path)
                return os.open(path, flags, *args, **kwargs)

            self.open_inside = opening

    folders.verify(stop=stop, sides=("primary",), effects=Noting())
    assert order[0] == b"19.wav" and len(order) == 20


# --- names that no run put there


def test_an_unlisted_name_is_found_once_and_closed_when_it_is_gone(folders: World) -> None:
    (folders.pair.copy / "rehearsal 1/holiday.jpg").write_bytes(b"x")
    (folders.pair.copy / "somebody's folder/deep").mkdir(parents=True)
    (folders.pair.copy / "somebody's folder/deep/file").write_bytes(b"x")
    (folders.pair.retired / "stray.wav").write_bytes(b"x")
    expected = [
        (b"rehearsal 1/holiday.jpg", "secondary", "unlisted"),
        (b"somebody's folder", "secondary", "unlisted"),
        (b"stray.wav", "retired", "unlisted"),
    ]
    assert folders.verify().exit_code == 1
    assert folders.open() == expected
    folders.verify(path=b"rehearsal 0")
    assert folders.open() == expected  # those were not looked at
    folders.pair.run()
    assert folders.open() == expected  # a night leaves it to a person
    (folders.pair.retired / "stray.wav").unlink()
    (folders.pair.copy / "rehearsal 1/holiday.jpg").unlink()
    folders.verify()
    assert folders.open() == [expected[1]]
    assert len(folders.register()) == 3


def test_what_was_accepted_is_not_found_again(folders: World) -> None:
    (folders.pair.copy / "read me.txt").write_bytes(b"x")
    folders.verify()
    assert [each.done for each in folders.mend("accept")] == [True]
    assert folders.verify().exit_code == 0
    assert (folders.pair.copy / "read me.txt").exists()


def test_all_that_runs_put_away_is_listed(folders: World) -> None:
    pair = folders.pair
    pair.write("rehearsal 0/00.wav", "new")
    pair.at("rehearsal 0/02.wav").unlink()
    (pair.copy / "late.wav").write_bytes(b"somebody's")
    pair.write("late.wav", "the choir's")  # the night puts the other one away
    pair.run()
    assert len(pair.held()) == 3
    assert folders.verify().found == {}


def test_a_folder_that_cannot_be_listed_is_named_and_closed_when_it_can(folders: World) -> None:
    inode = os.stat(folders.pair.copy / "rehearsal 1").st_ino
    effects = FailingCalls(lambda call, before: False, errno.EIO)

    def scandir(fd: int) -> object:
        if os.fstat(fd).st_ino == inode:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return Effects.scandir(fd)

    effects.scandir = scandir
    folders.verify(effects=effects)
    assert folders.open() == [(b"rehearsal 1", "secondary", "unreadable")]
    folders.pair.run()
    assert folders.open() == [(b"rehearsal 1", "secondary", "unreadable")]
    folders.verify()
    assert folders.open() == []


# --- when it may not begin


def test_busy_while_another_command_works(folders: World) -> None:
    with open_pair(folders.pair.settings, folders.pair.state_dir, "mend", Effects()), pytest.raises(Busy):
        folders.verify()


def test_before_the_first_night_there_is_nothing_to_verify(tmp_path: Path) -> None:
    pair = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")
    with pytest.raises(WrongUse, match="No night has run"):
        World(pair).verify()


def test_an_unfinished_run_is_to_be_finished_first(folders: World) -> None:
    with folders.pair.manifest(writable=True) as manifest:
        manifest.database.connection.execute(
            "INSERT INTO intent (run, action, path) VALUES (2, 'remove_folder', 'rehearsal 9')"
        )
    with pytest.raises(Failed, match="run `nightferry run recordings` first"):
        folders.verify()
