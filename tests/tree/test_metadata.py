"""Metadata put back as it was, checked with stat(2) and the ordinary tools."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat, apply_to_open, apply_to_symlink, read_xattrs, signed, unsupported

EFFECTS = Effects()
needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="giving files away needs root")


def state(path: Path) -> Stat:
    return Stat.of(os.lstat(path))


@needs_root
def test_all_of_a_file_s_metadata(tmp_path: Path) -> None:
    source, target = tmp_path / "a.wav", tmp_path / "b.wav"
    source.write_bytes(b"kyrie")
    target.write_bytes(b"kyrie")
    os.chown(source, 1234, 2345)
    source.chmod(0o6751)  # set-id bits are cleared by chown(2), so the order of the calls shows here
    os.setxattr(source, "user.hall", b"St. Anna")
    os.setxattr(source, "trusted.note", b"\x00\x01")
    subprocess.run(["setfacl", "-m", "u:777:rwx,g:888:r", str(source)], check=True)
    os.utime(source, ns=(5, -123_456_789))
    wanted = state(source)
    fd = os.open(target, os.O_RDWR)
    lost = apply_to_open(fd, wanted, read_xattrs(os.open(source, os.O_RDONLY), EFFECTS), EFFECTS, fresh=True)
    os.close(fd)
    assert lost == []
    found = state(target)
    assert (found.mode, found.uid, found.gid, found.mtime_ns) == (wanted.mode, 1234, 2345, -123_456_789)
    acls = [
        subprocess.run(["getfacl", "-cnp", str(path)], capture_output=True, check=True).stdout
        for path in (source, target)
    ]
    assert acls[0] == acls[1]
    assert b"user:777:rwx" in acls[0]
    dumps = [
        subprocess.run(
            ["getfattr", "-hd", "-m", "-", "-e", "hex", path.name], cwd=tmp_path, capture_output=True, check=True
        ).stdout.split(b"\n", 1)[1]
        for path in (source, target)
    ]
    assert dumps[0] == dumps[1]


@needs_root
def test_what_is_too_much_is_taken_away(tmp_path: Path) -> None:
    target = tmp_path / "b.wav"
    target.write_bytes(b"kyrie")
    os.setxattr(target, "user.old", b"1")
    subprocess.run(["setfacl", "-m", "u:777:rwx", str(target)], check=True)
    wanted = state(target)._replace(mode=0o640)
    fd = os.open(target, os.O_RDWR)
    apply_to_open(fd, wanted, ((b"user.new", b"2"),), EFFECTS, fresh=False)
    assert read_xattrs(fd, EFFECTS) == ((b"user.new", b"2"),)
    os.close(fd)
    assert state(target).mode == 0o640


@needs_root
def test_a_symlink_keeps_owner_and_time(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to("nowhere")
    folder_fd = os.open(tmp_path, os.O_RDONLY)
    wanted = state(tmp_path / "link")._replace(uid=7, gid=8, mtime_ns=1_234_567_890_123_456_789)
    assert apply_to_symlink(folder_fd, b"link", wanted, (), EFFECTS) == []
    os.close(folder_fd)
    found = state(tmp_path / "link")
    assert (found.kind, found.uid, found.gid, found.mtime_ns) == (Kind.SYMLINK, 7, 8, 1_234_567_890_123_456_789)


def test_what_has_no_content_is_named(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert unsupported(os.lstat(tmp_path / "pipe")) == "a FIFO"
    assert unsupported(os.lstat("/dev/null")) == "a character device"
    assert unsupported(os.lstat(tmp_path)) is None


def test_inode_numbers_of_64_bits_fit() -> None:
    assert signed(2**64 - 1) == -1
    assert signed(2**63 - 1) == 2**63 - 1
    assert signed(2**63) == -(2**63)
