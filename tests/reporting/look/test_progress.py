"""Who watches a run: the status file, the log, the bar."""

from __future__ import annotations

import contextlib
import io
import json
import os
import pty
import re
import threading
from pathlib import Path

import pytest

from nightferry.reporting.look import progress
from nightferry.reporting.look.progress import LOG_NAMES_LIMIT, Bar, Count, Log, StatusFile, Watchers


class Time:
    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now_s = 1000.0
        monkeypatch.setattr(progress.time, "monotonic", lambda: self.now_s)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Time:
    return Time(monkeypatch)


def test_time_left_of_large_files_goes_by_their_bytes(clock: Time) -> None:
    count = Count()
    count.begin("copy", 10, 1000 << 30)
    assert count.left_s() is None
    clock.now_s += 10
    count.advance(0, 250 << 30)  # files are counted later, when their batch is safe
    assert count.left_s() == pytest.approx(30, rel=0.01)


def test_time_left_of_small_files_goes_by_their_number(clock: Time) -> None:
    count = Count()
    count.begin("copy", 1000, 1000)
    clock.now_s += 10
    count.advance(250, 1000)
    assert count.left_s() == pytest.approx(30, rel=0.01)


def test_time_left_is_not_made_up(clock: Time) -> None:
    count = Count()
    count.begin("scan and compare", None, None)
    clock.now_s += 10
    count.advance(5, 0)
    assert count.left_s() is None


def test_the_status_is_written_at_each_phase_and_every_two_seconds(clock: Time, tmp_path: Path) -> None:
    file = StatusFile(tmp_path, "recordings", 2e9, lambda: 1.9e9)
    path = tmp_path / "status.json"

    def run() -> dict[str, object]:
        found: dict[str, object] = json.loads(path.read_bytes())["run"]
        return found

    file.phase("preflight")
    file.advance(files=1)
    assert not path.exists(), "before the run has its lock, the file may be another's"
    file.note("started", number=7)
    assert (run()["number"], run()["phase"]) == (7, "preflight")
    file.phase("copy", 10, 1000)
    assert (run()["phase"], run()["files_total"], run()["bytes_total"]) == ("copy", 10, 1000)
    file.advance(files=1, size_bytes=100)
    clock.now_s += 1.9
    file.advance(files=1, size_bytes=100)
    assert run()["files"] == 0
    clock.now_s += 0.2
    file.advance(files=1, size_bytes=100)
    assert (run()["files"], run()["bytes"]) == (3, 300)


def test_late_in_a_long_night_it_is_written_less_often(clock: Time, tmp_path: Path) -> None:
    file = StatusFile(tmp_path, "recordings", 2e9, lambda: 1.9e9)
    file.note("started", number=7)
    file.phase("copy", 10, 1000)
    written = set()
    for _ in range(3000):  # five minutes
        clock.now_s += 0.1
        file.advance(files=1)
        written.add((tmp_path / "status.json").stat().st_ino)
        written.add((tmp_path / "status.json").read_bytes())
    contents = {each for each in written if isinstance(each, bytes)}
    assert 60 <= len(contents) <= 60 + 15


def test_a_status_that_cannot_be_written_does_not_end_the_night(tmp_path: Path) -> None:
    file = StatusFile(tmp_path / "gone", "recordings", 2e9)
    file.note("started", number=1)
    file.phase("copy")


def test_log_lines(clock: Time) -> None:
    stream = io.StringIO()
    log = Log("recordings", stream)
    log.phase("copy", 10, 1000)
    log.note("not copied", kind="unreadable", path=b"a \x1b[31m\n.wav", why="Permission denied")
    clock.now_s += 61
    log.advance(5, 500)
    log.advance(1, 100)
    phase, note, told = stream.getvalue().splitlines()
    assert re.match(r"at=\d{4}-\d\d-\d\dT[\d:.]+Z event=phase pair=recordings phase=copy ", phase)
    assert 'event="not copied"' in note and "\x1b" not in note and r"\\x1b[31m\\n.wav" in note
    assert "files=5" in told and "bytes=500" in told and "bytes_per_s=8" in told and "left_s=61" in told


def test_the_log_names_a_bounded_number(clock: Time) -> None:
    stream = io.StringIO()
    log = Log("recordings", stream)
    for number in range(LOG_NAMES_LIMIT + 500):
        log.note("not copied", kind="unsupported", path=b"%d" % number, why="a FIFO")
    lines = stream.getvalue().splitlines()
    assert len(lines) == LOG_NAMES_LIMIT + 1 and "not listed here" in lines[-1]


def test_a_stream_that_is_closed_does_not_end_the_night() -> None:
    stream = io.StringIO()
    log = Log("recordings", stream)
    stream.close()
    log.phase("copy")
    log.note("not copied", path=b"x")


def bar_at(columns: int, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setenv("TERM", "xterm-256color")
    leader, follower = pty.openpty()
    read: list[bytes] = []
    reader = threading.Thread(target=read_all, args=(leader, read))
    reader.start()
    with os.fdopen(follower, "w") as stream:
        with Bar("recordings", stream) as bar:
            watchers = Watchers(bar)
            watchers.phase("scan and compare")
            watchers.advance(files=12_345)
            watchers.phase("copy", 200, 4 << 30)
            watchers.advance(files=100, size_bytes=2 << 30)
            watchers.note("not copied", path=b"\x1b]0;title\x07")
            watchers.phase("names on the secondary")
            watchers.advance(files=10)
        stream.flush()
    reader.join()
    os.close(leader)
    return b"".join(read).decode()


@pytest.mark.parametrize("phase", ["verify", "restore", "rehearse"])
def test_the_bar_says_the_rate_and_the_time_left(phase: str, clock: Time, monkeypatch: pytest.MonkeyPatch) -> None:
    """40 of 200 MiB in 2 s; what a file costs beside its bytes is the same for all of them."""
    monkeypatch.setenv("COLUMNS", "160")
    stream = io.StringIO()
    with Bar("recordings", stream) as bar:
        bar.phase(phase, 200, 200 << 20)
        clock.now_s += 2
        bar.advance(40, 40 << 20)
        assert bar._said() == "40 of 200 files  40.0 MiB of 200.0 MiB  20.0 MiB/s  8.0 s left"
    assert "20.0 MiB/s" in stream.getvalue()


def read_all(leader: int, read: list[bytes]) -> None:
    """Until the other end is closed, which a terminal says with EIO. One read gives only what is there by then."""
    with contextlib.suppress(OSError):
        while found := os.read(leader, 1 << 16):
            read.append(found)


@pytest.mark.parametrize("columns", [60, 80, 160])
def test_the_bar_says_files_and_bytes_of_each_phase(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    shown = bar_at(columns, monkeypatch)
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", shown)
    assert "scan and compare" in plain and "12,345 files" in plain and "copy" in plain and "2.0 GiB" in plain
    assert "10 folders" in plain  # each of which is listed, and no file of it read
    assert "\x1b]" not in shown


def test_a_phase_that_is_named_again_before_it_did_anything_takes_one_line() -> None:
    stream = io.StringIO()
    with Bar("recordings", stream) as bar:
        bar.phase("rehearse")
        bar.phase("rehearse", 3, 30)
        bar.advance(3, 30)
        bar.phase("retire", 1, 100)
        bar.advance(1, 0)
        bar.phase("seal")
    shown = stream.getvalue()
    assert [shown.count(name) for name in ("rehearse", "retire", "seal")] == [1, 1, 1]
    assert "3 files  30 B" in shown and "1 file  0" in shown and "0 B" not in shown.replace("30 B", "")


def test_a_terminal_that_was_closed_does_not_end_the_night() -> None:
    leader, follower = pty.openpty()
    stream = os.fdopen(follower, "w")
    try:
        with Bar("recordings", stream) as bar:
            os.close(leader)
            bar.phase("copy", 10, 100)
            bar.advance(5, 50)
            bar.phase("retire")
        with pytest.raises(OSError, match="Input/output"):
            os.write(follower, b"x")  # it was closed for real
    finally:
        with contextlib.suppress(OSError):
            stream.close()
