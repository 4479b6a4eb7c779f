"""Writing below one folder: what is whole has a name, and nothing else; on real drives of every kind."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from drives import MIB, DriveFactory, run
from nightferry.errors import Busy
from nightferry.manifest.records import Content
from nightferry.recovery.restoring.refusals import Refused
from nightferry.recovery.restoring.target import Target, WrongContent
from nightferry.recovery.restoring.target_opening import open_target
from nightferry.tree.content import Buffers, ReadFailed, Stopped
from nightferry.tree.digests import SHA256
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat
from nightferry.tree.root import Root

SOUND = b"kyrie " * 1000
STAGING = ".nightferry-restoring"


class Source:
    """A folder with one file to copy from, and what to say of it."""

    def __init__(self, root: Path) -> None:
        root.mkdir()
        (root / "kyrie.wav").write_bytes(SOUND)
        self.root = Root(os.open(root, os.O_RDONLY), Effects())
        self.stat = Stat.of(os.stat(root / "kyrie.wav"))._replace(
            mode=0o640, uid=1234, gid=2345, mtime_ns=1_700_000_000_123_456_789
        )
        self.content = Content(SHA256.id, hashlib.sha256(SOUND).digest())
        self.folder = self.stat._replace(kind=Kind.FOLDER, mode=0o2751)

    def put(self, target: Target, path: bytes, *, replace: bool = False) -> object:
        return target.file(path, self.stat, (), self.content, self.root, b"kyrie.wav", replace=replace)


@pytest.fixture
def source(tmp_path: Path) -> Iterator[Source]:
    made = Source(tmp_path / "source")
    yield made
    made.root.close()


@pytest.fixture
def buffers() -> Iterator[Buffers]:
    made = Buffers()
    yield made
    made.close()


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs", "exfat", "ntfs"])
def test_a_file_on_every_file_system(drives: DriveFactory, kind: str, source: Source, buffers: Buffers) -> None:
    drive = drives(kind, 300 * MIB if kind == "xfs" else 128 * MIB)
    with open_target(drive.root, Effects(), buffers) as (target, is_ours):
        assert not is_ours
        target.folder(b"concert", source.folder, ())
        source.put(target, b"concert/kyrie.wav")
        linked = target.link(b"concert/kyrie.wav", b"again.wav")
        assert not (drive.root / "concert" / "kyrie.wav").exists(), "no name before it is durable"
        target.finish()
        with pytest.raises(Refused):
            target.file(b"nowhere/kyrie.wav", source.stat, (), source.content, source.root, b"kyrie.wav")
    drive.unmount()
    drive.mount()
    found = drive.root / "concert" / "kyrie.wav"
    assert found.read_bytes() == SOUND
    assert sorted(set(os.listdir(drive.root)) - {"lost+found"}) == (["again.wav", "concert"] if linked else ["concert"])
    status = os.stat(found)
    assert abs(status.st_mtime_ns - source.stat.mtime_ns) <= target.can.time_granularity_ns
    if kind in ("ext4", "xfs", "btrfs"):
        assert linked
        assert (status.st_nlink, status.st_uid, stat.S_IMODE(status.st_mode)) == (2, 1234, 0o640)
        assert stat.S_IMODE(os.stat(drive.root / "concert").st_mode) == 0o2751
        assert status.st_mtime_ns == source.stat.mtime_ns
        assert target.tally.lost == {}
    else:
        assert target.tally.lost["owner"] >= 1


def test_wrong_content_gets_no_name(tmp_path: Path, source: Source, buffers: Buffers) -> None:
    other = source.content._replace(digest=bytes(32))
    with open_target(tmp_path / "target", Effects(), buffers) as (target, _):
        with pytest.raises(WrongContent):
            target.file(b"a", source.stat, (), other, source.root, b"kyrie.wav")
        with pytest.raises(WrongContent):
            target.file(b"a", source.stat._replace(size_bytes=7), (), source.content, source.root, b"kyrie.wav")
        with pytest.raises(ReadFailed):
            target.file(b"a", source.stat, (), source.content, source.root, b"not there")
        target.finish()
    assert os.listdir(tmp_path / "target") == []


def test_nothing_is_replaced_unasked_however_late_it_comes(tmp_path: Path, source: Source, buffers: Buffers) -> None:
    with open_target(tmp_path / "target", Effects(), buffers) as (target, _):
        source.put(target, b"a")
        source.put(target, b"b", replace=True)
        for name in ("a", "b"):
            (tmp_path / "target" / name).write_text("came meanwhile")
        target.finish()
        assert [each.path for each in target.tally.late] == [b"a"]
    assert (tmp_path / "target" / "a").read_text() == "came meanwhile"
    assert (tmp_path / "target" / "b").read_bytes() == SOUND
    assert sorted(os.listdir(tmp_path / "target")) == ["a", "b"]


def test_two_names_that_are_one_there(drives: DriveFactory, source: Source, buffers: Buffers) -> None:
    drive = drives("exfat", 64 * MIB)
    with open_target(drive.root, Effects(), buffers) as (target, _):
        source.put(target, b"Kyrie.wav")
        source.put(target, b"kyrie.wav")
        target.commit()
        assert [each.path for each in target.tally.late] == [b"kyrie.wav"]
        with pytest.raises(Refused, match="upper and lower case"):
            target.check_spelling(b"KYRIE.wav")
        target.finish()
    assert os.listdir(drive.root) == ["Kyrie.wav"]


def test_what_is_complete_gets_its_name_when_it_stops(tmp_path: Path, source: Source, buffers: Buffers) -> None:
    with pytest.raises(Stopped), open_target(tmp_path / "target", Effects(), buffers) as (target, _):
        source.put(target, b"a")
        raise Stopped
    assert os.listdir(tmp_path / "target") == ["a"]


def test_leftovers_go_and_a_second_one_waits(tmp_path: Path, source: Source, buffers: Buffers) -> None:
    own = tmp_path / "target" / STAGING
    (own / ".probe-x").mkdir(parents=True)
    (own / ".probe-x" / "file").write_text("left")
    (own / "7").write_text("left")
    (own / "link").symlink_to(tmp_path / "source" / "kyrie.wav")
    with open_target(tmp_path / "target", Effects(), buffers) as (target, _):
        assert os.listdir(own) == []
        with pytest.raises(Busy), open_target(tmp_path / "target", Effects(), buffers):
            pass
        target.finish()
    assert os.listdir(tmp_path / "target") == []
    assert (tmp_path / "source" / "kyrie.wav").read_bytes() == SOUND


def test_folders_of_an_earlier_call_are_known(tmp_path: Path, source: Source, buffers: Buffers) -> None:
    (tmp_path / "target" / "theirs").mkdir(parents=True)
    with open_target(tmp_path / "target", Effects(), buffers) as (target, _):
        assert target.make_folder(b"ours") == "made"
        assert target.make_folder(b"theirs") == "there"
    with open_target(tmp_path / "target", Effects(), buffers) as (target, _):
        assert target.folder(b"ours", source.folder, ()) == "ours"
        assert target.folder(b"theirs", source.folder, ()) == "there"
        target.finish()
    assert stat.S_IMODE(os.stat(tmp_path / "target" / "ours").st_mode) == 0o2751
    assert stat.S_IMODE(os.stat(tmp_path / "target" / "theirs").st_mode) != 0o2751


def test_rule_I_another_mount_below_is_not_entered(
    drives: DriveFactory, tmp_path: Path, source: Source, buffers: Buffers
) -> None:
    drive = drives("ext4", 32 * MIB)
    place = tmp_path / "target" / "mounted"
    place.mkdir(parents=True)
    run("mount", "--bind", drive.root, place)
    try:
        with open_target(tmp_path / "target", Effects(), buffers) as (target, _):
            with pytest.raises(Refused, match="another drive"):
                target.make_folder(b"mounted")
            with pytest.raises(Refused, match="another drive"):
                source.put(target, b"mounted/kyrie.wav")
            target.finish()
    finally:
        run("umount", place)
    assert os.listdir(drive.root) == ["lost+found"]
