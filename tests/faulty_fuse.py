"""A drive that fails where a test says so: a folder shown through FUSE, with faults that can be set and lifted.

    with FaultyDrive(tmp_path / "behind", tmp_path / "mnt") as drive:
        drive.fail_reading("a.wav", 4096, 8192)     # EIO on that range of bytes
        drive.fail("concert", "readdir")            # EIO on listing that folder
        drive.delay("b.wav", "read", seconds=2)     # slow, or hanging until the fault is lifted
        drive.meet("c.wav", "read", mine, theirs)   # waits for another drive that is asked at the same time
    drive.heal()

Served by a process of its own, so that a hang there is no hang here. Faults travel in a file that it reads anew before
each operation. Needs /dev/fuse, root, and libfuse 3 (Debian: libfuse3-3, with fuse3).
"""

from __future__ import annotations

import errno
import functools
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

os.environ.setdefault("FUSE_LIBRARY_NAME", "fuse3")


class FaultyDrive:
    """``root`` is the mount point, ``behind`` the folder with the real content. Paths are relative, as text."""

    def __init__(self, behind: Path, root: Path) -> None:
        self.behind, self.root = behind, root
        self._faults: list[dict[str, object]] = []
        self._plan = root.with_name(root.name + ".faults.json")
        self._server: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> FaultyDrive:
        self.behind.mkdir(parents=True, exist_ok=True)
        self.root.mkdir(parents=True, exist_ok=True)
        self._write()
        return self._serve()

    def die(self) -> None:
        """The program that serves it is killed: from now on every call answers ENOTCONN."""
        assert self._server is not None
        self._server.kill()
        self._server.wait()
        self._server = None

    def come_back(self) -> None:
        """Mounted again after ``die``."""
        subprocess.run(["umount", "--lazy", self.root], check=True, timeout=60)
        self._serve()

    def _serve(self) -> FaultyDrive:
        log = self.root.with_name(self.root.name + ".log")
        with log.open("wb") as output:
            self._server = subprocess.Popen(
                [sys.executable, __file__, self.behind, self.root, self._plan], stdout=output, stderr=output
            )
        for _ in range(200):
            if os.path.ismount(self.root):
                return self
            if self._server.poll() is not None:
                break
            time.sleep(0.05)
        self.close()
        raise RuntimeError(f"the file system did not start: {log.read_text(errors='replace')}")

    def __exit__(self, *exc: object) -> None:
        self.close()

    def close(self) -> None:
        """Lifts all faults, unmounts, and ends the process that served it."""
        self.heal()
        if self._server is None or os.path.ismount(self.root):
            subprocess.run(["umount", "--lazy", self.root], check=False, timeout=60)
        if self._server is not None:
            try:
                self._server.wait(10)
            except subprocess.TimeoutExpired:
                self._server.kill()
                self._server.wait()
            self._server = None

    # --- faults

    def fail(self, path: str, operation: str, error: int = errno.EIO) -> None:
        """``operation``: getattr, readdir, open, read, write, fsync, rename, link, create, mkdir, unlink, ..."""
        self._add(path=path, operation=operation, errno=error)

    def fail_reading(self, path: str, start: int = 0, end: int | None = None, error: int = errno.EIO) -> None:
        """Reading any of the bytes from ``start`` up to ``end`` (None: the end of the file) fails.

        As bad sectors do, this goes with the file: under a new name too, and not with a new file under the old name.
        """
        inode = os.stat(self.behind / path).st_ino
        self._add(path=path, operation="read", errno=error, start=start, end=end, inode=inode)

    def delay(self, path: str, operation: str, seconds: float | None) -> None:
        """Each such operation takes so much longer; None: until the fault is lifted."""
        self._add(path=path, operation=operation, seconds=seconds)

    def meet(self, path: str, operation: str, here: Path, there: Path, limit_s: float = 60.0) -> None:
        """Each such operation first makes the file ``here``, then waits until ``there`` is made; EIO where it never is.

        With two drives whose ``here`` is the other's ``there``, each goes on only while the other is asked too.
        """
        self._add(path=path, operation=operation, here=str(here), there=str(there), limit_s=limit_s)

    def heal(self) -> None:
        self._faults.clear()
        self._write()

    def _add(self, **fault: object) -> None:
        self._faults.append(fault)
        self._write()

    def _write(self) -> None:
        new = self._plan.with_name(self._plan.name + ".new")
        new.write_text(json.dumps(self._faults))
        os.replace(new, self._plan)

    def drop_caches(self) -> None:
        """Makes the next look at anything go through the file system."""
        subprocess.run(["sync", "--file-system", self.root], check=True, timeout=60)
        Path("/proc/sys/vm/drop_caches").write_text("3")


def serve(behind: str, root: str, plan: str) -> None:
    """The process that serves the file system."""
    import mfusepy as fuse

    class Through(fuse.Operations):
        """Everything is done to ``behind``, after the faults had their turn."""

        use_ns = True

        def _faults(self, operation: str, path: str, args: tuple[Any, ...]) -> None:
            waited_s = 0.0
            while True:
                with open(plan) as file:
                    faults = json.load(file)
                waiting = False
                for fault in faults:
                    if fault["operation"] != operation:
                        continue
                    if "inode" not in fault and fault["path"] != path.lstrip("/"):
                        continue
                    if "inode" in fault:
                        size, offset, fd = args[1], args[2], args[3]
                        if os.fstat(fd).st_ino != fault["inode"]:
                            continue
                        if offset + size <= fault["start"] or (fault["end"] is not None and offset >= fault["end"]):
                            continue
                    if "here" in fault:
                        open(fault["here"], "w").close()
                        if not os.path.exists(fault["there"]):
                            if waited_s >= fault["limit_s"]:
                                raise fuse.FuseOSError(errno.EIO)
                            waiting = True
                        continue
                    if "errno" in fault:
                        raise fuse.FuseOSError(fault["errno"])
                    waiting = waiting or fault["seconds"] is None or waited_s < fault["seconds"]
                if not waiting:
                    return
                time.sleep(0.05)
                waited_s += 0.05

        def _real(self, path: str) -> str:
            return behind + path

        def getattr(self, path: str, fh: int | None = None) -> dict[str, int]:
            found = os.lstat(self._real(path))
            names = ("st_mode", "st_nlink", "st_uid", "st_gid", "st_size", "st_ino", "st_blocks")
            times = {f"st_{name}": getattr(found, f"st_{name}_ns") for name in ("atime", "mtime", "ctime")}
            return {**{name: getattr(found, name) for name in names}, **times}

        def readdir(self, path: str, fh: int) -> list[tuple[str, dict[str, int], int]]:
            real = self._real(path)  # a name without an inode number would not be shown
            return [
                (name, {"st_ino": found.st_ino, "st_mode": found.st_mode}, 0)
                for name in [".", "..", *os.listdir(real)]
                if (found := os.lstat(os.path.join(real, name)))
            ]

        def readlink(self, path: str) -> str:
            return os.readlink(self._real(path))

        def statfs(self, path: str) -> dict[str, int]:
            found = os.statvfs(self._real(path))
            names = (
                "f_bavail", "f_bfree", "f_blocks", "f_bsize", "f_favail", "f_ffree", "f_files", "f_frsize", "f_namemax",
            )  # fmt: skip
            return {name: getattr(found, name) for name in names}

        def open(self, path: str, flags: int) -> int:
            return os.open(self._real(path), flags & ~(os.O_DIRECT | os.O_NOFOLLOW))

        def create(self, path: str, mode: int, fi: object = None) -> int:
            return os.open(self._real(path), os.O_RDWR | os.O_CREAT | os.O_EXCL, mode)

        def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
            return os.pread(fh, size, offset)

        def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
            return os.pwrite(fh, data, offset)

        def truncate(self, path: str, length: int, fh: int | None = None) -> int:
            os.truncate(self._real(path), length)
            return 0

        def release(self, path: str, fh: int) -> int:
            os.close(fh)
            return 0

        def flush(self, path: str, fh: int) -> int:
            return 0

        def fsync(self, path: str, datasync: int, fh: int) -> int:
            os.fsync(fh)
            return 0

        def fsyncdir(self, path: str, datasync: int, fh: int) -> int:
            return 0

        def mkdir(self, path: str, mode: int) -> int:
            os.mkdir(self._real(path), mode)
            return 0

        def rmdir(self, path: str) -> int:
            os.rmdir(self._real(path))
            return 0

        def unlink(self, path: str) -> int:
            os.unlink(self._real(path))
            return 0

        def rename(self, old: str, new: str, flags: int = 0) -> int:
            if flags:
                raise fuse.FuseOSError(errno.EINVAL)
            os.rename(self._real(old), self._real(new))
            return 0

        def link(self, target: str, source: str) -> int:  # mfusepy: the new name comes first
            os.link(self._real(source), self._real(target), follow_symlinks=False)
            return 0

        def symlink(self, target: str, source: str) -> int:  # mfusepy: the new name comes first
            os.symlink(source, self._real(target))
            return 0

        def chmod(self, path: str, mode: int) -> int:
            os.chmod(self._real(path), mode)
            return 0

        def chown(self, path: str, uid: int, gid: int) -> int:
            os.chown(self._real(path), uid, gid, follow_symlinks=False)
            return 0

        def utimens(self, path: str, times: tuple[int, int] | None = None) -> int:
            os.utime(self._real(path), ns=times, follow_symlinks=False)
            return 0

    def with_faults(name: str, method: Callable[..., object]) -> Callable[..., object]:
        def faulty(self: Through, path: str, *args: object) -> object:
            self._faults(name, path, (path, *args))
            return method(self, path, *args)

        return faulty

    for name, method in list(vars(Through).items()):
        if not name.startswith("_") and callable(method):
            setattr(Through, name, functools.wraps(method)(with_faults(name, method)))
    fuse.FUSE(
        Through(), root, foreground=True, nothreads=False, use_ino=True, default_permissions=True, allow_other=True,
        attr_timeout=0, entry_timeout=0, negative_timeout=0, fsname="faulty",
    )  # fmt: skip


if __name__ == "__main__":
    serve(*sys.argv[1:])
