"""Rules H and I: nothing leads out of a root, and no name is too long for it."""

from __future__ import annotations

import errno
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

import nightferry.tree.effects as effects_module
from nightferry.tree.effects import Effects
from nightferry.tree.root import FOLDERS_OPEN_LIMIT, OtherMountError, Root, join, split


@pytest.fixture
def root(tmp_path: Path) -> Iterator[Root]:
    inside = tmp_path / "inside"
    inside.mkdir()
    made = Root(os.open(inside, os.O_RDONLY | os.O_DIRECTORY), Effects())
    yield made
    made.close()


@pytest.fixture
def outside(tmp_path: Path) -> Path:
    folder = tmp_path / "outside"
    folder.mkdir()
    (folder / "secret").write_text("not ours")
    return folder


def test_join_and_split() -> None:
    assert join(b"", b"a") == b"a"
    assert join(b"a", b"b") == b"a/b"
    assert join(b"a", b"") == b"a"
    assert split(b"a/b/c") == (b"a/b", b"c")
    assert split(b"a") == (b"", b"a")


@pytest.mark.parametrize("path", [b"..", b"../outside/secret", b"a/../../outside", b"/etc/passwd", b".", b"a//b"])
def test_rule_I_no_path_leads_out(root: Root, outside: Path, path: bytes) -> None:
    root.mkdir(b"a")
    for attempt in (root.stat, root.open_to_read, root.unlink, root.mkdir, root.rmdir, root.create):
        with pytest.raises(OSError):
            attempt(path)
    assert (outside / "secret").read_text() == "not ours"


def test_rule_I_no_symlink_is_followed(root: Root, outside: Path) -> None:
    root.symlink(os.fsencode(outside), b"link")
    root.symlink(os.fsencode(outside / "secret"), b"file")
    with pytest.raises(OSError):
        root.open_to_read(b"link/secret")
    with pytest.raises(OSError):
        root.open_to_read(b"file")
    with pytest.raises(OSError):
        root.create(b"link/new")
    with pytest.raises(OSError):
        root.rename(b"file", b"link/moved")
    assert root.stat_or_none(b"link/secret") is None
    assert [path.name for path in outside.iterdir()] == ["secret"]


def test_rule_I_removing_a_tree_does_not_follow_links(root: Root, outside: Path) -> None:
    root.make_folders(b"t/u/v")
    root.symlink(os.fsencode(outside), b"t/u/link")
    root.remove_tree(b"t")
    assert root.names(b"") == []
    assert (outside / "secret").exists()


def test_rule_I_a_fifo_in_a_file_s_place_neither_blocks_nor_is_read(root: Root) -> None:
    os.mkfifo("pipe", dir_fd=root.fd)
    with pytest.raises(OSError, match="not a regular file"):
        root.open_to_read(b"pipe")


def test_rule_I_other_file_systems_are_not_entered(root: Root, tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("mounting needs root")
    point = tmp_path / "inside" / "mounted"
    point.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "none", str(point)], check=True)
    try:
        with pytest.raises(OtherMountError):
            root.names(b"mounted")
    finally:
        subprocess.run(["umount", str(point)], check=True)


@pytest.mark.parametrize("in_kernel", [True, False], ids=["openat2", "fdinfo"])
def test_rule_I_a_bind_mount_of_the_same_file_system_is_not_entered(
    root: Root, tmp_path: Path, outside: Path, monkeypatch: pytest.MonkeyPatch, in_kernel: bool
) -> None:
    """Its device number is that of the drive: only the mount tells."""
    if os.geteuid() != 0:
        pytest.skip("mounting needs root")
    if in_kernel:
        assert effects_module._HAS_OPENAT2
    monkeypatch.setattr(effects_module, "_HAS_OPENAT2", in_kernel)
    folder, file = tmp_path / "inside/bound", tmp_path / "inside/bound.wav"
    folder.mkdir()
    file.touch()
    assert folder.stat().st_dev == outside.stat().st_dev
    for source, target in ((outside, folder), (outside / "secret", file)):
        subprocess.run(["mount", "--bind", str(source), str(target)], check=True)
    try:
        attempts = (
            lambda: root.names(b"bound"),
            lambda: root.open_to_read(b"bound/secret"),
            lambda: root.open_to_read(b"bound.wav"),
            lambda: root.create(b"bound/new"),
            lambda: root.unlink(b"bound/secret"),
        )
        for attempt in attempts:
            with pytest.raises(OtherMountError, match="something else is mounted there"):
                attempt()
        assert os.listdir(outside) == ["secret"]
    finally:
        for target in (folder, file):
            subprocess.run(["umount", str(target)], check=True)
    assert root.names(b"bound") == []
    os.close(root.open_to_read(b"bound.wav"))


def test_rule_H_paths_beyond_the_kernel_s_limit(root: Root) -> None:
    path = b""
    for _ in range(40):  # 40 x 251 bytes: more than twice PATH_MAX
        path = join(path, b"d" * 250)
        root.mkdir(path)
    os.close(root.create(join(path, b"kyrie.wav")))
    root.forget_all()
    assert root.names(path) == [b"kyrie.wav"]
    assert root.stat(join(path, b"kyrie.wav")).st_size == 0
    root.remove_tree(b"d" * 250)
    assert root.names(b"") == []


def test_descriptors_are_bounded(root: Root) -> None:
    before = len(os.listdir("/proc/self/fd"))
    for number in range(3 * FOLDERS_OPEN_LIMIT):
        root.mkdir(b"%d" % number)
        root.folder(b"%d" % number)
    assert len(os.listdir("/proc/self/fd")) <= before + FOLDERS_OPEN_LIMIT
    for number in range(3 * FOLDERS_OPEN_LIMIT - 1):  # both folders of a rename stay open long enough
        os.close(root.create(b"%d/x" % number))
        root.rename(b"%d/x" % number, b"%d/y" % (number + 1))
        assert root.names(b"%d" % (number + 1)) == [b"y"]
        root.unlink(b"%d/y" % (number + 1))


def test_a_renamed_folder_is_not_found_under_its_old_name(root: Root) -> None:
    root.make_folders(b"a/b")
    root.folder(b"a/b")
    root.rename_folder(b"a", b"c")
    assert root.stat_or_none(b"a/b") is None
    with pytest.raises(FileNotFoundError):
        root.names(b"a/b")
    assert root.names(b"c") == [b"b"]


def _refuse_rename_new(*_: object, **__: object) -> None:
    raise OSError(errno.EINVAL, "no such flag here")


@pytest.mark.parametrize("has_flag", [True, False], ids=["one call", "looked at first"])
def test_a_new_name_is_never_given_over_something_else(
    root: Root, monkeypatch: pytest.MonkeyPatch, has_flag: bool
) -> None:
    if not has_flag:
        monkeypatch.setattr(root.effects, "rename_new", _refuse_rename_new)
    for name, content in ((b"staged", b"new"), (b"taken", b"old")):
        fd = root.create(name)
        os.write(fd, content)
        os.close(fd)
    with pytest.raises(FileExistsError):
        root.rename_unless_taken(b"staged", b"taken")
    root.rename_unless_taken(b"staged", b"free")
    assert sorted(root.names(b"")) == [b"free", b"taken"]
    fd = root.open_to_read(b"free")
    assert os.read(fd, 9) == b"new"
    os.close(fd)
