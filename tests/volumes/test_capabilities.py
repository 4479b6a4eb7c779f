from __future__ import annotations

import errno
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest

from drives import DriveFactory, Kind, run
from nightferry.tree.effects import Effects
from nightferry.volumes.capabilities import Capabilities, probe, syncfs_covers
from nightferry.volumes.mounts import mount_of

EVERYTHING = Capabilities(
    hard_links=True,
    exchange=True,
    symlinks=True,
    owners=True,
    modes=True,
    user_xattrs=True,
    posix_acls=True,
    time_granularity_ns=1,
    case_sensitive=True,
    sparse=True,
    direct_reads=True,
    directory_fsync=True,
    raw_names=True,
    syncfs_covers=True,
    direct_writes=True,
)


@contextmanager
def opened(path: Path) -> Iterator[int]:
    fd = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield fd
    finally:
        os.close(fd)


def probed(root: Path, effects: Effects | None = None) -> Capabilities:
    before = sorted(os.listdir(root))
    with opened(root) as fd:
        found = probe(fd, effects or Effects(), as_root=True, file_system=mount_of(root).file_system)
    assert sorted(os.listdir(root)) == before
    return found


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs"])
def test_unix_file_systems_carry_everything(drives: DriveFactory, kind: Kind) -> None:
    found = probed(drives(kind).root)
    assert found == replace(EVERYTHING, direct_writes=kind != "btrfs")
    assert found.lacks() == []


def agrees_with_tools(root: Path, found: Capabilities) -> None:
    """The same questions, put by the ordinary tools."""

    def works(*command: str | Path) -> bool:
        return subprocess.run(command, cwd=root, capture_output=True, check=False).returncode == 0

    def printed(form: str, name: str) -> bytes:
        return run("stat", "--format", form, root / name).strip()

    (root / "file").write_bytes(b"x")
    assert found.hard_links is works("ln", "file", "hard")
    assert found.symlinks is works("ln", "-s", "file", "soft")
    assert found.user_xattrs is works("setfattr", "-n", "user.x", "-v", "y", "file")
    # ntfs-3g without a user mapping takes it, and keeps nothing of it
    acl = works("setfacl", "-m", "u:47003:r", "file") and b"user:47003:r--" in run("getfacl", "-n", root / "file")
    assert found.posix_acls is acl
    assert found.owners is (works("chown", "47003:47003", "file") and printed("%u:%g", "file") == b"47003:47003")
    assert found.modes is (works("chmod", "6755", "file") and printed("%a", "file") == b"6755")
    assert found.case_sensitive is not (root / "FILE").exists()
    works("touch", "-d", "2026-05-03 18:04:05.123456789 UTC", "file")
    step = printed("%.9Y", "file").split(b".")[1]
    assert step == b"%09d" % (123456789 // found.time_granularity_ns * found.time_granularity_ns % 10**9)


@pytest.mark.parametrize("kind", ["ext4", "exfat", "ntfs"])
def test_what_is_found_is_what_tools_find(drives: DriveFactory, kind: Kind) -> None:
    root = drives(kind).root
    agrees_with_tools(root, probed(root))


def test_exfat_says_what_it_lacks(drives: DriveFactory) -> None:
    found = probed(drives("exfat").root)
    kept = {name for name, value in asdict(found).items() if value is True}
    assert kept == {"directory_fsync"}
    assert found.time_granularity_ns == 1_000_000_000
    for words in ("symbolic links", "owners and groups", "permissions", "modification times finer than 1 s"):
        assert words in found.lacks()


def test_ntfs_says_what_it_lacks(drives: DriveFactory) -> None:
    found = probed(drives("ntfs").root)
    assert found.time_granularity_ns == 100  # NTFS counts in steps of 100 ns
    assert "modification times finer than 100 ns" in found.lacks()
    assert "owners and groups" in found.lacks()
    assert found.hard_links
    assert not found.direct_reads
    assert not found.syncfs_covers


def test_an_ext4_of_small_inodes_keeps_seconds(drives: DriveFactory) -> None:
    # ext4(5): nanoseconds are kept in the second half of 256-byte inodes
    found = probed(drives("ext4", format_options=["-I", "128"]).root)
    assert found == replace(EVERYTHING, time_granularity_ns=1_000_000_000)
    assert found.lacks() == ["modification times finer than 1 s"]


def test_every_lack_has_its_words() -> None:
    nothing = Capabilities(
        **{name: 2_000_000_000 if name == "time_granularity_ns" else False for name in asdict(EVERYTHING)}
    )
    assert len(nothing.lacks()) == 10
    assert replace(EVERYTHING, time_granularity_ns=10_000_000).lacks() == ["modification times finer than 10 ms"]
    # How a thing is made durable is no lack of the tree.
    assert (
        replace(
            EVERYTHING,
            exchange=False,
            direct_reads=False,
            directory_fsync=False,
            syncfs_covers=False,
            direct_writes=False,
        ).lacks()
        == []
    )


def test_only_known_file_systems_are_trusted_with_syncfs() -> None:
    assert all(map(syncfs_covers, ("ext4", "xfs", "btrfs", "f2fs", "exfat", "vfat", "ntfs3")))
    assert not any(map(syncfs_covers, ("fuseblk", "fuse", "fuse.exfat", "nfs4", "overlay", "something new")))


class FailingAt(Effects):
    """The N-th call fails with an input/output error; N of 0 only counts."""

    def __init__(self, at: int) -> None:
        self.count = 0

        def failing(call: Callable[..., Any]) -> Callable[..., Any]:
            def wrapped(*arguments: Any, **named: Any) -> Any:
                self.count += 1
                if self.count == at:
                    raise OSError(errno.EIO, os.strerror(errno.EIO))
                return call(*arguments, **named)

            return wrapped

        for name, call in vars(Effects).items():
            # A close that fails has closed all the same (close(2)); here it would leave the descriptor open.
            if isinstance(call, staticmethod) and name != "close":
                setattr(self, name, failing(getattr(Effects, name)))


def test_whatever_fails_nothing_is_left_but_at_most_the_folder(tmp_path: Path) -> None:
    counting = FailingAt(0)
    with opened(tmp_path) as fd:
        probe(fd, counting, as_root=os.geteuid() == 0, file_system="ext4")
        assert counting.count > 40
        before = set(os.listdir("/proc/self/fd"))
        for at in range(1, counting.count + 1):
            failed = False
            try:
                probe(fd, FailingAt(at), as_root=os.geteuid() == 0, file_system="ext4")
            except OSError as error:
                assert error.errno == errno.EIO
                failed = True
            left = os.listdir(fd)
            # The removal itself is the end, and may fail: what is left then bears the prefix, and is empty or not.
            assert failed or at > counting.count - 30, at
            assert not left or at == counting.count, (at, left)
            assert all(name.startswith(".probe-") for name in left)
            for name in left:
                os.rmdir(name, dir_fd=fd)
        assert set(os.listdir("/proc/self/fd")) == before


def test_a_read_only_drive_is_an_error_not_a_lack(drives: DriveFactory) -> None:
    drive = drives("ext4")
    drive.remount(read_only=True)
    with pytest.raises(OSError) as caught:
        probed(drive.root)
    assert caught.value.errno == errno.EROFS


UNPRIVILEGED = """
import os, sys
from nightferry.tree.effects import Effects
from nightferry.volumes.capabilities import probe
os.setgroups([]); os.setgid(65534); os.setuid(65534)
fd = os.open(sys.argv[1], os.O_RDONLY)
found = probe(fd, Effects(), as_root=False, file_system="ext4")
print(found.owners, found.modes, found.lacks(), os.listdir(fd))
"""


def test_a_user_may_give_modes_and_no_owners() -> None:
    if os.geteuid() != 0:
        pytest.skip("needs root to become another user")
    with tempfile.TemporaryDirectory() as public:
        Path(public).chmod(0o777)
        done = subprocess.run([sys.executable, "-c", UNPRIVILEGED, public], capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr) == ("False True ['owners and groups'] []\n", "")
