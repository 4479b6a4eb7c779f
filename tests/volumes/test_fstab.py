"""Lines of an fstab and mount units, against what systemd itself makes of them."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from drives import need_tools
from nightferry.volumes.fstab import find, parse, unit_name

UUID = b"UUID=bd71398e-70cf-47ff-9e76-240876a8ce46"


def fstab(tmp_path: Path, *lines: bytes) -> Path:
    path = tmp_path / "fstab"
    path.write_bytes(b"\n".join(lines) + b"\n")
    return path


def test_the_line_of_a_mount_point_is_found(tmp_path: Path) -> None:
    path = fstab(
        tmp_path, b"# recordings", b"", b"/dev/sda1 / ext4 defaults 0 1",
        UUID + b" /srv/recordings ext4 defaults,nofail 0 2",
    )  # fmt: skip
    found = find(b"/srv/recordings", path, tmp_path)
    assert found is not None
    assert found.source == UUID
    assert found.by_steady_name
    assert not found.needed_to_start
    assert found.mounted_at_start
    assert find(b"/srv/recordings-second", path, tmp_path) is None


def test_names_with_spaces_are_written_in_octal(tmp_path: Path) -> None:
    # fstab(5): "If the name of the mount point contains spaces or tabs these can be escaped as `\\040' and '\\011'".
    found = find(b"/srv/spring concert", fstab(tmp_path, UUID + rb" /srv/spring\040concert ext4"), tmp_path)
    assert found is not None
    assert found.mount_point == b"/srv/spring concert"
    assert found.needed_to_start


@pytest.mark.parametrize(
    ("source", "steady", "numbered"),
    [
        (b"UUID=1234-ABCD", True, False),
        (b'LABEL="recordings"', True, False),
        (b"PARTUUID=0a1b2c3d-01", True, False),
        (b"/dev/disk/by-id/usb-Portable", True, False),
        (b"/dev/mapper/recordings", True, False),
        (b"/dev/sdb1", False, True),
        (b"/dev/sdaa", False, True),
        (b"/dev/nvme0n1p2", False, True),
        (b"/dev/mmcblk0p2", False, True),
        (b"/dev/md0", False, False),
        (b"box:/export", False, False),
    ],
)
def test_names_that_stay_and_names_that_do_not(source: bytes, steady: bool, numbered: bool) -> None:
    (found,) = parse(source + b" /srv/recordings auto defaults 0 0")
    assert (found.by_steady_name, found.by_numbered_name) == (steady, numbered)


def test_of_two_lines_the_last_counts(tmp_path: Path) -> None:
    path = fstab(tmp_path, b"/dev/sdb1 /srv/recordings ext4", UUID + b" /srv/recordings/ ext4 nofail")
    found = find(b"/srv/recordings", path, tmp_path)
    assert found is not None
    assert found.source == UUID


def test_without_an_fstab_nothing_is_found(tmp_path: Path) -> None:
    assert find(b"/srv/recordings", tmp_path / "absent", tmp_path) is None


@pytest.mark.parametrize("text", [b"", b"one", b"\x00\xff\xfe \x00 \x00", b" \t ", b"a b c\\", rb"\999 \08 x"])
def test_no_text_makes_it_fail(text: bytes) -> None:
    parse(text)


@pytest.mark.parametrize(
    "path", ["/srv/recordings", "/srv/spring concert", "/srv/a-b", "/", "/srv/.hidden", "/srv/händel", "/a/b.c_d:e"]
)
def test_names_of_units_are_those_of_systemd(path: str) -> None:
    need_tools("systemd-escape")
    done = subprocess.run(["systemd-escape", "--path", "--suffix=mount", path], capture_output=True, check=True)
    assert unit_name(path.encode()) == done.stdout.decode().strip()


def test_a_mount_unit_counts_where_there_is_no_line(tmp_path: Path) -> None:
    (tmp_path / "srv-recordings.mount").write_text(
        "[Unit]\nDescription=Recordings\n[Mount]\nWhat=/dev/disk/by-uuid/1234-ABCD\nWhere=/srv/recordings\n"
        "Options=noatime\n[Install]\nWantedBy=multi-user.target\n"
    )
    absent = tmp_path / "no fstab"
    found = find(b"/srv/recordings", absent, tmp_path)
    assert found is not None
    assert not found.mounted_at_start  # it was never enabled
    (tmp_path / "multi-user.target.wants").mkdir()
    (tmp_path / "multi-user.target.wants/srv-recordings.mount").symlink_to("../srv-recordings.mount")
    found = find(b"/srv/recordings", absent, tmp_path)
    assert found is not None
    assert found.mounted_at_start
    assert found.by_steady_name
    assert not found.needed_to_start
    (tmp_path / "local-fs.target.requires").mkdir()
    (tmp_path / "local-fs.target.requires/srv-recordings.mount").symlink_to("../srv-recordings.mount")
    found = find(b"/srv/recordings", absent, tmp_path)
    assert found is not None
    assert found.needed_to_start


def test_a_unit_that_is_none_is_passed_over(tmp_path: Path) -> None:
    (tmp_path / "srv-recordings.mount").write_bytes(b"\xff\x00[Mount\nWhat")
    assert find(b"/srv/recordings", tmp_path / "absent", tmp_path) is None
