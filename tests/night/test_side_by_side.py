"""Small files staged by several processes: the same copy, whatever becomes of one of them."""

from __future__ import annotations

import errno
import os
import signal
import time
from collections.abc import Callable, Iterator
from math import ceil
from pathlib import Path
from threading import Thread

import pytest
from harness import Pair, checksum_tool, content_of

from box import wait_for
from nightferry.manifest.plan import Item
from nightferry.night import commit, side_by_side
from nightferry.night.commit import BATCH_INTENTS_LIMIT
from nightferry.night.context import Night, Stop
from nightferry.night.lots import Lots
from nightferry.night.small import Staged, stage_small
from nightferry.planning import drive_health
from nightferry.tree.effects import Effects

PROCESSES = 3
FOLDERS, IN_FOLDER = 8, 25
IN_LOT = 40
OTHERS = 5  # that cannot go the straight way
ODD_NAMES = [b"-rf", b"two\nlines.txt", b"caf\xe9.txt", b"\x1b[31mred.txt", b"<b>bold.txt", b"n" * 255]


@pytest.fixture
def pair(tmp_path: Path) -> Pair:
    """A primary full of small files, and of what cannot go the straight way; listed some time after it was written."""
    pair = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")
    for number in range(FOLDERS * IN_FOLDER):
        file = pair.write(f"{number // IN_FOLDER:02} rehearsal/note {number:03}.txt", f"bar {number}, softer\n" * 20)
        os.chmod(file, 0o640 if number % 2 else 0o444)
        os.utime(file, ns=(0, 1_600_000_000_123_456_789 + number))
        if number % 10 == 0:
            os.chown(file, 1000 + number, 2000)
            os.setxattr(file, "user.voice", b"alto %d" % number)
    for name in ODD_NAMES:
        Path(os.fsdecode(os.fsencode(pair.at("00 rehearsal")) + b"/" + name)).write_bytes(b"named " + name)
    pair.write("00 rehearsal/kyrie.wav", os.urandom(300_000))
    pair.write("00 rehearsal/empty.txt", b"")
    pair.write("01 rehearsal/holes.bin", b"")
    os.truncate(pair.at("01 rehearsal/holes.bin"), 20_000)
    os.link(pair.at("00 rehearsal/note 001.txt"), pair.at("01 rehearsal/note 001 again.txt"))
    pair.at("02 rehearsal/best.txt").symlink_to("note 050.txt")
    pair.clock.shift_s = 60.0
    return pair


@pytest.fixture(autouse=True, params=[BATCH_INTENTS_LIMIT, IN_LOT], ids=["one lot", "many lots"])
def forks(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[list[int]]:
    """Several processes, however few the cores and the files; none of them may be left at the end.

    With many lots, each is staged while the one before it is committed.
    """
    made: list[int] = []
    monkeypatch.setattr(commit, "BATCH_INTENTS_LIMIT", request.param)
    fork = os.fork

    def counted() -> int:
        pid = fork()
        if pid:
            made.append(pid)
        return pid

    monkeypatch.setattr(side_by_side, "_processes", lambda files: min(PROCESSES, max(1, files)))
    monkeypatch.setattr(side_by_side.os, "fork", counted)
    yield made
    for pid in made:
        with pytest.raises(ChildProcessError):
            os.waitpid(pid, os.WNOHANG)


def in_others(monkeypatch: pytest.MonkeyPatch, instead: Callable[[int], None], at: int = 5) -> None:
    """Calls something in the other processes, with the number of the file, before each from the ``at``-th on."""
    here, seen = os.getpid(), [0]

    def staged(night: Night, item: Item, opened: tuple[int, os.stat_result]) -> Staged | None:
        if os.getpid() != here:
            seen[0] += 1
            if seen[0] >= at:
                instead(seen[0])
        return stage_small(night, item, opened)

    monkeypatch.setattr(side_by_side, "stage_small", staged)


def missing(pair: Pair) -> list[str]:
    return [line for line in pair.differences() if line.startswith("only in")]


def test_rule_K_the_copy_is_the_primary_and_its_checksums_are_right(pair: Pair, forks: list[int]) -> None:
    result = pair.run_well()
    lots = 1 if commit.BATCH_INTENTS_LIMIT > IN_LOT else ceil((FOLDERS * IN_FOLDER + len(ODD_NAMES)) / IN_LOT)
    assert PROCESSES * lots - 2 <= len(forks) <= PROCESSES * (lots + 1)
    assert pair.differences() == []
    assert pair.staging() == []
    assert result.tally.added == FOLDERS * IN_FOLDER + len(ODD_NAMES) + OTHERS
    assert result.tally.read_bytes == result.tally.written_bytes + 20_000  # the hole is read and not written
    checked = checksum_tool(pair, "xxhsum", "checksums.xxh128")
    assert checked.returncode == 0, checked.stderr
    pair.run_quiet()


def test_few_files_and_drives_served_by_programs_need_no_other_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, forks: list[int]
) -> None:
    monkeypatch.undo()
    assert side_by_side._processes(side_by_side.WORTH_FILES - 1) == 1
    monkeypatch.setattr(os, "sched_getaffinity", lambda pid: set(range(64)))
    assert side_by_side._processes(10**6) == side_by_side.MOST_PROCESSES
    monkeypatch.setattr(os, "sched_getaffinity", lambda pid: {0})
    assert side_by_side._processes(10**6) == 1


def test_rule_E_one_that_is_killed_leaves_its_files_to_the_night(pair: Pair, monkeypatch: pytest.MonkeyPatch) -> None:
    in_others(monkeypatch, lambda number: os.kill(os.getpid(), signal.SIGKILL))
    pair.run_well()
    assert pair.differences() == []
    assert pair.staging() == []
    pair.run_quiet()


def test_rule_G_one_that_has_no_room_leaves_its_files_to_the_night(pair: Pair) -> None:
    here = os.getpid()

    class FullElsewhere(Effects):
        @staticmethod
        def pwrite(fd: int, data: bytes, offset: int) -> int:
            if os.getpid() != here:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return os.pwrite(fd, data, offset)

    pair.run_well(effects=FullElsewhere())
    assert pair.differences() == []
    assert pair.staging() == []


def test_rule_G_what_cannot_be_read_is_named_and_not_asked_for_twice(pair: Pair, tmp_path: Path) -> None:
    bad = {pair.at(f"03 rehearsal/note {number:03}.txt").stat().st_ino for number in range(76, 79)}
    log = os.open(tmp_path / "asked", os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    class BadSectors(Effects):
        @staticmethod
        def preadv(fd: int, buffers: list[memoryview], offset: int) -> int:
            if (inode := os.fstat(fd).st_ino) in bad:
                os.write(log, b"%d\n" % inode)
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return os.preadv(fd, buffers, offset)

    result = pair.run(effects=BadSectors())
    assert (result.outcome, result.tally.unreadable) == ("partial", 3)
    asked = (tmp_path / "asked").read_text().split()
    assert sorted(asked) == sorted(map(str, bad))
    unreadable = {f"03 rehearsal/note {number:03}.txt".encode() for number in range(76, 79)}
    assert pair.left_out(result.number).keys() == unreadable
    assert len(missing(pair)) == 3
    pair.run_well()
    assert pair.differences() == []


def test_rule_G_a_drive_that_fails_slowly_is_given_up_by_the_time_it_takes(
    pair: Pair, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(drive_health, "LOST_LIMIT_S", 0.1)
    bad = {pair.at(f"03 rehearsal/note {number:03}.txt").stat().st_ino for number in range(75, 100)}

    class SlowlyBad(Effects):
        @staticmethod
        def preadv(fd: int, buffers: list[memoryview], offset: int) -> int:
            if os.fstat(fd).st_ino in bad:
                time.sleep(0.06)
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return os.preadv(fd, buffers, offset)

    result = pair.run(effects=SlowlyBad())
    assert (result.outcome, result.tally.unreadable) == ("failed", 1)
    assert result.failure is not None
    assert "Replace this drive" in result.failure


def test_what_changes_while_it_is_read_goes_the_ordinary_way(pair: Pair, tmp_path: Path) -> None:
    files = [pair.at(f"{number // IN_FOLDER:02} rehearsal/note {number:03}.txt") for number in range(30, 60, 3)]
    growing = {file.stat().st_ino: os.open(file, os.O_WRONLY | os.O_APPEND) for file in files}

    class Written(Effects):
        @staticmethod
        def preadv(fd: int, buffers: list[memoryview], offset: int) -> int:
            count = os.preadv(fd, buffers, offset)
            writer = growing.get(os.fstat(fd).st_ino)
            if writer is not None and os.fstat(writer).st_size < 1_000:
                os.write(writer, b"louder\n")
            return count

    result = pair.run(effects=Written())
    assert result.outcome == "partial", "they changed twice: they wait for tomorrow"
    assert result.tally.unsettled == len(files)
    assert len(missing(pair)) == len(files)
    assert pair.staging() == []


@pytest.mark.parametrize("is_stuck", [False, True], ids=["", "one is stuck"])
def test_a_stop_ends_them_all_and_keeps_what_is_staged(
    pair: Pair, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, is_stuck: bool, forks: list[int]
) -> None:
    stop, began_s = Stop(pair.clock), time.monotonic()
    seen = os.open(tmp_path / "seen", os.O_RDWR | os.O_CREAT | os.O_APPEND)
    monkeypatch.setattr(side_by_side, "_STOP_WAIT_S", 1.0)

    def slowly(number: int) -> None:
        os.write(seen, b".")
        time.sleep(600 if is_stuck and number == 9 else 0.05)

    in_others(monkeypatch, slowly)

    def ask() -> None:
        wait_for(lambda: os.fstat(seen).st_size >= 6)
        stop.request("somebody asked for it")

    keep, anew = Lots.keep, []

    def kept(lots: Lots) -> None:
        keep(lots)
        made = len(forks)
        lots.begin_again()  # as where a sync fails right after that
        anew.append(len(forks) - made)

    monkeypatch.setattr(Lots, "keep", kept)
    asked = Thread(target=ask)
    asked.start()
    result = pair.run(stop=stop)
    asked.join()
    assert (result.outcome, anew) == ("interrupted", [0])
    assert time.monotonic() - began_s < 60
    if commit.BATCH_INTENTS_LIMIT > IN_LOT:
        assert 6 <= result.tally.added - OTHERS < FOLDERS * IN_FOLDER
    assert pair.staging() == []
    monkeypatch.setattr(side_by_side, "stage_small", stage_small)
    pair.run_well()
    assert pair.differences() == []


def test_rule_D_a_failed_sync_does_away_with_what_was_being_staged(pair: Pair, forks: list[int]) -> None:
    """Its pages may be those that were lost, and the next sync says that all is well."""
    failed: list[int] = []

    class LostPages(Effects):
        """A sync amid the copying fails, and loses the content of all that is in ``staging/``."""

        @staticmethod
        def syncfs(fd: int) -> None:
            waiting = [pair.secondary / "staging" / name for name in pair.staging()]
            if not failed and len(forks) > 2 * PROCESSES:
                failed.append(len(waiting))
                for path in waiting:
                    os.truncate(path, 0)
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            Effects.syncfs(fd)

    result = pair.run(effects=LostPages())
    if commit.BATCH_INTENTS_LIMIT > IN_LOT:
        assert not failed
        return
    assert failed[0] > 0
    assert result.outcome == "complete"
    assert any("failed to make a batch durable" in note for note in result.notes)
    assert pair.differences() == []


def test_rule_D_names_are_given_behind_a_sync_also_where_the_counter_cannot_be_written(pair: Pair) -> None:
    """What the other processes wrote is for the barrier of this one, whatever else there is for it."""
    synced = [True]
    early: list[str] = []

    class NoCounter(Effects):
        @staticmethod
        def rename(source: bytes, target: bytes, **given: int) -> None:
            if target.startswith(b"changes-"):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            os.rename(source, target, **given)

        @staticmethod
        def rename_new(source: bytes, target: bytes, **given: int) -> None:
            if not synced[0]:
                early.append(os.fsdecode(target))
            Effects.rename_new(source, target, **given)

        @staticmethod
        def syncfs(fd: int) -> None:
            Effects.syncfs(fd)
            synced[0] = True

    batch_commit = commit.Batch.commit

    def committed(batch: commit.Batch) -> list[commit.Pending]:
        synced[0] = False
        return batch_commit(batch)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(commit.Batch, "commit", committed)
        pair.run(effects=NoCounter())
    assert early == []


def test_rule_D_what_is_gone_from_staging_is_not_said_to_be_copied(pair: Pair) -> None:
    """Somebody emptied it amid the night, or the file system lost a name. Read-back would find it, and is off."""
    pair.set(read_back=0.0, verify_share=0.0)
    gone: list[Path] = []

    class Emptied(Effects):
        @staticmethod
        def syncfs(fd: int) -> None:
            Effects.syncfs(fd)
            staged = sorted((pair.secondary / "staging").iterdir())
            if staged and not gone:
                gone.append(staged[0])
                staged[0].unlink()

    result = pair.run(effects=Emptied())
    assert gone
    if result.outcome == "complete":
        assert pair.differences() == [], "it was of a lot that was staged anew"
    else:
        assert (result.outcome, len(missing(pair))) == ("partial", 1)
    pair.run_well()
    assert pair.differences() == []


def test_no_process_can_be_made(pair: Pair, monkeypatch: pytest.MonkeyPatch) -> None:
    fork, made = os.fork, [0]

    def refused() -> int:
        made[0] += 1
        if made[0] > 1:
            raise OSError(errno.EAGAIN, os.strerror(errno.EAGAIN))
        return fork()

    monkeypatch.setattr(side_by_side.os, "fork", refused)
    pair.run_well()
    assert made[0] > 1
    assert pair.differences() == []
    assert pair.staging() == []


def test_rule_B_what_nobody_put_there_is_not_replaced(pair: Pair, monkeypatch: pytest.MonkeyPatch) -> None:
    """Names that turn up in a new folder of the copy after it was looked at: by somebody who writes there meanwhile."""
    theirs = pair.copy / "05 rehearsal/note 130.txt"
    in_others(monkeypatch, lambda number: theirs.write_bytes(b"theirs"), at=10)
    pair.run()
    assert theirs.exists()
    assert b"theirs" in {content_of(os.fsencode(path)) for path in pair.secondary.rglob("note 130.txt")}
    pair.run()
    pair.run_well()
    assert pair.differences() == []
    kept = {content_of(os.fsencode(path)) for path in pair.secondary.rglob("note 130.txt")}
    assert b"theirs" in kept
