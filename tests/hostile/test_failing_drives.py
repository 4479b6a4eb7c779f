"""Drives that fail over whole regions, and drives that leave in the middle. Rules B, E and G.

A clear end, nothing lost, and the next night converges.
"""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import suppress
from itertools import product
from pathlib import Path

import pytest
from harness import Pair, contents, explain

from drives import MIB, Drive, DriveFactory, requires_root_and_loops, run
from effects_faults import CountingEffects
from faulty_fuse import FaultyDrive
from nightferry.errors import NightferryError, WrongDrive
from nightferry.night.context import Unwatched
from nightferry.night.run import Result
from nightferry.planning.drive_health import READ_ERRORS_LIMIT
from nightferry.tree.effects import Effects
from sweeps import some

pytestmark = requires_root_and_loops

CONCERT = "2026-05 spring concert"
NO_XATTRS = {"xattrs": False, "acls": False}  # that file system has none
SIDES = ("primary", "secondary")
FILES = READ_ERRORS_LIMIT + 20


class Box:
    def __init__(self, primary: FaultyDrive, secondary: FaultyDrive, state: Path) -> None:
        self.primary, self.secondary = primary, secondary
        self.pair = Pair(primary.root, secondary.root, state, require_mount=True)
        for number in range(FILES):
            self.pair.write(f"{CONCERT}/{number:03} take.wav", b"take %d" % number)
        self.pair.run_well()

    def night(self, effects: Effects | None = None) -> Result:
        self.pair.clock.pass_days(40)
        self.primary.drop_caches()
        return self.pair.run(effects=effects)


@pytest.fixture
def box(tmp_path: Path) -> Iterator[Box]:
    with (
        FaultyDrive(tmp_path / "one", tmp_path / "mnt-one") as one,
        FaultyDrive(tmp_path / "two", tmp_path / "mnt-two") as two,
    ):
        yield Box(one, two, tmp_path / "state")


class CountingReads(CountingEffects):
    """Counts how often each drive failed a read of content."""

    def __init__(self) -> None:
        super().__init__(reads=True)
        self.failed = 0

    def _perform(self, call: Callable, what: object) -> object:
        try:
            return super()._perform(call, what)  # type: ignore[arg-type]
        except OSError as error:
            self.failed += error.errno == errno.EIO
            raise


# --- regions that cannot be read


def test_rule_G_a_failing_primary_is_read_no_further_and_what_it_gave_is_safe(box: Box) -> None:
    for number in range(FILES):
        box.pair.write(f"new/{number:03}.wav", b"new %d" % number)
    box.pair.write("a good one.wav", b"good")
    for number in range(FILES):
        box.primary.fail_reading(f"new/{number:03}.wav")
    reads = CountingReads()
    result = box.night(reads)
    assert (result.outcome, result.state, result.exit_code) == ("failed", "failed", 4)
    assert result.failure is not None
    assert "Replace this drive" in result.failure and str(box.primary.root) in result.failure
    assert reads.failed == READ_ERRORS_LIMIT
    assert (box.pair.copy / "a good one.wav").read_bytes() == b"good"
    assert result.tally.removed == 0
    box.primary.heal()
    assert box.night().outcome == "complete"
    assert box.pair.differences(**NO_XATTRS) == []


@pytest.mark.parametrize("side", ["primary", "secondary"])
def test_rule_C_verifying_stops_working_a_failing_drive(box: Box, side: str) -> None:
    drive = box.primary if side == "primary" else box.secondary
    below = CONCERT if side == "primary" else f"copy/{CONCERT}"
    before = contents(box.pair.copy)
    for number in range(FILES):
        drive.fail_reading(f"{below}/{number:03} take.wav")
    reads = CountingReads()
    result = box.night(reads)
    assert (result.state, result.exit_code) == ("attention", 1), explain(box.pair, result)
    assert any("Replace this drive" in note and str(drive.root) in note for note in result.notes), result.notes
    assert reads.failed == READ_ERRORS_LIMIT
    assert result.tally.mended == 0  # the one is not to be read, the other not to be written to
    drive.heal()
    assert contents(box.pair.copy) == before


def test_rule_B_new_copies_that_do_not_read_back_end_the_night(box: Box) -> None:
    for number in range(FILES):
        box.pair.write(f"new/{number:03}.wav", b"new %d" % number)

    class BadReads(Effects):
        """The secondary takes what is written and gives back something else."""

        def __init__(self) -> None:
            self.bad = 0
            self.preadv = self._preadv

        def _preadv(self, fd: int, into: list[memoryview], offset: int) -> int:
            count = Effects.preadv(fd, into, offset)
            if count and b"/copy/new/" in os.readlink(b"/proc/self/fd/%d" % fd):
                self.bad += 1
                into[0][0] ^= 0xFF
            return count

    effects = BadReads()
    result = box.night(effects)
    assert (result.state, result.exit_code) == ("failed", 4), explain(box.pair, result)
    assert "Replace this drive" in (result.failure or "") and str(box.secondary.root) in (result.failure or "")
    assert READ_ERRORS_LIMIT <= effects.bad <= 3 * READ_ERRORS_LIMIT
    box.night()
    assert box.night().outcome == "complete"
    assert box.pair.differences(**NO_XATTRS) == []


# --- drives that leave


PHASES = ["settle", "scan and compare", "copy", "retire", "finish folders", "verify", "seal"]


class At(Unwatched):
    """Does something once, when a phase begins, or when ``files`` of it are done."""

    def __init__(self, phase: str, action: Callable[[], object], files: int = 0) -> None:
        self._phase, self._action, self._files = phase, action, files
        self._is_in = self.is_done = False
        self._count = 0

    def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
        self._is_in = name == self._phase
        self._maybe()

    def advance(self, files: int = 0, size_bytes: int = 0) -> None:
        self._count += files if self._is_in else 0
        self._maybe()

    def _maybe(self) -> None:
        if self._is_in and not self.is_done and self._count >= self._files:
            self.is_done = True
            self._action()


def _changes(pair: Pair) -> None:
    shutil.rmtree(pair.at("old"), ignore_errors=True)
    for number in range(4):
        pair.write(f"{CONCERT}/{number:03} take.wav", b"second take %d" % number)
        pair.write(f"new/{number}.wav", b"new %d" % number)


@pytest.mark.parametrize(("phase", "side"), some(list(product(PHASES, SIDES)), 4, 1))
def test_rule_B_E_the_program_that_serves_a_drive_dies(tmp_path: Path, side: str, phase: str) -> None:
    """As ntfs-3g or exfat-fuse may: every call answers ENOTCONN from then on."""
    with (
        FaultyDrive(tmp_path / "one", tmp_path / "mnt-one") as one,
        FaultyDrive(tmp_path / "two", tmp_path / "mnt-two") as two,
    ):
        pair = Pair(one.root, two.root, tmp_path / "state", require_mount=True)
        pair.write("old/tape.wav", b"tape")
        for number in range(6):
            pair.write(f"{CONCERT}/{number:03} take.wav", b"take %d" % number)
        pair.run_well()
        before = contents(two.behind / "copy")
        _changes(pair)
        drive = one if side == "primary" else two
        at = At(phase, drive.die)
        pair.clock.pass_days(40)
        result = pair.run(progress=at)
        assert at.is_done
        needs_it = (side, phase) != ("primary", "seal")
        if needs_it:
            assert (result.outcome, result.exit_code) == ("failed", 3), f"{result} {explain(pair, result)}"
            assert (result.failure is not None and "left" in result.failure) or "stopped answering" in result.failure
        assert result.tally.damage == 0
        kept = set(contents(two.behind / "copy").values()) | set(contents(two.behind / "retired").values())
        assert set(before.values()) <= kept
        if needs_it:
            with pytest.raises(WrongDrive):
                pair.run()
        drive.come_back()
        pair.run_well()
        assert pair.differences(**NO_XATTRS) == []
        assert set(before.values()) <= {*contents(pair.copy).values(), *contents(pair.retired).values()}


@pytest.fixture
def on_drives(drives: DriveFactory, tmp_path: Path) -> tuple[Pair, Drive, Drive]:
    one, other = drives("ext4", 48 * MIB), drives("ext4", 48 * MIB)
    pair = Pair(one, other, tmp_path / "state")
    pair.write("old/tape.wav", b"tape")
    for number in range(6):
        pair.write(f"{CONCERT}/{number:03} take.wav", os.urandom(200_000))
    pair.run_well()
    return pair, one, other


@pytest.mark.parametrize(
    ("phase", "side"), some(list(product(["scan and compare", "copy", "retire", "verify", "seal"], SIDES)), 3)
)
def test_rule_B_E_a_drive_is_unmounted_lazily_in_the_middle(
    on_drives: tuple[Pair, Drive, Drive], side: str, phase: str
) -> None:
    """The night holds on to the drive that it began with, and writes nothing into the bare mount point."""
    pair, one, other = on_drives
    _changes(pair)
    drive = one if side == "primary" else other
    at = At(phase, lambda: run("umount", "--lazy", drive.root))
    pair.clock.pass_days(40)
    result = pair.run(progress=at)
    assert at.is_done
    if side == "primary":
        assert result.outcome == "complete", explain(pair, result)
    else:
        # All but the records: SQLite needs a path to write them to, and that leads to another place now.
        assert (result.outcome, result.exit_code) == ("failed", 3), explain(pair, result)
        assert "mounted there no more" in (result.failure or "")
    assert os.listdir(drive.root) == []
    with pytest.raises(WrongDrive):
        pair.run()
    drive.mount()
    assert pair.differences() == []
    pair.run_well()


@pytest.mark.parametrize(
    ("phase", "side"), some(list(product(["scan and compare", "copy", "finish folders", "verify", "seal"], SIDES)), 3)
)
def test_rule_B_E_a_drive_answers_every_request_with_an_error(tmp_path: Path, side: str, phase: str) -> None:
    """As one that was unplugged: the file system stays mounted, and every read and write of the device fails."""
    served_folder = tmp_path / "behind"
    with FaultyDrive(served_folder, tmp_path / "served") as served:
        roots = []
        devices = []
        try:
            for name in ("primary", "secondary"):
                with (served.behind / f"{name}.img").open("wb") as image:
                    image.truncate(64 * MIB)
                device = run("losetup", "--find", "--show", served.root / f"{name}.img").decode().strip()
                devices.append(device)
                run("mkfs.ext4", "-q", "-F", "-E", "nodiscard", "-b", "4096", "-I", "256", device)
                root = tmp_path / name
                root.mkdir()
                run("mount", device, root)
                roots.append(root)
            pair = Pair(*roots, tmp_path / "state", require_mount=True)
            pair.write("old/tape.wav", b"tape")
            for number in range(6):
                pair.write(f"{CONCERT}/{number:03} take.wav", os.urandom(200_000))
            pair.run_well()
            before = set(contents(pair.copy).values())
            _changes(pair)
            image = f"{side}.img"

            def unplug() -> None:
                subprocess.run(["sync", "--file-system", roots[0]], check=False)
                for operation in ("read", "write", "fsync"):
                    served.fail(image, operation)
                Path("/proc/sys/vm/drop_caches").write_text("3")

            at = At(phase, unplug)
            pair.clock.pass_days(40)
            result = pair.run(progress=at)
            assert at.is_done
            if side == "secondary":
                assert result.state in ("failed", "attention"), explain(pair, result)
            again: object
            try:
                again = pair.run()
            except NightferryError as error:
                again = error
            assert isinstance(again, NightferryError) or again.state != "sound" or phase in ("verify", "seal")
            served.heal()
            for root, device in zip(roots, devices, strict=True):
                run("umount", root)
                run("fsck.ext4", "-p", device, check=False)  # replays the journal, as the next mount would
                run("mount", device, root)
            for _ in range(3):
                with suppress(NightferryError):
                    pair.clock.pass_days(1.01)
                    if pair.run().state == "sound":
                        break
            assert pair.differences() == []
            assert before <= {*contents(pair.copy).values(), *contents(pair.retired).values()}
        finally:
            served.heal()
            for root in roots:
                run("umount", "--lazy", root, check=False)
            for device in devices:
                run("losetup", "--detach", device, check=False)


def test_rule_F_a_drive_comes_back_under_another_device_name(on_drives: tuple[Pair, Drive, Drive]) -> None:
    pair, _, other = on_drives
    first = other.device
    other.unmount()
    loops = []
    try:
        run("losetup", "--detach", first)
        # Something else takes the old name before it is plugged in again.
        taken = run("losetup", "--find", "--show", "/bin/true").decode().strip()
        loops.append(taken)
        other.device = ""
        other.attach()
        other.mount()
        _changes(pair)
        pair.run_well()
        assert pair.differences() == []
    finally:
        for loop in loops:
            run("losetup", "--detach", loop, check=False)
