"""The comparison sees each kind of difference, and only where there is one."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from compare import access_differences, access_times, differences
from drives import MIB, Drive, DriveFactory, requires_root_and_loops, run
from trees import COMPOSED, tree_with_everything

pytestmark = requires_root_and_loops


@pytest.fixture
def twins(drives: DriveFactory) -> tuple[Path, Path]:
    """The tree, and what ``cp -a`` makes of it: an independent copier."""
    drive = drives("ext4", 96 * MIB)
    left, right = drive.root / "left", drive.root / "right"
    tree_with_everything(left)
    run("cp", "-a", "--", left, right)
    return left, right


def test_equal_trees_have_no_differences(twins: tuple[Path, Path]) -> None:
    assert differences(*twins) == []


def _append(right: Path) -> None:
    with (right / "2026-05 spring concert/04 click.wav").open("r+b") as file:
        file.write(bytes([file.read(1)[0] ^ 1]))


def _flip(right: Path) -> None:
    file = right / "2026-05 spring concert/01 kyrie.wav"
    state, content = file.stat(), bytearray(file.read_bytes())
    content[77_777] ^= 1
    with file.open("r+b") as opened:
        opened.write(content)
    file.chmod(state.st_mode)
    os.utime(file, ns=(state.st_atime_ns, state.st_mtime_ns))


def _unlink_and_copy(right: Path) -> None:
    file = right / "best of.wav"
    shutil.copy2(file, right / "other")
    os.rename(right / "other", file)


def _acl_only(right: Path) -> None:
    run("setfacl", "-m", "d:u:4321:r", right / "2026-05 spring concert/scans")


CHANGES: dict[str, tuple[Callable[[Path], object], str]] = {
    "content": (_flip, "diff: "),
    "size": (lambda root: os.truncate(root / "sparse/all hole.wav", MIB), "size"),
    "added": (lambda root: (root / "new\nfile").write_bytes(b""), "only in"),
    "removed": (lambda root: (root / "2025-12 advent/rehearsal/05 credo.wav").unlink(), "only in"),
    "mode": (lambda root: (root / "2026-05 spring concert/scans").chmod(0o775), "mode"),
    "owner": (lambda root: os.lchown(root / "2026-05 spring concert/dangling link", 7, 8), "uid"),
    "one nanosecond": (lambda root: os.utime(root / "empty folder", ns=(0, 5)), "mtime"),
    "target": (
        lambda root: (
            (root / "2026-05 spring concert/loop").unlink(),
            (root / "2026-05 spring concert/loop").symlink_to("elsewhere"),
        ),
        "target",
    ),
    "links": (_unlink_and_copy, "linked in"),
    "xattr": (lambda root: os.removexattr(root / "empty folder", "trusted.note"), "xattrs"),
    "symlink xattr": (
        lambda root: os.setxattr(
            root / "2026-05 spring concert/dangling link", "trusted.note", b"x", follow_symlinks=False
        ),
        "xattrs",
    ),
    "default acl": (_acl_only, "acl"),
    "special": (lambda root: (root / "2025-12 advent/a pipe").unlink(), "only in"),
}


@pytest.mark.parametrize("change", CHANGES)
def test_each_change_is_seen(twins: tuple[Path, Path], change: str) -> None:
    left, right = twins
    make, sign = CHANGES[change]
    make(right)
    assert any(sign in line for line in differences(left, right)), differences(left, right)


def test_what_is_left_out_does_not_count(twins: tuple[Path, Path]) -> None:
    left, right = twins
    for name in ("a pipe", "a socket", "a device"):
        (right / "2025-12 advent" / name).unlink()
    state = (left / "2025-12 advent").stat()
    os.utime(right / "2025-12 advent", ns=(0, state.st_mtime_ns))
    (right / "lost+found").mkdir()
    os.chown(right / "best of.wav", 7, 8)
    (right / "best of.wav").chmod(0o4700)
    os.utime(right / "best of.wav")
    os.removexattr(right / "empty folder", "trusted.note")
    run("setfacl", "-b", "-k", right / "2026-05 spring concert/scans")
    flags = dict.fromkeys(("owners", "modes", "times", "xattrs", "acls", "special"), False)
    assert differences(left, right, exclude=["lost+found"], **flags) == []
    for flag in ("owners", "modes", "times", "xattrs", "acls", "special"):
        assert differences(left, right, exclude=["lost+found"], **{**flags, flag: True}), flag
    assert differences(left, right, **flags)


def _reading(drive: Drive, read: Callable[[], object]) -> list[str]:
    before = access_times(drive.root)
    read()
    return access_differences(before, access_times(drive.root))


def test_an_access_is_seen_and_looking_at_the_times_is_none(drives: DriveFactory) -> None:
    drive = drives("ext4", 96 * MIB, options="strictatime")
    tree_with_everything(drive.root / "left")
    assert _reading(drive, lambda: None) == []
    assert len(_reading(drive, (drive.root / "left/2026-05 spring concert/02 gloria.wav").read_bytes)) == 3  # its names
    assert len(_reading(drive, lambda: os.listdir(drive.root / "left/empty folder"))) == 1
    assert len(_reading(drive, lambda: os.readlink(drive.root / "left/link to a folder"))) == 1


@pytest.mark.parametrize("kind", ["xfs", "btrfs"])
def test_the_tree_fits_the_other_file_systems_of_linux(drives: DriveFactory, kind: str) -> None:
    drive, other = drives(kind, 300 * MIB), drives("ext4", 96 * MIB)
    tree_with_everything(drive.root / "tree")
    tree_with_everything(other.root / "tree")
    assert differences(drive.root / "tree", other.root / "tree") == []


@pytest.mark.parametrize("kind", ["exfat", "ntfs"])
def test_the_tree_has_a_form_for_file_systems_with_less(drives: DriveFactory, kind: str) -> None:
    linux_only = ("owners", "modes", "links", "symlinks", "xattrs", "acls", "special", "raw_names", "case_pairs")
    flags = (*linux_only, "far_times")
    drive = drives(kind, 96 * MIB)
    assert tree_with_everything(drive.root / "tree", **dict.fromkeys(flags, False)) == []
    drive.remount()
    assert COMPOSED in os.listdir(os.fsencode(drive.root / "tree/2025-12 advent/rehearsal"))
