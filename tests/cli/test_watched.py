"""Commands whose work is done by a child of theirs: output, questions, Ctrl-C and errors as without it."""

from __future__ import annotations

import json
import os
import pickle
import pty
import select
import signal
import sqlite3
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from box import CONCERT, Box, clean_environment, wait_for
from drives import requires_root_and_loops
from faulty_fuse import FaultyDrive
from nightferry import errors
from nightferry.night.failing import FailingDrive


class Terminal:
    """A command on a terminal of its own, as a person has it."""

    def __init__(self, box: Box, *args: str) -> None:
        self._fd, theirs = pty.openpty()
        # The one that Ctrl-C works on: its controlling terminal.
        command = ["setsid", "--ctty", *box.command(*args)]
        self.process = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, env=clean_environment())
        os.close(theirs)
        self.shown = ""

    def until(self, text: str) -> None:
        """Reads what is shown, until that text."""
        end_s = time.monotonic() + 90
        while text not in self.shown:
            assert time.monotonic() < end_s and self._read(), self.shown

    def _read(self) -> bool:
        """Whether there may be more."""
        if not select.select([self._fd], [], [], 0.1)[0]:
            return self.process.poll() is None
        try:
            piece = os.read(self._fd, 1 << 16)
        except OSError:  # EIO: nobody has the other side open any more
            return False
        self.shown += piece.decode("utf-8", "replace")
        return bool(piece)

    def type(self, text: str) -> None:
        os.write(self._fd, text.encode())

    def end(self) -> int:
        """Its exit code. A child of it that is stuck may keep the terminal open: that is not waited for."""
        end_s = time.monotonic() + 90
        while self._read():
            assert time.monotonic() < end_s, self.shown
        os.close(self._fd)
        return self.process.wait(60)


@pytest.fixture
def terminal(box: Box) -> Iterator[Callable[..., Terminal]]:
    begun: list[Terminal] = []

    def begin(*args: str) -> Terminal:
        begun.append(Terminal(box, *args))
        return begun[-1]

    yield begin
    for each in begun:
        if each.process.poll() is None:
            each.process.kill()
            each.process.wait()


@pytest.fixture
def paired(box: Box) -> Box:
    box.configure(("recordings",), 'io_limit = "5s"')
    box.fill(files=3)
    box.ok("pair", "--yes", "recordings")
    box.ok("run")
    return box


def rot(box: Box) -> Path:
    """A file of the primary that decayed, and is known to have."""
    path = box.primary() / CONCERT / "01 kyrie.wav"
    before = path.stat()
    good = path.read_bytes()
    path.write_bytes(b"rot" + good[3:])
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    with sqlite3.connect(box.folder() / "manifest.sqlite3") as connection:  # as if nothing said that it was written
        connection.execute("UPDATE entry SET ctime_ns = ? WHERE inode = ?", (path.stat().st_ctime_ns, before.st_ino))
        connection.execute("UPDATE entry SET listing = NULL")
    connection.close()
    box.ok("verify", "--all", code=1)
    return path


def test_a_question_is_asked_and_may_be_thought_about(box: Box, terminal: Callable[..., Terminal]) -> None:
    """For longer than a drive may keep quiet: it is a person that does not answer."""
    box.configure(("recordings",), 'io_limit = "5s"')
    shown = terminal("pair", "recordings")
    shown.until("Make these two drives a pair? [y/N] ")
    time.sleep(7)
    assert shown.process.poll() is None
    shown.type("y\n")
    assert shown.end() == 0, shown.shown
    assert "recordings is a pair now." in shown.shown


def test_mend_asks(paired: Box, terminal: Callable[..., Terminal]) -> None:
    path = rot(paired)
    bad = path.read_bytes()
    shown = terminal("mend", "recordings", "--restore")
    shown.until("Put the right content of this name back on the primary? [y/N] ")
    shown.type("n\n")
    assert shown.end() == 1
    assert path.read_bytes() == bad
    shown = terminal("mend", "recordings", "--restore")
    shown.until("[y/N] ")
    shown.type("y\n")
    assert shown.end() == 0, shown.shown
    assert path.read_bytes()[:3] != b"rot"
    assert path.read_bytes() == (paired.copy() / CONCERT / "01 kyrie.wav").read_bytes()


@pytest.mark.parametrize("command", [["mend", "recordings", "--restore"], ["pair", "recordings"]], ids=lambda c: c[0])
def test_ctrl_c_at_a_question_leaves_at_once(box: Box, terminal: Callable[..., Terminal], command: list[str]) -> None:
    if command[0] == "mend":
        box.configure(("recordings",))
        box.fill(files=3)
        box.ok("pair", "--yes", "recordings")
        box.ok("run")
        rot(box)
    shown = terminal(*command)
    shown.until("[y/N] ")
    shown.type("\x03")
    assert shown.end() == (1 if command[0] == "mend" else 130)
    assert "Traceback" not in shown.shown
    assert command[0] != "pair" or not (box.primary() / ".nightferry-volume.toml").exists()


def test_progress_is_live_on_a_terminal(paired: Box, terminal: Callable[..., Terminal]) -> None:
    shown = terminal("verify", "--all", "recordings")
    assert shown.end() == 0, shown.shown
    assert "preflight" in shown.shown and "\x1b[" in shown.shown  # moves of the cursor: a line that is written over
    assert "6 files" in shown.shown  # three on each side
    assert "folders" in shown.shown  # whose names were looked through


def test_output_without_a_terminal_comes_whole_and_in_order(paired: Box) -> None:
    for number in range(3000):
        (paired.primary() / f"take {number:04}.wav").touch()
    done = paired.run("tonight", "--all", "--json")
    assert done.returncode == 0, done.stderr
    changes = json.loads(done.stdout)["pairs"][0]["changes"]
    assert len(changes) == 3000
    lines = paired.run("tonight", "--all").stdout
    assert lines.count(".wav") == 3000
    assert "\x1b" not in lines


def test_who_reads_the_output_leaves_early(paired: Box) -> None:
    for number in range(3000):
        (paired.primary() / f"take {number:04}.wav").touch()
    process = paired.start("tonight", "--all")
    assert process.stdout is not None and process.stderr is not None
    process.stdout.readline()
    process.stdout.close()
    said = process.stderr.read()
    process.stderr.close()
    assert process.wait(60) == 141
    assert said == ""


def test_a_drive_that_is_full_of_output_is_told(paired: Box) -> None:
    for number in range(3000):
        (paired.primary() / f"take {number:04}.wav").touch()
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            paired.command("tonight", "--all"), stdout=full, stderr=subprocess.PIPE, text=True, env=clean_environment(),
            check=False,
        )  # fmt: skip
    assert (done.returncode, done.stderr.count("\n")) == (4, 1), done.stderr
    assert "No space left on device" in done.stderr


@requires_root_and_loops
def test_ctrl_c_twice_ends_it_while_a_drive_keeps_it_waiting(box: Box, tmp_path: Path) -> None:
    with FaultyDrive(tmp_path / "behind", box.primary()) as drive:
        box.fill(files=3)
        box.ok("pair", "--yes", "recordings")
        box.ok("run")
        (drive.behind / CONCERT / "new.wav").touch()
        drive.drop_caches()
        listed = tmp_path / "listed"
        drive.meet(CONCERT, "readdir", listed, tmp_path / "never", limit_s=600)
        shown = Terminal(box, "tonight", "recordings")
        try:
            wait_for(listed.exists)
            shown.type("\x03")
            shown.until("Ctrl-C again ends it at once")
            shown.type("\x03")
            # FUSE waits for a request that its program has taken, whatever signal comes: then a child stays behind.
            assert shown.end() == (3 if "was ended at once, as somebody asked. Process" in shown.shown else 130)
        finally:
            shown.process.kill()
            shown.process.wait()
        drive.heal()
        wait_for(lambda: box.run("tonight").returncode == 0)


def test_sigterm_stops_a_measurement_cleanly(paired: Box) -> None:
    process = paired.start("plan", "--measure", "--json", "recordings")
    wait_for(lambda: (paired.secondary() / "staging/measure").exists() or process.poll() is not None)
    process.send_signal(signal.SIGINT)
    out, said = process.communicate(timeout=60)
    assert process.returncode == 1, said
    assert "was stopped, as asked: nothing of it is kept" in said
    assert json.loads(out)["pairs"][0]["error"] in said
    assert not (paired.secondary() / "staging/measure").exists()
    assert not (paired.folder() / "measured.json").exists()


def test_lines_of_a_run_in_the_journal_are_json(paired: Box, tmp_path: Path) -> None:
    """The child that does the work writes to no stream of its own: it is told which one stands behind it."""
    (paired.primary() / CONCERT / "new.wav").write_bytes(b"new")
    with (tmp_path / "journal").open("w+") as journal:
        found = os.fstat(journal.fileno())
        environment = {**clean_environment(), "JOURNAL_STREAM": f"{found.st_dev}:{found.st_ino}"}
        done = subprocess.run(
            paired.command("run"), stdout=subprocess.PIPE, stderr=journal, env=environment, check=False
        )
        assert done.returncode == 0
        journal.seek(0)
        lines = [json.loads(line) for line in journal.read().splitlines()]
    assert {"copy", "seal"} <= {line.get("phase") for line in lines}


def test_every_error_comes_through_a_process() -> None:
    kinds = [FailingDrive("it fails", "primary")]
    kinds += [errors.AbsentDrive("gone", "secondary"), errors.HungDrive("hangs", True), errors.NotAPair("recordings")]
    kinds += [kind("so") for kind in (errors.WrongUse, errors.WrongDrive, errors.Failed, errors.Busy)]
    for error in kinds:
        again = pickle.loads(pickle.dumps(error))
        assert (type(again), str(again), vars(again)) == (type(error), str(error), vars(error))
