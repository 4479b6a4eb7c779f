from __future__ import annotations

import errno
import os
import shutil
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from drives import MIB, DriveFactory, Kind, run
from nightferry.errors import WrongDrive
from nightferry.tree.effects import Effects
from nightferry.volumes.card import CARD_LIMIT_BYTES, Card, PairEntry, encode, new_id
from nightferry.volumes.cardfile import moved_from_elsewhere, read_card, write_card
from nightferry.volumes.filesystem import identify
from nightferry.volumes.mounts import mount_of

NAME = ".nightferry-volume.toml"
CARD = Card(
    volume=new_id(),
    created=datetime(2026, 5, 3, 18, 4, 5, tzinfo=UTC),
    filesystem="1234-ABCD",
    inode=0,
    pairs=(PairEntry(new_id(), "recordings", "primary", new_id()),),
)
OTHER = PairEntry(new_id(), "scores", "primary", new_id())
NEW = replace(CARD, inode=0, pairs=(OTHER,))


class FailingAt(Effects):
    """The N-th call of those that change the drive fails; N of 0 only counts."""

    def __init__(self, at: int, error: int = errno.EIO) -> None:
        self.count = 0

        def failing(call: Callable[..., Any]) -> Callable[..., Any]:
            def wrapped(*arguments: Any, **named: Any) -> Any:
                self.count += 1
                if self.count == at:
                    raise OSError(error, os.strerror(error))
                return call(*arguments, **named)

            return wrapped

        for name in ("open", "fstat", "write", "fsync", "rename"):
            setattr(self, name, failing(getattr(Effects, name)))


def test_written_read_and_its_own_inode_number_recorded(folder_fd: int, tmp_path: Path) -> None:
    assert read_card(folder_fd, Effects()) is None
    written = write_card(folder_fd, CARD, Effects(), file_system="ext4")
    assert written.inode == (tmp_path / NAME).stat().st_ino
    assert read_card(folder_fd, Effects()) == written == replace(CARD, inode=written.inode)
    assert os.listdir(folder_fd) == [NAME]
    again = write_card(folder_fd, NEW, Effects(), file_system="exfat")
    assert read_card(folder_fd, Effects()) == again == NEW


def test_rule_e_after_any_failure_the_old_or_the_new_card_stands(folder_fd: int) -> None:
    old = write_card(folder_fd, CARD, Effects(), file_system="ext4")
    counting = FailingAt(0)
    new = write_card(folder_fd, NEW, counting, file_system="ext4")
    assert counting.count >= 6
    for at in range(1, counting.count + 1):
        old = write_card(folder_fd, CARD, Effects(), file_system="ext4")
        with pytest.raises(OSError, match="Input/output error"):
            write_card(folder_fd, NEW, FailingAt(at), file_system="ext4")
        # Only the sync of the folder comes after the rename.
        found = read_card(folder_fd, Effects())
        assert found == (old if at < counting.count else replace(new, inode=found.inode if found else 0))
        assert os.listdir(folder_fd) == [NAME]


def test_a_folder_that_cannot_be_synced_is_not_an_error(folder_fd: int) -> None:
    counting = FailingAt(0)
    write_card(folder_fd, CARD, counting, file_system="ext4")
    write_card(folder_fd, NEW, FailingAt(counting.count, errno.EINVAL), file_system="ext4")


def test_what_a_crash_left_is_replaced_not_followed(folder_fd: int, tmp_path: Path) -> None:
    victim = tmp_path / "01 kyrie.wav"
    victim.write_bytes(b"kyrie")
    (tmp_path / (NAME + ".new")).symlink_to(victim)
    write_card(folder_fd, CARD, Effects(), file_system="ext4")
    assert victim.read_bytes() == b"kyrie"
    assert sorted(os.listdir(folder_fd)) == [NAME, "01 kyrie.wav"]
    assert not (tmp_path / NAME).is_symlink()


def test_a_wrong_card_leaves_no_trace(folder_fd: int) -> None:
    with pytest.raises(ValueError):
        write_card(folder_fd, replace(CARD, volume="?"), Effects(), file_system="ext4")
    assert os.listdir(folder_fd) == []


def refused(folder_fd: int) -> str:
    with pytest.raises(WrongDrive) as caught:
        read_card(folder_fd, Effects(), "/srv/recordings")
    message = str(caught.value)
    assert message.startswith("The identity card /srv/recordings/.nightferry-volume.toml ")
    assert message.isprintable()
    return message


def test_not_an_ordinary_file(folder_fd: int, tmp_path: Path) -> None:
    card = tmp_path / NAME
    (tmp_path / "real").write_bytes(encode(CARD))
    card.symlink_to("real")
    assert "is a symbolic link" in refused(folder_fd)
    card.unlink()
    os.mkfifo(card)  # must not wait for a writer
    assert "is no ordinary file" in refused(folder_fd)
    card.unlink()
    card.mkdir()
    assert "is no ordinary file" in refused(folder_fd)


def test_malformed_too_large_and_newer(folder_fd: int, tmp_path: Path) -> None:
    card = tmp_path / NAME
    card.write_bytes(b"\x1b[2J\xff")
    assert "it is not TOML; check that it is the right drive" in refused(folder_fd)
    with card.open("wb") as file:
        file.truncate(1 << 40)  # read to the end, it would fill the memory
    assert f"larger than {CARD_LIMIT_BYTES} bytes" in refused(folder_fd)
    card.write_bytes(b'format = 2\nsomething = "new"\n')
    assert "written by a newer nightferry; install that version" in refused(folder_fd)


def test_a_drive_that_cannot_be_read(folder_fd: int) -> None:
    write_card(folder_fd, CARD, Effects(), file_system="ext4")
    for at in (1, 2):
        with pytest.raises(WrongDrive, match="cannot be read: Input/output error"):
            read_card(folder_fd, FailingAt(at))


def test_rule_a_reading_the_card_leaves_no_access_time(drives: DriveFactory) -> None:
    drive = drives("ext4", 8 * MIB, options="strictatime")
    fd = os.open(drive.root, os.O_RDONLY)
    try:
        write_card(fd, CARD, Effects(), file_system="ext4")
        os.utime(drive.root / NAME, ns=(0, 0))
        assert read_card(fd, Effects()) is not None
        assert (drive.root / NAME).stat().st_atime_ns == 0
    finally:
        os.close(fd)


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs", "exfat", "ntfs"])
def test_rule_f_a_copied_card_is_found_out(drives: DriveFactory, kind: Kind) -> None:
    paired = drives(kind)
    if kind == "ntfs":
        time.sleep(1.1)  # mkfs.ntfs gives two drives of one second the same identifier
    third = drives(kind)

    def look(root: Path) -> tuple[Card | None, str | None]:
        fd = os.open(root, os.O_RDONLY)
        try:
            card = read_card(fd, Effects())
            assert card is not None
            return card, moved_from_elsewhere(card, fd, Effects(), identify(fd, mount_of(root)).uuid)
        finally:
            os.close(fd)

    fd = os.open(paired.root, os.O_RDONLY)
    mount = mount_of(paired.root)
    uuid = identify(fd, mount).uuid
    written = write_card(fd, replace(CARD, filesystem=uuid or ""), Effects(), file_system=mount.file_system)
    os.close(fd)
    assert (written.inode > 0) is (kind in ("ext4", "xfs", "btrfs"))

    paired.unmount()
    paired.mount()
    assert look(paired.root) == (written, None)

    shutil.copyfile(paired.root / NAME, third.root / NAME)
    assert "it was written on the file system" in str(look(third.root)[1])

    # Also when the copy lies on the same drive: put back from a backup, say.
    run("cp", paired.root / NAME, paired.root / "saved")
    run("mv", paired.root / "saved", paired.root / NAME)
    assert (look(paired.root)[1] is not None) is (written.inode > 0)
