"""``nightferry status --follow``: lines on a pipe, in place on a terminal, until the run ends or somebody leaves."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from box import Box, clean_environment, wait_for
from nightferry.reporting.look.progress import StatusFile
from nightferry.volumes.lock import PairLock

pytestmark = pytest.mark.waits


@contextmanager
def night_under_way(box: Box) -> Iterator[StatusFile]:
    """A run's lock and its status file, as a run keeps them."""
    with PairLock(box.folder() / "lock", "run"):
        file = StatusFile(box.folder(), "recordings", time.time() + 86_400)
        file.note("started", number=2)
        yield file


class Reader(threading.Thread):
    """Collects what a stream gives."""

    def __init__(self, fd: int) -> None:
        super().__init__(daemon=True)
        self._fd = fd
        self._found = bytearray()
        self.start()

    def run(self) -> None:
        with contextlib.suppress(OSError):  # EIO: the other side of a terminal is closed
            while block := os.read(self._fd, 65536):
                self._found.extend(block)

    @property
    def text(self) -> str:
        return bytes(self._found).decode()


def follow(box: Box, *args: str) -> tuple[subprocess.Popen[str], Reader]:
    process = box.start("status", "--follow", *args)
    assert process.stdout is not None
    return process, Reader(process.stdout.fileno())


def test_a_pipe_gets_a_line_for_each_change_until_the_run_ends(paired: Box) -> None:
    paired.ok("run")
    with night_under_way(paired) as file:
        file.phase("copy", 6, 18_000)
        process, reader = follow(paired)
        wait_for(lambda: "recordings: night 2, copy, 0 B of 17.6 KiB, 0 of 6 files in place\n" in reader.text)
        file.phase("verify")
        wait_for(lambda: "recordings: night 2, verify\n" in reader.text)
        assert process.poll() is None
    paired.ok("run")
    assert process.wait(timeout=120) == 0
    reader.join(timeout=60)
    lines = reader.text.splitlines()
    assert "recordings: sound" in lines  # how it stands now
    assert "\x1b" not in reader.text
    followed = lines[: lines.index("recordings: sound")]
    assert len(followed) == len(set(followed))


def test_with_json_each_change_is_a_document(paired: Box) -> None:
    paired.ok("run")
    with night_under_way(paired) as file:
        process, reader = follow(paired, "--json")
        wait_for(lambda: reader.text.count("\n") >= 1)
        file.phase("copy", 6, 18_000)
        wait_for(lambda: '"phase": "copy"' in reader.text)
    paired.ok("run")
    assert process.wait(timeout=120) == 0
    reader.join(timeout=60)
    documents = [json.loads(each) for each in reader.text.splitlines()]
    assert documents[0]["pairs"][0]["run"]["number"] == 2
    assert documents[-1]["pairs"][0]["run"] is None and documents[-1]["state"] == "sound"


def test_leaving_leaves_the_run_alone(paired: Box) -> None:
    paired.ok("run")
    for number in (signal.SIGINT, signal.SIGTERM):
        with night_under_way(paired) as file:
            file.phase("copy", 6, 18_000)
            process, reader = follow(paired)
            wait_for(lambda reader=reader: "night 2, copy" in reader.text)  # type: ignore[misc]
            process.send_signal(number)
            assert process.wait(timeout=60) == 130
            assert process.stderr is not None
            assert process.stderr.read() == (
                "nightferry: no longer followed; what is under way goes on. `nightferry status` says how it stands.\n"
            )


def test_on_a_terminal_it_is_drawn_in_place_and_the_cursor_comes_back(paired: Box) -> None:
    paired.ok("run")
    leader, follower = pty.openpty()
    with night_under_way(paired) as file:
        file.phase("copy", 6, 18_000)
        process = subprocess.Popen(
            paired.command("status", "--follow"), stdin=follower, stdout=follower, stderr=follower,
            env=clean_environment(), start_new_session=True,
        )  # fmt: skip
        os.close(follower)
        reader = Reader(leader)
        wait_for(lambda: "night 2 is under way" in reader.text)
        file.phase("seal")
        wait_for(lambda: "seal" in reader.text)
    paired.ok("run")
    assert process.wait(timeout=120) == 0
    reader.join(timeout=60)
    os.close(leader)
    assert "\x1b[1A" in reader.text  # up a line: drawn over what was there
    assert reader.text.rindex("\x1b[?25h") > reader.text.rindex("\x1b[?25l")  # the cursor is shown again
    assert "recordings: sound" in reader.text.rsplit("\x1b[?25h", 1)[1]


def test_with_nothing_under_way_it_says_so_and_ends(paired: Box) -> None:
    paired.ok("run")
    done = paired.run("status", "--follow")
    assert done.returncode == 0
    assert "nothing began" in done.stderr and done.stdout.startswith("recordings: sound\n")


def test_a_night_that_was_cut_off_is_not_told_as_running(paired: Box) -> None:
    paired.ok("run")
    with night_under_way(paired) as file:
        file.phase("copy", 6, 18_000)
        assert "running" in paired.ok("status")
    assert paired.status()["run"] is not None
    assert "running" not in paired.ok("status")
