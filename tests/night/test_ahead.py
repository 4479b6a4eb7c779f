"""Small files opened before their turn: the same files, nothing left open, errors left to the reader."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from nightferry.manifest.plan import Item, Step
from nightferry.night.ahead import AHEAD_FILES, Ahead, in_reading_order
from nightferry.tree.content import AT_ONCE_BYTES
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat
from nightferry.tree.root import Root


def item(path: bytes, *, size_bytes: int = 10, inode: int = 1, nlink: int = 1, base: int | None = None) -> Item:
    stat = Stat(Kind.FILE, size_bytes, 0, 0, inode, 0o644, 0, 0, nlink, 4096)
    return Item(1, Step.ADDED, path, None, base, stat, None, None)


@pytest.fixture
def folder(tmp_path: Path) -> Root:
    for number in range(100):
        (tmp_path / f"{number:03}.mid").write_bytes(b"%03d" % number)
    return Root(os.open(tmp_path, os.O_RDONLY), Effects())


def opened_now() -> int:
    return len(os.listdir("/proc/self/fd"))


def test_all_come_in_their_order_and_each_was_opened_before(folder: Root) -> None:
    items = [item(b"%03d.mid" % number) for number in range(100)]
    before = opened_now()
    ahead = Ahead(folder, Effects())
    given = []
    for each in ahead.over(items):
        given.append(each)
        assert opened_now() <= before + AHEAD_FILES + 2
        found = ahead.take(each.path)
        assert found is not None
        assert os.read(found[0], 10) == each.path[:3]
        os.close(found[0])
    assert given == items
    assert opened_now() == before


def test_what_is_not_taken_is_closed_also_where_the_reader_stops_early(folder: Root) -> None:
    before = opened_now()
    ahead = Ahead(folder, Effects())
    running = ahead.over([item(b"%03d.mid" % number) for number in range(100)])
    next(running)
    assert opened_now() > before
    running.close()
    assert opened_now() == before
    assert ahead.take(b"000.mid") is None


def test_what_is_passed_over_is_closed_at_its_turn(folder: Root) -> None:
    before = opened_now()
    ahead = Ahead(folder, Effects())
    for _ in ahead.over([item(b"%03d.mid" % number) for number in range(100)]):  # as where there is no room for any
        assert opened_now() <= before + AHEAD_FILES + 2
    assert opened_now() == before


def test_only_small_files_that_are_read_for_certain(folder: Root) -> None:
    ahead = Ahead(folder, Effects())
    unfit = [
        item(b"000.mid", size_bytes=AT_ONCE_BYTES + 1), item(b"001.mid", nlink=2), item(b"002.mid", base=7),
        item(b"003.mid", size_bytes=0),
    ]  # fmt: skip
    for each in ahead.over([*unfit, item(b"004.mid")]):
        found = ahead.take(each.path)
        assert (found is not None) == (each.path == b"004.mid")
        if found is not None:
            os.close(found[0])


def test_a_file_that_cannot_be_opened_is_left_to_its_reader(folder: Root) -> None:
    ahead = Ahead(folder, Effects())
    items = [item(b"gone.mid"), item(b"000.mid")]
    assert [each.path for each in ahead.over(items) if ahead.take(each.path) is None] == [b"gone.mid"]


def test_each_folder_in_the_order_of_inodes() -> None:
    items = [item(b"b/2", inode=9), item(b"b/3", inode=4), item(b"a/1", inode=8), item(b"a/2", inode=3)]
    assert [each.path for each in in_reading_order(items)] == [b"b/3", b"b/2", b"a/2", b"a/1"]
