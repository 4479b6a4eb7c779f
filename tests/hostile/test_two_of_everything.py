"""Two of everything: of two commands on one pair or one drive, one works and the other ends with 5 and says so."""

from __future__ import annotations

import fcntl
import json
import os
import random
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from box import CONCERT, Box, wait_for
from counts import count_case
from drives import MIB, DriveFactory, requires_root_and_loops, run
from sweeps import ALL, LONG, some


@pytest.fixture
def box(tmp_path: Path) -> Box:
    made = Box(tmp_path)
    made.fill(files=4, size_bytes=100_000)
    made.ok("pair", "--yes", "recordings")
    made.ok("run")
    return made


@contextmanager
def stopped_in(box: Box, *args: str) -> Iterator[subprocess.Popen[str]]:
    """A command that is copying, and stands still for the time of the block."""
    process = box.start(*args)
    try:
        wait_for(lambda: (box.status()["run"] or {}).get("phase") == "copy" or process.poll() is not None)
        assert process.poll() is None, process.communicate()
        for child in _family(process.pid):
            os.kill(child, signal.SIGSTOP)
        yield process
    finally:
        for child in _family(process.pid):
            os.kill(child, signal.SIGCONT)
        _, said = process.communicate(timeout=60)
        assert process.returncode in (0, 1), said


def _family(pid: int) -> list[int]:
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return [pid, *map(int, children)]


def _is_locked(path: Path) -> bool:
    with path.open("rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            return True
    return False


def _big(box: Box) -> None:
    with (box.primary() / CONCERT / "long.wav").open("wb") as file:
        for _ in range(150):
            file.write(os.urandom(MIB))


@pytest.mark.parametrize(
    "second", some([["run"], ["verify"], ["pair", "--yes"], ["mend"]], 2), ids=lambda each: each[0]
)
def test_a_second_command_on_the_same_pair_is_told_that_it_is_busy(box: Box, second: list[str]) -> None:
    _big(box)
    with stopped_in(box, "run"):
        done = box.run(*second, "recordings")
        assert done.returncode == (5 if second[0] != "pair" else 0), done.stderr
        if second[0] != "pair":  # which finds the pair made, and asks for no lock
            assert "Another run of this pair is in progress: process" in done.stderr
    box.ok("run")


def test_two_state_directories_on_one_drive(tmp_path: Path, box: Box) -> None:
    """As with two boxes that share a secondary, or a configuration that was copied."""
    other = Box(tmp_path)
    other.config = tmp_path / "other.toml"
    other.state = tmp_path / "other state"
    other.configure(("recordings",))
    run("cp", "-a", box.state, other.state)
    _big(box)
    with stopped_in(box, "run"):
        done = other.run("run")
        assert done.returncode == 5, done.stderr
        assert "is using the drive at" in done.stderr
        assert other.run("verify").returncode == 5
    # The other state is older than the drive by now, and is refused for that.
    done = other.run("run")
    assert done.returncode == 3, done.stderr
    assert "older than the secondary" in done.stderr
    box.ok("run")


@requires_root_and_loops
def test_two_mount_namespaces_that_share_one_secondary(drives: DriveFactory, tmp_path: Path) -> None:
    """Each has the drive at a mount of its own, as two boxes over a network have."""
    box = Box(tmp_path)
    drive = drives("ext4", 300 * MIB)
    run("mount", "--bind", drive.root, box.secondary())
    try:
        box.ok("pair", "--yes", "recordings")
        box.fill(files=2)
        box.ok("run")
        other_state = tmp_path / "other state"
        run("cp", "-a", box.state, other_state)
        config = tmp_path / "other.toml"
        config.write_text(box.config.read_text().replace(str(box.state), str(other_state)))
        _big(box)
        with stopped_in(box, "run"):
            script = f'umount {box.secondary()} && mount {drive.device} {box.secondary()} && exec "$@"'
            command = ["unshare", "--mount", "sh", "-c", script, "sh", *box.command("run")]
            command[command.index(str(box.config))] = str(config)
            done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
            assert done.returncode == 5, done.stderr
        box.ok("run")
    finally:
        run("umount", box.secondary(), check=False)


def test_many_runs_at_once_and_exactly_one_works(box: Box) -> None:
    for number in range(40 if LONG else 3 if ALL else 1):
        (box.primary() / CONCERT / f"take {number}.wav").write_bytes(os.urandom(200_000))
        processes = [box.start("run", "--json") for _ in range(4)]
        codes = []
        for process in processes:
            out, said = process.communicate(timeout=120)
            assert process.returncode in (0, 5), said
            codes.append(process.returncode)
            if process.returncode == 0:
                assert json.loads(out)["pairs"][0]["outcome"] == "complete"
        assert 0 in codes
        count_case("runs started at the same instant as others", len(processes))
    done = subprocess.run(
        ["diff", "-r", "-x", ".nightferry-volume.toml", box.primary(), box.copy()], capture_output=True, check=False
    )
    assert done.stdout == b""


# --- asked to stop, or killed, at any instant


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL], ids=["SIGTERM", "SIGKILL"])
def test_rule_E_a_run_is_ended_at_random_instants(tmp_path: Path, number: signal.Signals) -> None:
    numbers = random.Random(number)
    # No limit to what a night may replace: each of these replaces much.
    box = Box(tmp_path, settings='hold_share = "off"\nhold_count = "off"')
    box.ok("pair", "--yes", "recordings")
    concert = box.fill(files=30, size_bytes=20_000)
    started_s = time.monotonic()
    box.ok("run")
    whole_s = time.monotonic() - started_s + 0.5  # with what Python needs to start
    attempts = 200 if LONG else 15 if ALL else 5
    ended = 0
    for attempt in range(attempts):
        for each in range(10):
            text = f"take {each} of attempt {attempt}, {numbers.random()}\n"  # noise would look like encryption
            (concert / f"{numbers.randrange(40):02} kyrie.wav").write_text(text * 100)
        victim = concert / f"{numbers.randrange(40):02} kyrie.wav"
        if victim.exists():
            victim.rename(concert / f"moved {attempt}.wav")
        before = {path.read_bytes() for path in (box.copy() / CONCERT).iterdir()}
        process = box.start("run")
        time.sleep(numbers.uniform(0.05, whole_s))
        process.send_signal(number)
        _, said = process.communicate(timeout=120)
        assert "Traceback" not in said, said
        # Before its handlers are set, a signal ends it as it ends any program.
        assert process.returncode in (0, 1, -number), (process.returncode, said)
        ended += process.returncode != 0
        wait_for(lambda: not _is_locked(box.folder() / "lock"))
        held = (path for path in (box.secondary() / "retired").rglob("*") if path.is_file())
        after = {path.read_bytes() for path in [*(box.copy() / CONCERT).iterdir(), *held]}
        assert before <= after
    count_case(f"runs ended by {number.name} at a random instant", attempts)
    assert ended > attempts // 5 or not ALL  # of few, none may have met a run under way
    box.ok("run")
    done = subprocess.run(
        ["diff", "-r", "-x", ".nightferry-volume.toml", box.primary(), box.copy()], capture_output=True, check=False
    )
    assert done.stdout == b""
    assert box.status()["state"] == "sound"
