"""A file system that holds disk images and writes down, in order, every write and every flush that reaches them.

    with Recorder(folder, {"secondary": image, "state": other}) as recorder:
        drive = Drive("ext4", recorder.image("secondary"), root)   # a loop device on it, a file system inside
        recorder.mark("night 1")
    log = recorder.log()

The loop device turns each flush of the file system inside (also the one that stands for FUA, which it does not claim
to have: drivers/block/loop.c sets a write cache without FUA) into an fsync of its backing file, and writes through the
page cache of a FUSE file system only (no writeback cache): so each request arrives here, once, before it is completed.

One thread serves one request after the other. A write that stands in the log before a flush was answered before that
flush was, so a file system that waits for its writes before it flushes (all of them) finds them covered by it. All
images share one log, so that two disks can be cut off at the same instant.

Needs /dev/fuse, root, and libfuse 3 (Debian: libfuse3-3, with fuse3).
"""

from __future__ import annotations

import os
import struct
import subprocess
import sys
import time
from pathlib import Path
from typing import NamedTuple

os.environ.setdefault("FUSE_LIBRARY_NAME", "fuse3")

_HEAD = struct.Struct("<cBQQ")  # kind, image, offset, bytes that follow
WRITE, FLUSH, MARK = b"W", b"F", b"M"
_MARKS = "marks"


class Event(NamedTuple):
    """One line of the log. ``data`` is what was written; of a mark its text."""

    kind: bytes
    image: int
    offset: int
    data: bytes


class Recorder:
    """``images``: name -> the file behind it, which is changed in place. They are numbered in this order."""

    def __init__(self, folder: Path, images: dict[str, Path]) -> None:
        self.root = folder / "recorded"
        self._log = folder / "recorded.log"
        self._images = images
        self._server: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Recorder:
        self.root.mkdir(parents=True, exist_ok=True)
        said = self._log.with_suffix(".said")
        with said.open("wb") as output:
            self._server = subprocess.Popen(
                [sys.executable, __file__, self.root, self._log, *(f"{n}={p}" for n, p in self._images.items())],
                stdout=output,
                stderr=output,
            )
        for _ in range(400):
            if os.path.ismount(self.root):
                return self
            if self._server.poll() is not None:
                break
            time.sleep(0.02)
        self.close()
        raise RuntimeError(f"the file system did not start: {said.read_text(errors='replace')}")

    def __exit__(self, *exc: object) -> None:
        self.close()

    def close(self) -> None:
        """Unmounts and ends the process that served it. Loop devices on it must be detached before."""
        if os.path.ismount(self.root):
            subprocess.run(["umount", self.root], check=False, timeout=60)
        if os.path.ismount(self.root):
            subprocess.run(["umount", "--lazy", self.root], check=False, timeout=60)
        if self._server is not None:
            try:
                self._server.wait(10)
            except subprocess.TimeoutExpired:
                self._server.kill()
                self._server.wait()
            self._server = None

    def image(self, name: str) -> Path:
        return self.root / f"{name}.img"

    def mark(self, text: str) -> None:
        """Puts a line of text between what was written before and what comes after."""
        fd = os.open(self.root / _MARKS, os.O_WRONLY)
        try:
            os.write(fd, text.encode())
        finally:
            os.close(fd)

    def log(self) -> list[Event]:
        """What was recorded so far."""
        events = []
        with self._log.open("rb") as file:
            while head := file.read(_HEAD.size):
                kind, image, offset, length = _HEAD.unpack(head)
                data = file.read(length)
                assert len(data) == length, "the log ends in the middle of a write"
                events.append(Event(kind, image, offset, data))
        return events


def serve(root: str, log_path: str, images: dict[str, str]) -> None:
    """The process that serves the file system."""
    import errno
    import stat

    import mfusepy as fuse

    log = open(log_path, "wb", buffering=0)  # noqa: SIM115 (open as long as the process)
    paths = {f"/{name}.img": number for number, name in enumerate(images)}
    fds = [os.open(path, os.O_RDWR) for path in images.values()]
    sizes = [os.fstat(fd).st_size for fd in fds]

    def note(kind: bytes, image: int, offset: int, data: bytes) -> None:
        record = _HEAD.pack(kind, image, offset, len(data)) + data
        if os.write(log.fileno(), record) != len(record):
            raise fuse.FuseOSError(errno.EIO)

    class Recording(fuse.Operations):
        use_ns = True

        def getattr(self, path: str, fh: int | None = None) -> dict[str, int]:
            if path == "/":
                return {"st_mode": stat.S_IFDIR | 0o700, "st_nlink": 2}
            if path == "/" + _MARKS:
                return {"st_mode": stat.S_IFREG | 0o600, "st_nlink": 1, "st_size": 0}
            if path not in paths:
                raise fuse.FuseOSError(errno.ENOENT)
            return {"st_mode": stat.S_IFREG | 0o600, "st_nlink": 1, "st_size": sizes[paths[path]]}

        def readdir(self, path: str, fh: int) -> list[str]:
            return [".", "..", _MARKS, *(each[1:] for each in paths)]

        def open(self, path: str, flags: int) -> int:
            return paths.get(path, len(fds))

        def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
            return os.pread(fds[fh], size, offset)

        def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
            if fh == len(fds):
                note(MARK, 0, 0, data)
                return len(data)
            done = os.pwrite(fds[fh], data, offset)
            note(WRITE, fh, offset, data[:done])
            return done

        def fsync(self, path: str, datasync: int, fh: int) -> int:
            if fh < len(fds):
                note(FLUSH, fh, 0, b"")
            return 0

        def flush(self, path: str, fh: int) -> int:
            return 0

        def truncate(self, path: str, length: int, fh: int | None = None) -> int:
            return 0

        def fallocate(self, path: str, mode: int, offset: int, length: int, fh: int) -> int:
            raise fuse.FuseOSError(errno.EOPNOTSUPP)  # the block layer then writes zeros, which are recorded

    fuse.FUSE(Recording(), root, foreground=True, nothreads=True, allow_other=False, fsname="recorded")


if __name__ == "__main__":
    serve(sys.argv[1], sys.argv[2], dict(each.split("=", 1) for each in sys.argv[3:]))
