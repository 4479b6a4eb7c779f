"""Real drives for tests: an image file behind a loop device, formatted and mounted.

Needs root and loop devices; nothing else on the machine is touched. Use the fixture ``drives``
(conftest.py), which takes every drive apart again, also after a failure.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import random
import re
import shutil
import stat
import subprocess
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pytest

Kind = Literal["ext4", "xfs", "btrfs", "exfat", "ntfs"]

MIB = 1 << 20
_MINIMUM_BYTES = {"xfs": 300 * MIB, "btrfs": 128 * MIB, "ext4": 8 * MIB, "exfat": 8 * MIB, "ntfs": 8 * MIB}
_FORMAT: dict[str, list[str]] = {
    # blocks and inodes as on a large drive: mkfs takes smaller ones for a small image
    "ext4": ["mkfs.ext4", "-q", "-F", "-E", "nodiscard", "-b", "4096", "-I", "256"],
    "xfs": ["mkfs.xfs", "-q", "-f", "-K"],
    "btrfs": ["mkfs.btrfs", "-q", "-f", "-K"],
    "exfat": ["mkfs.exfat"],
    "ntfs": ["mkfs.ntfs", "-Q", "-F", "-q"],
}
_FUSE = {"exfat": "mount.exfat-fuse", "ntfs": "ntfs-3g"}
_COMMAND_LIMIT_S = 120
_LOOP_MAJOR = 7


class CommandError(Exception):
    """A tool ended with an error; the message holds what it wrote."""


def run(*command: str | bytes | Path, check: bool = True) -> bytes:
    """Runs a tool and returns what it wrote to stdout; raises CommandError with its stderr."""
    done = subprocess.run(
        command,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        timeout=_COMMAND_LIMIT_S,
        env={**os.environ, "LC_ALL": "C"},
        check=False,
    )
    if check and done.returncode != 0:
        shown = " ".join(os.fsdecode(part) for part in command)
        raise CommandError(f"{shown}: {done.returncode}: {(done.stderr + done.stdout).decode(errors='replace')}")
    return done.stdout


def missing_privileges() -> str:
    """Why no drive can be made here; empty where one can."""
    if os.geteuid() != 0:
        return "needs root to attach and mount loop devices"
    if not Path("/dev/loop-control").exists():
        return "needs loop devices (/dev/loop-control is missing)"
    if subprocess.run(["unshare", "--mount", "true"], capture_output=True, check=False).returncode != 0:
        return "needs the right to mount (CAP_SYS_ADMIN)"
    return ""


_missing = missing_privileges()
requires_root_and_loops = pytest.mark.skipif(bool(_missing), reason=_missing)


@dataclass(eq=False)
class Drive:
    """One drive. ``root`` is the mount point, ``device`` the loop device (empty when detached)."""

    kind: Kind
    image: Path
    root: Path
    options: str = ""
    device: str = ""

    @property
    def is_fuse(self) -> bool:
        """Served by a program (exFAT, NTFS), which reads through the cache of the block device."""
        return self.kind in _FUSE

    @property
    def is_mounted(self) -> bool:
        return os.path.ismount(self.root)

    def attach(self) -> None:
        """Gives the image a loop device. Other workers look for one at the same time, so it tries again."""
        for attempt in range(40):
            try:
                self.device = run("losetup", "--find", "--show", self.image).decode().strip()
                return
            except CommandError:
                if attempt == 39:
                    raise
            with contextlib.suppress(CommandError, FileExistsError, AttributeError):
                # the kernel names a free number, but nobody may have made its node
                free = run("losetup", "--find").decode().strip()
                number = int(re.fullmatch(r"/dev/loop(\d+)", free).group(1))  # type: ignore[union-attr]
                os.mknod(free, stat.S_IFBLK | 0o600, os.makedev(_LOOP_MAJOR, number))
            time.sleep(random.uniform(0.02, 0.2))

    def mount(self, *, read_only: bool = False, options: str | None = None) -> None:
        """Mounts the drive (and attaches it before, where needed).

        Args:
            read_only: mount with ``ro``.
            options: mount options in place of those the drive was made with.
        """
        if not self.device:
            self.attach()
        if options is not None:
            self.options = options
        flags = ",".join(filter(None, ["ro" if read_only else "rw", self.options]))
        self.root.mkdir(exist_ok=True)
        if self.is_fuse:
            run(_FUSE[self.kind], "-o", flags, self.device, self.root)
        else:
            run("mount", "-t", self.kind, "-o", flags, self.device, self.root)
        if not self.is_mounted:
            raise CommandError(f"{self.device} was mounted on {self.root} without an error, and is not there")

    def remount(self, *, read_only: bool = False, options: str | None = None) -> None:
        """Changes how the drive is mounted; the two FUSE programs cannot, so those are mounted again."""
        if self.is_fuse:
            self.unmount()
            self.mount(read_only=read_only, options=options)
            return
        if options is not None:
            self.options = options
        flags = ",".join(filter(None, ["remount", "ro" if read_only else "rw", self.options]))
        run("mount", "-o", flags, self.root)

    def unmount(self) -> None:
        """Unmounts; waits a little for whoever still has a file open, then fails."""
        for attempt in range(20):
            try:
                run("umount", "--recursive", self.root)
                return
            except CommandError:
                if attempt == 19:
                    raise
                time.sleep(0.1)

    def sync(self) -> None:
        """Writes back everything that waits, down to the image file."""
        run("sync", "--file-system", self.root)

    def drop_caches(self) -> None:
        """Makes the next read of anything come from the image: file, device and directory caches are emptied."""
        self.sync()
        Path("/proc/sys/vm/drop_caches").write_text("3")

    def detach(self) -> None:
        """Unmounts, by force where needed, and frees the loop device. The image stays. Fits a half-made drive too."""
        if self.is_mounted:
            try:
                self.unmount()
            except (CommandError, subprocess.TimeoutExpired):  # in use, or gigabytes still to be written
                run("umount", "--lazy", self.root, check=False)
        if self.device:
            run("losetup", "--detach", self.device, check=False)
            # the kernel frees a device only when nobody has it open, and other workers look at all of them
            backing = Path("/sys/block", Path(self.device).name, "loop/backing_file")
            for _ in range(20):
                try:
                    if os.fsdecode(self.image) not in backing.read_text(errors="surrogateescape"):
                        break
                except OSError:
                    break
                time.sleep(0.05)
            self.device = ""

    def flip_byte(self, path: Path | bytes, offset: int, mask: int = 0xFF) -> None:
        """Rot: inverts bits of one byte of a file in the image, behind the file system, which sees nothing of it.

        Page caches keep the old byte until they are dropped. The file must be on the drive already (synced).

        Args:
            mask: the bits that are inverted; all eight, or one (1, 2, 4, ... 128).

        Raises:
            LookupError: the byte's place in the image cannot be told for certain.
        """
        self.sync()
        place = self._place_by_extents if self.kind in {"ext4", "xfs"} else self._place_by_content
        where = place(path, offset)
        with self.image.open("r+b", buffering=0) as image:
            image.seek(where)
            old = image.read(1)
            image.seek(where)
            image.write(bytes([old[0] ^ mask]))
            os.fsync(image.fileno())

    def _place_by_extents(self, path: Path | bytes, offset: int) -> int:
        sector = 512
        listing = run("filefrag", "-v", f"-b{sector}", os.fsencode(path)).decode(errors="replace")
        for found in re.finditer(r"^\s*\d+:\s+(\d+)\.\.\s*(\d+):\s+(\d+)\.\.\s*\d+:(.*)$", listing, re.MULTILINE):
            first, last, physical = (int(found.group(n)) for n in (1, 2, 3))
            if first <= offset // sector <= last and "inline" not in found.group(4):
                return (physical - first) * sector + offset
        raise LookupError(f"no extent holds byte {offset} of {os.fsdecode(path)}:\n{listing}")

    def _place_by_content(self, path: Path | bytes, offset: int) -> int:
        # btrfs numbers its extents in an address space of its own and FUSE drives tell none: look for the content
        start = offset - offset % 4096
        with open(path, "rb") as file:
            file.seek(start)
            block = file.read(4096)
        found: list[int] = []
        with self.image.open("rb") as image, mmap.mmap(image.fileno(), 0, prot=mmap.PROT_READ) as view:
            end = 0
            while True:
                try:
                    begin = os.lseek(image.fileno(), end, os.SEEK_DATA)
                except OSError:
                    break
                end = os.lseek(image.fileno(), begin, os.SEEK_HOLE)
                at = view.find(block, begin, end)
                while at >= 0:
                    found.append(at)
                    at = view.find(block, at + 1, end)
        if len(found) != 1:
            raise LookupError(f"the block of byte {offset} of {os.fsdecode(path)} is in the image {len(found)} times")
        return found[0] + offset - start


def make_drive(
    folder: Path,
    kind: Kind,
    size_bytes: int = 0,
    *,
    options: str = "",
    format_options: Sequence[str] = (),
    name: str = "",
) -> Drive:
    """Makes, formats and mounts a drive in ``folder``.

    Args:
        size_bytes: its size, raised to the least that the file system takes; the image is sparse.
        options: mount options, as in ``mount -o``.
        format_options: more arguments for mkfs.
        name: part of the names of the image and the mount point (default: a free number).
    """
    if not name:
        name = str(next(n for n in range(1, 1000) if not list(folder.glob(f"*-{n}.img"))))
    drive = Drive(kind, folder / f"{kind}-{name}.img", folder / f"mnt-{kind}-{name}", options)
    try:
        with drive.image.open("xb") as image:
            image.truncate(max(size_bytes, _MINIMUM_BYTES[kind]))
        drive.attach()
        run(*_FORMAT[kind], *format_options, drive.device)
        drive.mount()
    except BaseException:
        drive.detach()
        drive.image.unlink(missing_ok=True)
        raise
    return drive


class DriveFactory:
    """Makes drives in one folder, and takes all of them apart at the end, newest first."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._made: list[Drive] = []

    def __call__(
        self,
        kind: Kind,
        size_bytes: int = 0,
        *,
        options: str = "",
        format_options: Sequence[str] = (),
        name: str = "",
    ) -> Drive:
        """See :func:`make_drive`."""
        self._folder.mkdir(parents=True, exist_ok=True)
        drive = make_drive(self._folder, kind, size_bytes, options=options, format_options=format_options, name=name)
        self._made.append(drive)
        return drive

    def close(self) -> None:
        while self._made:
            drive = self._made[-1]
            drive.detach()
            self._made.pop()
            # pytest keeps the folders of three runs: images of many GiB would fill the disk
            drive.image.unlink(missing_ok=True)
            with contextlib.suppress(OSError):
                drive.root.rmdir()
        with contextlib.suppress(OSError):
            self._folder.rmdir()


_BLKIO = Path("/sys/fs/cgroup/blkio")  # cgroup v1: Documentation/admin-guide/cgroup-v1/blkio-controller.rst


def missing_throttle() -> str:
    """Why drives cannot be slowed down here; empty where they can."""
    if not (_BLKIO / "blkio.throttle.read_bps_device").exists():
        return "needs the controller blkio of cgroup v1 at /sys/fs/cgroup/blkio"
    return missing_privileges()


@contextlib.contextmanager
def throttled(rates_bytes_per_s: Mapping[Drive, int]) -> Iterator[None]:
    """Within the block this process, with all threads and children made in it, reads each drive at most so fast.

    The kernel slows down requests to the loop device itself, so only what misses the page cache takes longer.
    """
    group = _BLKIO / f"nightferry-test-{os.getpid()}"
    before = next(
        line.split(":", 2)[2].lstrip("/")
        for line in Path("/proc/self/cgroup").read_text().splitlines()
        if "blkio" in line.split(":")[1].split(",")
    )
    group.mkdir()
    try:
        for drive, rate in rates_bytes_per_s.items():
            number = os.stat(drive.device).st_rdev
            (group / "blkio.throttle.read_bps_device").write_text(f"{os.major(number)}:{os.minor(number)} {rate}")
        (group / "cgroup.procs").write_text(str(os.getpid()))
        yield
    finally:
        (_BLKIO / before / "cgroup.procs").write_text(str(os.getpid()))
        for _ in range(50):  # what was in it may be about to end
            with contextlib.suppress(OSError):
                group.rmdir()
                break
            time.sleep(0.1)


@contextlib.contextmanager
def slowed_down(reads: Mapping[Drive, int], writes: Mapping[Drive, int]) -> Iterator[None]:
    """Within the block everybody, the kernel's own writing back too, reads and writes each drive at most so fast.

    Set in the root group, where writing back from the page cache is counted (with cgroup v1 it belongs to no other);
    only these loop devices are slowed down by it. Bytes a second.
    """
    limits = [("read", reads), ("write", writes)]
    try:
        for what, rates in limits:
            for drive, rate in rates.items():
                _limit(what, drive, rate)
        yield
    finally:
        for what, rates in limits:
            for drive in rates:
                with contextlib.suppress(OSError):
                    _limit(what, drive, 0)


def _limit(what: str, drive: Drive, rate: int) -> None:
    number = os.stat(drive.device).st_rdev
    (_BLKIO / f"blkio.throttle.{what}_bps_device").write_text(f"{os.major(number)}:{os.minor(number)} {rate}")


def need_tools(*names: str) -> None:
    """Fails with the names of the tools that are missing."""
    missing = [name for name in names if shutil.which(name) is None]
    assert not missing, f"tools missing on this machine: {', '.join(missing)}"
