from __future__ import annotations

import errno
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest

from drives import MIB, Drive, DriveFactory, run
from nightferry.tree.effects import Effects
from nightferry.volumes.mounts import mounted_below
from nightferry.volumes.readonly import open_read_only

Mounter = Callable[..., Path]
LONG_AGO_NS = 946_684_800_000_000_000  # 2000-01-01: strictatime must replace it at the first read


@pytest.fixture
def primary(drives: DriveFactory) -> Drive:
    drive = drives("ext4", 16 * MIB, options="strictatime")
    spring = drive.root / "2026-05 spring concert"
    spring.mkdir()
    (spring / "01 kyrie.wav").write_bytes(b"kyrie")
    (drive.root / "newest").symlink_to("2026-05 spring concert")
    for path in (drive.root, spring, spring / "01 kyrie.wav", drive.root / "newest"):
        os.utime(path, ns=(LONG_AGO_NS, LONG_AGO_NS), follow_symlinks=False)
    return drive


def access_times(root: Path) -> list[int]:
    spring = root / "2026-05 spring concert"
    paths = (root, spring, spring / "01 kyrie.wav", root / "newest")
    return [os.lstat(path).st_atime_ns for path in paths]


def read_everything(fd: int) -> None:
    assert "newest" in os.listdir(fd)
    assert os.readlink("newest", dir_fd=fd) == "2026-05 spring concert"
    spring = os.open("2026-05 spring concert", os.O_RDONLY | os.O_DIRECTORY, dir_fd=fd)
    assert os.listdir(spring) == ["01 kyrie.wav"]
    file = os.open("01 kyrie.wav", os.O_RDONLY, dir_fd=spring)
    assert os.read(file, 100) == b"kyrie"
    os.close(file)
    os.close(spring)


def test_rule_a_reading_leaves_no_access_time(primary: Drive) -> None:
    with open_read_only(primary.root, Effects()) as view:
        assert view.kernel_enforced
        read_everything(view.fd)
        assert access_times(primary.root) == [LONG_AGO_NS] * 4

    # The same reads without it do leave their marks: the mount is one where the test can fail.
    fd = os.open(primary.root, os.O_RDONLY)
    read_everything(fd)
    os.close(fd)
    assert all(time_ns > LONG_AGO_NS for time_ns in access_times(primary.root))


def test_rule_a_the_kernel_refuses_every_write(primary: Drive) -> None:
    with open_read_only(primary.root, Effects()) as view:
        fd = view.fd
        kyrie = "2026-05 spring concert/01 kyrie.wav"
        attempts: list[Callable[[], object]] = [
            lambda: os.open("new", os.O_WRONLY | os.O_CREAT, dir_fd=fd),
            lambda: os.open(kyrie, os.O_RDWR, dir_fd=fd),
            lambda: os.mkdir("new", dir_fd=fd),
            lambda: os.symlink("x", "new", dir_fd=fd),
            lambda: os.link("newest", "new", src_dir_fd=fd, dst_dir_fd=fd, follow_symlinks=False),
            lambda: os.rename("newest", "new", src_dir_fd=fd, dst_dir_fd=fd),
            lambda: os.unlink("newest", dir_fd=fd),
            lambda: os.rmdir("lost+found", dir_fd=fd),
            lambda: os.chmod(kyrie, 0o777, dir_fd=fd),
            lambda: os.chown(kyrie, 1, 1, dir_fd=fd),
            lambda: os.utime(kyrie, ns=(1, 1), dir_fd=fd),
            lambda: os.setxattr(fd, "user.x", b"x"),
            lambda: os.fchmod(fd, 0o777),
        ]
        for number, attempt in enumerate(attempts):
            with pytest.raises(OSError) as caught:
                attempt()
            assert caught.value.errno == errno.EROFS, number
    # Others write as before, also while it is open.
    with open_read_only(primary.root, Effects()):
        (primary.root / "02 gloria.wav").touch()


def test_the_path_may_end_in_a_symlink_and_need_not_be_a_mount_point(primary: Drive) -> None:
    with open_read_only(primary.root / "newest", Effects()) as view:
        assert view.kernel_enforced
        assert os.listdir(view.fd) == ["01 kyrie.wav"]


def test_other_mounts_stay_outside_also_later_ones(primary: Drive, mount: Mounter, tmp_path: Path) -> None:
    early, late = primary.root / "early", primary.root / "late"
    for path in (early, late):
        path.mkdir()
    run("mount", "--make-shared", primary.root)
    mount(early, "-t", "tmpfs", "none")
    with open_read_only(primary.root, Effects()) as view:
        mount(late, "-t", "tmpfs", "none")
        assert mounted_below(primary.root) == {b"early", b"late"}
        inside = os.fstat(view.fd).st_dev
        for name in ("early", "late"):
            assert os.stat(name, dir_fd=view.fd).st_dev == inside
            assert os.stat(primary.root / name).st_dev != inside


def test_close_lets_the_drive_go_and_can_be_repeated(primary: Drive) -> None:
    open_before = set(os.listdir("/proc/self/fd"))
    view = open_read_only(primary.root, Effects())
    assert not os.get_inheritable(view.fd)
    view.close()
    view.close()
    assert set(os.listdir("/proc/self/fd")) == open_before
    primary.unmount()
    # Only a device that nobody holds can be opened exclusively (open(2), O_EXCL on block devices).
    os.close(os.open(primary.device, os.O_RDONLY | os.O_EXCL))


class Failing(Effects):
    """Every open fails."""

    @staticmethod
    def open(*_: object, **__: object) -> int:
        raise OSError(errno.EIO, os.strerror(errno.EIO))


def test_a_failed_open_leaves_no_descriptor(primary: Drive) -> None:
    before = set(os.listdir("/proc/self/fd"))
    with pytest.raises(OSError, match="Input/output error"):
        open_read_only(primary.root, Failing())
    assert set(os.listdir("/proc/self/fd")) == before


def test_absent_or_not_a_folder(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        open_read_only(tmp_path / "absent", Effects())
    (tmp_path / "file").touch()
    with pytest.raises(NotADirectoryError):
        open_read_only(tmp_path / "file", Effects())


UNPRIVILEGED = """
import os, sys
from pathlib import Path
from nightferry.tree.effects import Effects
from nightferry.volumes.readonly import open_read_only
os.setgroups([]); os.setgid(65534); os.setuid(65534)
with open_read_only(Path(sys.argv[1]), Effects()) as view:
    print(view.kernel_enforced, sorted(os.listdir(view.fd)))
"""


def test_without_the_right_to_mount_it_is_a_plain_open(primary: Drive, mount: Mounter) -> None:
    # pytest's own folders can be entered by root alone
    with tempfile.TemporaryDirectory() as public:
        Path(public).chmod(0o755)
        place = Path(public, "recordings")
        place.mkdir()
        mount(place, "--bind", primary.root)
        try:
            done = subprocess.run(
                [sys.executable, "-c", UNPRIVILEGED, place / "newest"], capture_output=True, text=True, check=False
            )
        finally:
            run("umount", place)
    assert (done.stdout, done.stderr) == ("False ['01 kyrie.wav']\n", "")
