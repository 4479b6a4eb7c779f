"""Drives that never answer: a clear end with exit code 3, in the time that io_limit gives."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest

from box import CONCERT, Box, clean_environment, wait_for
from drives import MIB, requires_root_and_loops, run
from faulty_fuse import FaultyDrive

pytestmark = requires_root_and_loops

LIMIT = '"5s"'


class HangingBox(Box):
    """A box whose two drives are served by a program that can stop answering."""

    def __init__(self, root: Path, stack: ExitStack) -> None:
        super().__init__(root, settings=f"io_limit = {LIMIT}")
        self.drives = {
            "primary": stack.enter_context(FaultyDrive(root / "behind-1", self.primary())),
            "secondary": stack.enter_context(FaultyDrive(root / "behind-2", self.secondary())),
        }


@pytest.fixture
def box(tmp_path: Path) -> Iterator[HangingBox]:
    with ExitStack() as stack:
        made = HangingBox(tmp_path, stack)
        made.ok("pair", "--yes", "recordings")
        made.fill()
        made.ok("run")
        yield made


# Where a drive stops answering: side, path below it, operation.
PLACES = {
    "the first look": ("primary", "", "getattr"),
    "a new file of the primary": ("primary", f"{CONCERT}/new.wav", "read"),
    "a name in the copy": ("secondary", f"copy/{CONCERT}", "getattr"),
}
if os.environ.get("HYPOTHESIS_PROFILE") == "long":
    PLACES |= {
        "the card": ("secondary", ".nightferry-volume.toml", "open"),
        "the scan": ("primary", CONCERT, "readdir"),
        "a new name": ("secondary", f"copy/{CONCERT}/new.wav", "rename"),
        "a barrier": ("secondary", "staging", "fsyncdir"),
        "the records": ("secondary", "records", "getattr"),
    }


@pytest.mark.parametrize("where", PLACES)
def test_rule_G_a_drive_that_never_answers_ends_the_run_in_time(box: HangingBox, where: str) -> None:
    side, path, operation = PLACES[where]
    drive = box.drives[side]
    (box.drives["primary"].behind / CONCERT / "new.wav").write_bytes(b"new" * 1000)
    drive.drop_caches()
    drive.delay(path, operation, None)
    done = box.run("run")
    assert done.returncode == 3, done.stderr
    assert "has not answered for 5.0 s (io_limit)" in done.stderr
    assert "Traceback" not in done.stderr
    status = box.status()
    assert (status["state"], [each["code"] for each in status["reasons"]]) == ("failed", ["drive_hung"])
    drive.heal()
    box.ok("run")
    assert (box.copy() / CONCERT / "new.wav").read_bytes() == b"new" * 1000
    assert box.status()["state"] == "sound"


def test_a_slow_drive_is_waited_for(box: HangingBox) -> None:
    (box.drives["primary"].behind / CONCERT / "new.wav").write_bytes(os.urandom(3 * MIB))
    # Each read takes 2.5 s, so that the run takes longer than the limit, and each call less.
    box.drives["primary"].delay(f"{CONCERT}/new.wav", "read", 2.5)
    assert json.loads(box.run("run", "--json").stdout)["pairs"][0]["counts"]["added"]["files"] == 1


def test_the_other_pairs_have_their_night(tmp_path: Path) -> None:
    with ExitStack() as stack:
        box = HangingBox(tmp_path, stack)
        box.configure(("recordings", "sheet-music"), f"io_limit = {LIMIT}")
        box.ok("pair", "--yes", "recordings", "sheet-music")
        box.fill("recordings")
        box.fill("sheet-music")
        box.drives["primary"].delay(CONCERT, "readdir", None)
        done = box.run("run")
        assert done.returncode == 3, done.stderr
        assert len(os.listdir(box.copy("sheet-music") / CONCERT)) == 6
        assert (box.status("recordings")["state"], box.status("sheet-music")["state"]) == ("failed", "sound")


def test_asked_to_stop_while_a_drive_hangs_it_ends_too(box: HangingBox) -> None:
    (box.drives["primary"].behind / CONCERT / "new.wav").write_bytes(b"new" * 1000)
    box.drives["primary"].drop_caches()
    box.drives["primary"].delay(f"{CONCERT}/new.wav", "read", None)
    process = box.start("run")
    wait_for(lambda: (box.status()["run"] or {}).get("phase") == "copy")
    process.send_signal(signal.SIGTERM)
    _, said = process.communicate(timeout=60)
    # 1: the signal came before that file was begun
    assert process.returncode in (1, 3), said
    assert "Traceback" not in said


@pytest.fixture
def stuck(tmp_path: Path) -> Iterator[tuple[Box, FaultyDrive]]:
    """A primary on a loop device whose image is served by a program that can stop answering: then processes that read
    it wait where no signal reaches them, as with a drive that has lost its link."""
    with ExitStack() as stack:
        served = stack.enter_context(FaultyDrive(tmp_path / "behind", tmp_path / "served"))
        with (served.behind / "drive.img").open("wb") as image:
            image.truncate(64 * MIB)
        device = run("losetup", "--find", "--show", served.root / "drive.img").decode().strip()
        stack.callback(lambda: run("losetup", "--detach", device, check=False))
        run("mkfs.ext4", "-q", "-F", "-E", "nodiscard", device)
        box = Box(tmp_path, settings=f"io_limit = {LIMIT}")
        run("mount", device, box.primary())
        stack.callback(lambda: run("umount", "--lazy", box.primary(), check=False))
        stack.callback(served.heal)
        box.ok("pair", "--yes", "recordings")
        box.fill(files=3, size_bytes=2 * MIB)
        box.ok("run")
        yield box, served


def test_a_process_that_cannot_be_killed_is_left_and_the_run_ends(stuck: tuple[Box, FaultyDrive]) -> None:
    box, served = stuck
    concert = box.primary() / CONCERT
    (concert / "07 agnus dei.wav").write_bytes(os.urandom(2 * MIB))
    run("sync", "--file-system", box.primary())
    Path("/proc/sys/vm/drop_caches").write_text("3")
    served.delay("drive.img", "read", None)
    process = subprocess.Popen(
        box.command("run"), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=clean_environment(),
    )  # fmt: skip
    said = ""
    try:
        # Its output stays open in the process that is stuck, so what ends is waited for, and not the end of output.
        assert process.wait(60) == 3
        status = box.status()
        assert [each["code"] for each in status["reasons"]] == ["drive_hung"]
        said = status["reasons"][0]["sentence"]
        assert str(box.primary()) in said
        again = box.run("run")
        if "keeps the pair locked" in said:
            assert again.returncode == 5, again.stderr
        else:
            assert again.returncode == 3, again.stderr
    finally:
        served.heal()
        for stream in (process.stdout, process.stderr):
            with suppress(OSError, AttributeError):
                stream.close()
    for _ in range(200):
        if (done := box.run("run")).returncode == 0:
            break
        time.sleep(0.1)
    assert done.returncode == 0, done.stderr
    assert len(os.listdir(box.copy() / CONCERT)) == 4
