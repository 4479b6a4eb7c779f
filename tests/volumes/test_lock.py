from __future__ import annotations

import errno
import fcntl
import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from nightferry.errors import Busy, Failed
from nightferry.tree.effects import Effects
from nightferry.volumes.lock import REPORT, PairLock, lock_descriptor, lock_drive

HOLDER = """
import sys, time
from pathlib import Path
from nightferry.volumes.lock import PairLock
with PairLock(Path(sys.argv[1]), sys.argv[2]):
    print("held", flush=True)
    sys.stdin.read()
"""


@contextmanager
def another_process(path: Path, command: str = "nightferry run recordings") -> Iterator[subprocess.Popen[str]]:
    """A process that holds the lock until its stdin is closed."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path), command], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        assert process.stdout.readline() == "held\n"
        yield process
    finally:
        process.kill()
        process.communicate()


def begin_to_wait(beside: ThreadPoolExecutor, path: Path) -> Future[int]:
    """Asks for a lock that another has, and sees that it is waited for. The answer is the process that then has it."""

    def take() -> int:
        with PairLock(path, "nightferry run"):
            return int(json.loads(path.read_text())["pid"])

    taken = beside.submit(take)
    with pytest.raises(TimeoutError):
        taken.result(timeout=0.5)
    return taken


def test_a_second_process_is_refused_and_told_who_holds_it(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    with another_process(path) as process:
        with pytest.raises(Busy) as caught, PairLock(path, "nightferry run"):
            pytest.fail("both hold it")
        assert caught.value.exit_code == 5
        message = str(caught.value)
        for part in (f"process {process.pid} ", socket.gethostname(), "(nightferry run recordings, since 20"):
            assert part in message
        since = datetime.fromisoformat(json.loads(path.read_text())["since"])
        assert abs(datetime.now(UTC) - since) < timedelta(minutes=1)
        # The one who was refused changed nothing.
        assert json.loads(path.read_text())["pid"] == process.pid
        process.communicate()  # closes its stdin, and it ends
    with PairLock(path, "nightferry run"):
        assert json.loads(path.read_text())["pid"] == os.getpid()


def test_who_only_writes_a_report_is_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    with another_process(path, REPORT) as process, ThreadPoolExecutor(1) as beside:
        taken = begin_to_wait(beside, path)
        process.communicate()  # closes its stdin, and it ends
        assert taken.result() == os.getpid()


def test_a_holder_that_is_yet_to_sign_is_not_taken_for_the_dead_one_before_it(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    with subprocess.Popen(["true"]) as gone:
        pass
    signature = {"pid": gone.pid, "command": "nightferry run", "since": "2026-05-03", "host": socket.gethostname()}
    path.write_text(json.dumps(signature))
    with path.open("r+") as unsigned, ThreadPoolExecutor(1) as beside:
        fcntl.flock(unsigned, fcntl.LOCK_EX)
        taken = begin_to_wait(beside, path)
        fcntl.flock(unsigned, fcntl.LOCK_UN)
        assert taken.result() == os.getpid()


def test_a_report_that_does_not_end_is_not_waited_for_for_ever(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("nightferry.volumes.lock._REPORT_WAIT_S", 0.2)
    path = tmp_path / "lock"
    with another_process(path, REPORT), pytest.raises(Busy, match="report, since"), PairLock(path, "nightferry run"):
        pytest.fail("both hold it")


def test_rule_e_a_killed_process_leaves_no_lock(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    with another_process(path) as process:
        process.send_signal(signal.SIGKILL)
        assert process.wait() == -signal.SIGKILL
        assert json.loads(path.read_text())["pid"] == process.pid
        with PairLock(path, "nightferry run"):
            assert json.loads(path.read_text())["pid"] == os.getpid()


def test_released_after_the_block_also_after_an_error_and_the_file_stays(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    lock = PairLock(path, "nightferry run")
    with pytest.raises(KeyError), lock:
        raise KeyError
    inode = path.stat().st_ino
    with lock, pytest.raises(Busy), PairLock(path, "nightferry run"):
        pass
    with lock:
        assert path.stat().st_ino == inode


def test_children_do_not_inherit_it(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    with PairLock(path, "nightferry run"):
        child = subprocess.Popen(["sleep", "60"], close_fds=False)
    try:
        with PairLock(path, "nightferry run"):
            assert child.poll() is None
    finally:
        child.kill()
        child.wait()


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"pid": 1}', b"\xff\x00" * 5000, b"[" * 4000])
def test_any_content_will_do(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "lock"
    path.write_bytes(content)
    with PairLock(path, "nightferry run"):
        path.write_bytes(content)
        with pytest.raises(Busy, match="a process that did not say who it is"), PairLock(path, "nightferry run"):
            pass


def test_what_the_file_says_cannot_reach_the_terminal(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    with PairLock(path, "nightferry run"):
        path.write_text(json.dumps({"pid": "\x1b[2J", "command": "x" * 3000, "since": "\n", "host": "\u202e"}))
        with pytest.raises(Busy) as caught, PairLock(path, "nightferry run"):
            pass
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 1000


def test_a_lock_that_cannot_be_opened(tmp_path: Path) -> None:
    with (
        pytest.raises(Failed, match=r"absent/lock cannot be opened: No such file"),
        PairLock(tmp_path / "absent/lock", "x"),
    ):
        pass
    (tmp_path / "target").touch()
    (tmp_path / "lock").symlink_to("target")
    with pytest.raises(Failed, match="cannot be opened"), PairLock(tmp_path / "lock", "x"):
        pass


@pytest.fixture
def drive(tmp_path: Path) -> Iterator[int]:
    (tmp_path / ".nightferry-volume.toml").write_text("a card\n")
    fd = os.open(tmp_path, os.O_RDONLY)
    yield fd
    os.close(fd)


_THERE = "the drive at /srv/recordings-second"
# What the servers of NFS and CIFS do with a lock of a client: fcntl(2) on the file, without the folder's flock(2).
_SERVER = """
import fcntl, os, sys
fd = os.open(sys.argv[1], os.O_RDWR)
try:
    fcntl.lockf(fd, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, 1 << 30)
except OSError:
    sys.exit(5)
print("locked", flush=True)
sys.stdin.read()
"""


def test_a_drive_is_locked_for_every_state_directory_and_let_go(drive: int, tmp_path: Path) -> None:
    other = os.open(tmp_path, os.O_RDONLY)
    try:
        with (
            lock_drive(drive, Effects(), _THERE),
            pytest.raises(Busy, match="is using the drive at /srv/recordings-second"),
            lock_drive(other, Effects(), _THERE),
        ):
            pass
        fcntl.flock(drive, fcntl.LOCK_UN)
        with lock_drive(other, Effects(), _THERE):
            pass
    finally:
        os.close(other)


def test_a_drive_is_locked_for_who_has_it_mounted_over_the_network(drive: int, tmp_path: Path) -> None:
    command = [sys.executable, "-c", _SERVER, tmp_path / ".nightferry-volume.toml"]
    with lock_drive(drive, Effects(), _THERE):
        assert subprocess.run(command, stdin=subprocess.DEVNULL, check=False).returncode == 5
        assert (tmp_path / ".nightferry-volume.toml").read_text() == "a card\n"  # reading is nobody's to forbid
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as box:
        assert box.stdout is not None and box.stdin is not None
        assert box.stdout.readline() == b"locked\n"
        with pytest.raises(Busy, match="another box"), lock_drive(drive, Effects(), _THERE):
            pass
        box.stdin.close()
        box.wait(30)
    with lock_drive(drive, Effects(), _THERE):
        pass


def test_a_drive_without_a_card_is_locked_by_its_folder(tmp_path: Path) -> None:
    first, second = (os.open(tmp_path, os.O_RDONLY) for _ in range(2))
    try:
        with lock_drive(first, Effects(), _THERE), pytest.raises(Busy), lock_drive(second, Effects(), _THERE):
            pass
    finally:
        os.close(first)
        os.close(second)
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("number", [errno.EBADF, errno.ENOLCK, errno.EOPNOTSUPP])
def test_a_file_system_without_locks_of_folders_is_used_all_the_same(
    drive: int, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    def refuses(fd: int, operation: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(fcntl, "flock", refuses)
    with lock_drive(drive, Effects(), _THERE):
        pass


def test_a_folder_can_be_locked_through_its_descriptor(tmp_path: Path) -> None:
    first, second = (os.open(tmp_path, os.O_RDONLY) for _ in range(2))
    try:
        lock_descriptor(first, "the drive at /srv/recordings-second")
        with pytest.raises(Busy, match="is using the drive at /srv/recordings-second"):
            lock_descriptor(second, "the drive at /srv/recordings-second")
        # flock(1) of util-linux sees it too
        assert subprocess.run(["flock", "--nonblock", tmp_path, "true"], check=False).returncode == 1
        os.close(first)
        first = -1
        lock_descriptor(second, "the drive at /srv/recordings-second")
    finally:
        for fd in (first, second):
            if fd >= 0:
                os.close(fd)
    with pytest.raises(Failed, match="A lock on it cannot be taken"):
        lock_descriptor(second, "it")
