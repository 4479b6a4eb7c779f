"""Drives that never answer: a clear end with exit code 3, in the time that io_limit gives."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest

from box import CONCERT, Box, clean_environment, wait_for
from counts import count_case
from drives import MIB, DriveFactory, requires_root_and_loops, run
from faulty_fuse import FaultyDrive
from nightferry.night.reading import COARSE_FRESH_S
from nightferry.night.side_by_side import WORTH_FILES
from sweeps import ALL, LONG, some

pytestmark = [requires_root_and_loops, pytest.mark.waits]

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
if not ALL:
    del PLACES["the first look"]
if LONG:
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


def test_rule_G_a_process_that_stages_small_files_hangs(tmp_path: Path, drives: DriveFactory) -> None:
    """The night's own process goes on and waits for it. Its secondary is none of a program: such has no others."""
    box = Box(tmp_path, settings=f"io_limit = {LIMIT}")
    secondary = drives("ext4", 64 * MIB)
    secondary.unmount()
    secondary.root = box.secondary()
    secondary.mount()
    with FaultyDrive(tmp_path / "behind", box.primary()) as drive:
        box.ok("pair", "--yes", "recordings")
        folder = drive.behind / CONCERT
        folder.mkdir()
        for number in range(2 * WORTH_FILES):
            (folder / f"note {number:04}.txt").write_text("softer")
        time.sleep(COARSE_FRESH_S + 0.1)  # what was written just now is read by the night itself
        drive.delay(f"{CONCERT}/note 0900.txt", "read", None)
        done = box.run("run")
        assert done.returncode == 3, done.stderr
        assert "has not answered for 5.0 s (io_limit)" in done.stderr
        drive.heal()
        box.ok("run")
    assert len(os.listdir(box.copy() / CONCERT)) == 2 * WORTH_FILES


def test_rule_M_a_secondary_that_freezes_while_others_stage_is_told(tmp_path: Path, drives: DriveFactory) -> None:
    """They sit in the kernel with the pair's lock, which they have from the night's process. That one can be ended."""
    box = Box(tmp_path, settings=f'io_limit = {LIMIT}\nhold_share = "100%"')
    secondary = drives("ext4", 128 * MIB, format_options=("-N", "20000"))
    secondary.unmount()
    secondary.root = box.secondary()
    secondary.mount()
    box.ok("pair", "--yes", "recordings")
    box.fill()
    box.ok("run")
    notes = box.primary() / "notes"
    notes.mkdir()
    for number in range(9_000):
        (notes / f"note {number:04}.txt").write_text("softer\n" * 30)
    time.sleep(COARSE_FRESH_S + 0.1)
    with subprocess.Popen(box.command("run"), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as night:
        wait_for(lambda: len(os.listdir(box.secondary() / "staging")) > 300)
        run("fsfreeze", "--freeze", secondary.root)
        try:
            _, said = night.communicate(timeout=60)
            status = box.status()
            assert night.returncode == 3, said
            assert "keeps the pair locked" in said
            assert (status["state"], [each["code"] for each in status["reasons"]]) == ("failed", ["drive_hung"])
            assert box.run("run").returncode == 5
        finally:
            run("fsfreeze", "--unfreeze", secondary.root)
    wait_for(lambda: box.run("run").returncode == 0)
    assert len(os.listdir(box.copy() / "notes")) == 9_000


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


def _hanging_device(tmp_path: Path, stack: ExitStack) -> tuple[str, FaultyDrive]:
    """A device with ext4 whose every request the drive that serves it may leave unanswered."""
    served = stack.enter_context(FaultyDrive(tmp_path / "behind", tmp_path / "served"))
    with (served.behind / "drive.img").open("wb") as image:
        image.truncate(64 * MIB)
    device = run("losetup", "--find", "--show", served.root / "drive.img").decode().strip()
    stack.callback(lambda: run("losetup", "--detach", device, check=False))
    run("mkfs.ext4", "-q", "-F", "-E", "nodiscard", device)
    return device, served


@pytest.fixture
def stuck(tmp_path: Path) -> Iterator[tuple[Box, FaultyDrive]]:
    """A primary on a loop device whose image is served by a program that can stop answering: then processes that read
    it wait where no signal reaches them, as with a drive that has lost its link."""
    with ExitStack() as stack:
        device, served = _hanging_device(tmp_path, stack)
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


def test_a_command_that_was_stopped_ends_although_one_of_its_threads_cannot(stuck: tuple[Box, FaultyDrive]) -> None:
    box, served = stuck
    run("sync", "--file-system", box.primary())
    Path("/proc/sys/vm/drop_caches").write_text("3")
    served.delay("drive.img", "read", None)
    process = box.start("verify", "--all", "--side", "primary")
    assert process.stderr is not None
    try:
        said = ""
        while "phase=verify" not in said and (line := process.stderr.readline()):
            said += line
        process.send_signal(signal.SIGTERM)
        _, rest = process.communicate(timeout=60)
        said += rest
    finally:
        served.heal()
    # 3: the drive did not answer its very first question, and was given up meanwhile
    assert process.returncode in (1, 3), said
    assert "Traceback" not in said
    wait_for(lambda: box.run("verify", "--all").returncode == 0)


# --- every command, on a pair of its own below the same two drives: all hang at the same time

KYRIE = f"{CONCERT}/01 kyrie.wav"

# Where a drive stops answering: command, side, path below the pair's folder, operation.
COMMANDS = {
    "verify": (["verify", "{}"], "secondary", f"copy/{KYRIE}", "read"),
    "mend": (["mend", "{}"], "primary", KYRIE, "read"),
    "rehearse": (["rehearse", "{}"], "secondary", f"copy/{KYRIE}", "read"),
    "restore": (["restore", "{}", "--into", "{out}"], "secondary", f"copy/{KYRIE}", "read"),
    "restore-alone": (["restore", "--secondary", "{secondary}", "--into", "{out}"], "secondary", "records", "getattr"),
    "restore-into": (["restore", "{}", "--into", "{below}"], "secondary", "elsewhere", "getattr"),
    "restore-new-primary": (["restore", "{}", "--new-primary", "--yes"], "secondary", f"copy/{KYRIE}", "read"),
    "history-alone": (["history", "--secondary", "{secondary}"], "secondary", "records", "getattr"),
    "pair": (["pair", "{}"], "primary", "", "getattr"),
    "preflight": (["preflight", "{}"], "secondary", "staging", "getattr"),
    "plan": (["plan", "{}"], "secondary", "", "getattr"),
    "plan-measure": (["plan", "--measure", "{}"], "secondary", "staging/measure", "create"),
    "tonight": (["tonight", "{}"], "primary", CONCERT, "readdir"),
}


class ManyPairs(Box):
    """A pair for each command, as folders of two drives; ``mounts`` are where these two are."""

    def __init__(self, root: Path, one: Path, two: Path) -> None:
        self.one, self.two = one, two
        super().__init__(root, tuple(COMMANDS), settings=f"io_limit = {LIMIT}")

    def primary(self, pair: str = "recordings") -> Path:
        return self.one / pair

    def secondary(self, pair: str = "recordings") -> Path:
        return self.two / pair

    def begin(self) -> None:
        """Pairs all, and gives those a first night that need one."""
        for pair in COMMANDS:
            self.fill(pair, files=2)
        self.ok("pair", "--yes", *COMMANDS)
        self.ok("run", *(name for name in COMMANDS if name not in ("pair", "preflight", "plan", "plan-measure")))

    def prepare(self, one: Path, two: Path) -> None:
        """What some commands need: damage that is known, a new primary. ``one``, ``two``: the real folders."""
        with (two / f"mend/copy/{KYRIE}").open("r+b") as file:
            file.write(b"rot")
        self.ok("verify", "--all", "mend", code=1)
        shutil.rmtree(one / "restore-new-primary")
        (one / "restore-new-primary").mkdir()
        (two / "restore-into elsewhere").mkdir()

    def words(self, name: str) -> list[str]:
        given = {
            "out": self.root / f"restored {name}",
            "below": self.two / f"{name} elsewhere/into",
            "secondary": self.secondary(name),
        }
        return [each.format(name, **given) for each in COMMANDS[name][0]]

    def all_end(self, drive_names: tuple[str, ...], names: Sequence[str] = tuple(COMMANDS)) -> None:
        """Starts all at once; each has to end with 3 and one clear sentence."""
        processes = {name: self.start(*self.words(name)) for name in names}
        wrong = []
        for name, process in processes.items():
            out, said = process.communicate(timeout=120)
            if name == "preflight":  # where it is one of the findings
                said += out
            sentence = f"has not answered for 5.0 s (io_limit), so `nightferry {COMMANDS[name][0][0]}` was ended"
            if process.returncode != 3 or sentence not in said or not any(each in said for each in drive_names):
                wrong.append((name, process.returncode, out, said))
            if "Traceback" in said or said.count("nightferry: ") > 1:
                wrong.append((name, out, said))
        assert wrong == []
        count_case("commands at a drive that never answers", len(processes))

    def left_behind(self) -> bool:
        """Whether a process of these commands is still there."""
        for each in Path("/proc").glob("[0-9]*/cmdline"):
            with suppress(OSError):
                if bytes(self.config) in each.read_bytes():
                    return True
        return False

    def all_work(self, names: Sequence[str] = tuple(COMMANDS)) -> None:
        """Healed, each does what it is for."""
        processes = {name: self.start(*self.words(name), "--json") for name in names}
        for name, process in processes.items():
            out, said = process.communicate(timeout=120)
            # Before the first night, and without a large file to measure, there are no rates to plan by.
            assert process.returncode in ((4,) if name.startswith("plan") else (0, 1)), (name, process.returncode, said)
            assert json.loads(out)["exit_code"] == process.returncode


def test_rule_G_every_command_ends_in_time(tmp_path: Path) -> None:
    with ExitStack() as stack:
        one = stack.enter_context(FaultyDrive(tmp_path / "behind-1", tmp_path / "one"))
        two = stack.enter_context(FaultyDrive(tmp_path / "behind-2", tmp_path / "two"))
        box = ManyPairs(tmp_path, one.root, two.root)
        box.begin()
        box.prepare(one.behind, two.behind)
        one.drop_caches()
        for name, (_, side, path, operation) in COMMANDS.items():
            drive = one if side == "primary" else two
            top = f"{name} elsewhere" if path == "elsewhere" else f"{name}/{path}".rstrip("/")
            drive.delay(top, operation, None)
        box.all_end((str(one.root), str(two.root)))
        one.heal()
        two.heal()
        box.all_work()


def test_rule_G_every_command_ends_in_time_that_no_signal_can_end(tmp_path: Path) -> None:
    """Both sides of all pairs lie on one device that answers no request: what asked it cannot be killed."""
    with ExitStack() as stack:
        device, served = _hanging_device(tmp_path, stack)
        run("mount", device, _made(tmp_path / "drive"))
        stack.callback(lambda: run("umount", "--lazy", tmp_path / "drive", check=False))
        stack.callback(served.heal)
        box = ManyPairs(tmp_path, _made(tmp_path / "drive/one"), _made(tmp_path / "drive/two"))
        box.begin()
        box.prepare(box.one, box.two)
        run("sync", "--file-system", tmp_path / "drive")
        Path("/proc/sys/vm/drop_caches").write_text("3")
        served.delay("drive.img", "read", None)
        names = some(tuple(COMMANDS), 4)
        box.all_end((str(box.one), str(box.two)), names)
        served.heal()
        wait_for(lambda: not box.left_behind())
        box.all_work(names)


def _made(path: Path) -> Path:
    path.mkdir(parents=True, exist_ok=True)
    return path
