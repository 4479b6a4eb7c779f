from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from drives import MIB, DriveFactory, run
from nightferry.errors import Failed
from nightferry.volumes.mounts import is_mount_point, mount_of, mounted_below, parse, read_mounts, relation

Mounter = Callable[..., Path]


def folder(*parts: str | Path) -> Path:
    path = Path(*parts)
    path.mkdir(parents=True, exist_ok=True)
    return path


# --- the text -----------------------------------------------------------------------------------------------------


def test_the_example_of_the_manual_page() -> None:
    # proc_pid_mountinfo(5), Linux man-pages 6.9
    line = b"36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue\n"
    (mount,) = parse(line)
    assert (mount.mount_id, mount.parent_id, mount.device) == (36, 35, (98, 0))
    assert (mount.root, mount.mount_point, mount.file_system, mount.source) == (
        b"/mnt1",
        b"/mnt2",
        "ext3",
        b"/dev/root",
    )
    assert mount.options == {"rw", "noatime"}
    assert mount.super_options == {"rw", "errors=continue"}
    assert not mount.read_only


def test_no_or_several_optional_fields_and_an_empty_source() -> None:
    none, several = parse(
        b"36 35 0:40 / /srv/a rw - tmpfs  ro\n37 35 0:41 / /srv/b ro shared:3 master:1 unbindable - tmpfs none rw\n"
    )
    assert (none.source, none.super_options, none.read_only) == (b"", {"ro"}, True)
    assert (several.source, several.mount_point, several.read_only) == (b"none", b"/srv/b", True)


def test_octal_escapes() -> None:
    (mount,) = parse(
        b"36 35 98:0 /a\\134040b /2026-05\\040spring\\011concert\\012\xff\\043 rw - ext4 /dev/x\\040y rw\n"
    )
    assert mount.root == b"/a\\040b"
    assert mount.mount_point == b"/2026-05 spring\tconcert\n\xff#"
    assert mount.source == b"/dev/x y"


@pytest.mark.parametrize(
    "line", [b"36 35 98:0 / /mnt rw ext4 /dev/x rw", b"a 35 98:0 / /mnt rw - ext4 /dev/x rw", b"\x1b["]
)
def test_a_line_that_is_not_understood_is_named(line: bytes) -> None:
    with pytest.raises(Failed, match="line that cannot be understood") as caught:
        parse(line + b"\n")
    assert "\x1b" not in str(caught.value)


def test_no_list(tmp_path: Path) -> None:
    with pytest.raises(Failed, match="cannot be read"):
        read_mounts(tmp_path / "absent")
    (tmp_path / "empty").touch()
    with pytest.raises(Failed, match="No mount is listed"):
        mount_of(tmp_path, tmp_path / "empty")


def test_this_machine_agrees_with_findmnt() -> None:
    # findmnt(8) of util-linux reads the same list with its own parser
    for path in ("/", "/proc", "/dev", "/usr/share"):
        expected = run("findmnt", "--noheadings", "--output", "TARGET,FSTYPE,MAJ:MIN", "--target", path).split()
        mount = mount_of(Path(path))
        device = "{}:{}".format(*mount.device)
        assert [mount.mount_point, mount.file_system.encode(), device.encode()] == expected


# --- real mounts --------------------------------------------------------------------------------------------------


def test_mount_points(tmp_path: Path, mount: Mounter) -> None:
    name = os.fsdecode(b"2026-05 spring\nconcert\\ \xff")
    drive = mount(folder(tmp_path, name), "-t", "tmpfs", "choir recordings")
    inside = folder(drive, "01 kyrie")
    (tmp_path / "link").symlink_to(drive)
    assert is_mount_point(drive)
    assert is_mount_point(tmp_path / "link")
    assert not is_mount_point(inside)
    assert not is_mount_point(tmp_path)
    assert not is_mount_point(tmp_path / "absent")
    found = mount_of(tmp_path / "link" / "01 kyrie")
    assert (found.mount_point, found.file_system, found.source) == (os.fsencode(drive), "tmpfs", b"choir recordings")
    run("umount", drive)
    assert not is_mount_point(drive)


def test_mounted_below(tmp_path: Path, mount: Mounter) -> None:
    root = folder(tmp_path, "recordings")
    folder(tmp_path, "recordings-second")
    mount(folder(tmp_path, "recordings-second"), "-t", "tmpfs", "none")
    assert mounted_below(root) == frozenset()
    mount(folder(root, "other drive"), "-t", "tmpfs", "none")
    mount(folder(root, "a", "b"), "--bind", folder(tmp_path, "elsewhere"))
    (root / "01 kyrie.wav").touch()
    (tmp_path / "single").touch()
    mount(root / "01 kyrie.wav", "--bind", tmp_path / "single")
    expected = {b"other drive", b"a/b", b"01 kyrie.wav"}
    assert mounted_below(root) == expected
    (tmp_path / "link").symlink_to(root)
    assert mounted_below(tmp_path / "link") == expected
    assert mounted_below(root / "a") == {b"b"}
    assert mounted_below(root / "a" / "b") == frozenset()
    assert os.fsencode(root / "other drive")[1:] in mounted_below(Path("/"))


def test_a_mount_under_a_later_one_is_not_there(tmp_path: Path, mount: Mounter) -> None:
    below = mount(folder(tmp_path, "a", "b"), "-t", "tmpfs", "hidden")
    mount(tmp_path / "a", "-t", "tmpfs", "over")
    assert os.fsencode(below) in {found.mount_point for found in read_mounts()}
    folder(below)
    assert mount_of(below).source == b"over"
    assert not is_mount_point(below)
    assert mounted_below(tmp_path) == {b"a"}


def test_of_two_mounts_at_one_place_the_last_counts(tmp_path: Path, mount: Mounter) -> None:
    place = folder(tmp_path, "place")
    mount(place, "-t", "tmpfs", "first")
    mount(place, "-t", "tmpfs", "second")
    assert mount_of(place).source == b"second"
    assert mounted_below(tmp_path) == {b"place"}


# --- relation -----------------------------------------------------------------------------------------------------


def both_ways(a: Path, b: Path) -> tuple[str, str]:
    return relation(a, b), relation(b, a)


def test_relation_of_plain_folders(tmp_path: Path) -> None:
    a, inner, b = folder(tmp_path, "a"), folder(tmp_path, "a", "b"), folder(tmp_path, "ab")
    assert both_ways(a, a) == ("same", "same")
    assert both_ways(a, b) == ("apart", "apart")
    assert both_ways(inner, a) == ("inside", "contains")
    assert both_ways(a, Path("/")) == ("inside", "contains")
    (tmp_path / "link").symlink_to(a)
    assert both_ways(tmp_path / "link", a) == ("same", "same")
    assert both_ways(tmp_path / "link" / "b", a) == ("inside", "contains")
    assert both_ways(tmp_path / "a" / ".." / "ab", b) == ("same", "same")


def test_relation_through_bind_mounts(tmp_path: Path, mount: Mounter) -> None:
    recordings = folder(tmp_path, "recordings")
    spring = folder(recordings, "2026-05 spring concert")
    other = folder(tmp_path, "other")
    whole = mount(folder(tmp_path, "whole"), "--bind", recordings)
    part = mount(folder(tmp_path, "part"), "--bind", spring)
    assert both_ways(whole, recordings) == ("same", "same")
    assert both_ways(part, recordings) == ("inside", "contains")
    assert both_ways(part, whole) == ("inside", "contains")
    assert both_ways(part, spring) == ("same", "same")
    assert both_ways(whole / spring.name, part) == ("same", "same")
    assert both_ways(part, other) == ("apart", "apart")


def test_relation_to_a_folder_shown_somewhere_below(tmp_path: Path, mount: Mounter) -> None:
    recordings, second = folder(tmp_path, "recordings"), folder(tmp_path, "second")
    mount(second, "-t", "tmpfs", "none")
    copy = folder(second, "copy")
    assert both_ways(recordings, second) == ("apart", "apart")
    mount(folder(recordings, "shown"), "--bind", second)
    assert both_ways(recordings, second) == ("contains", "inside")
    assert both_ways(recordings, copy) == ("contains", "inside")


def test_relation_of_two_drives_and_of_one_mounted_twice(drives: DriveFactory, mount: Mounter, tmp_path: Path) -> None:
    first, second = drives("ext4", 8 * MIB), drives("ext4", 8 * MIB)
    assert both_ways(first.root, second.root) == ("apart", "apart")
    again = mount(folder(tmp_path, "again"), first.device)
    assert both_ways(again, first.root) == ("same", "same")
    assert both_ways(folder(again, "x"), first.root) == ("inside", "contains")


def test_relation_of_btrfs_subvolumes(drives: DriveFactory, mount: Mounter, tmp_path: Path) -> None:
    drive = drives("btrfs")
    for name in ("choir", "organ"):
        run("btrfs", "subvolume", "create", drive.root / name)
    choir = mount(folder(tmp_path, "choir"), "-o", "subvol=choir", drive.device)
    organ = mount(folder(tmp_path, "organ"), "-o", "subvol=organ", drive.device)
    # stat(2) tells them apart from each other and cannot tell that one is in the other
    assert os.stat(choir).st_dev != os.stat(drive.root).st_dev
    assert both_ways(choir, organ) == ("apart", "apart")
    assert both_ways(choir, drive.root / "choir") == ("same", "same")
    assert both_ways(choir, drive.root) == ("inside", "contains")


def test_relation_where_case_does_not_count(drives: DriveFactory) -> None:
    root = drives("exfat").root
    folder(root, "Recordings", "old")
    assert both_ways(root / "Recordings", root / "RECORDINGS") == ("same", "same")
    assert both_ways(root / "recordings" / "old", root / "RECORDINGS") == ("inside", "contains")
