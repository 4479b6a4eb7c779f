"""Small files that are whole when they have their name."""

from __future__ import annotations

import errno
import os
import re
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from effects_faults import FailingEffects, KillingEffects, in_child
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root
from nightferry.tree.small_files import leave_files, let_old_go, sync_names

PAGE = b"page-(\\d+)\\.txt"


def opened(folder: Path, effects: Effects | None = None) -> Root:
    return Root(os.open(folder, os.O_RDONLY | os.O_DIRECTORY), effects or Effects())


@pytest.fixture
def root(tmp_path: Path) -> Iterator[Root]:
    (tmp_path / "staging").mkdir()
    made = opened(tmp_path)
    yield made
    made.close()


def leave(root: Root, content: bytes) -> None:
    leave_files(root, b"a/reports", {b"latest": content}, staging=b"staging", mark=b".mark-")
    sync_names(root, b"a/reports")


def test_a_file_is_left_for_everybody_to_read(root: Root, tmp_path: Path) -> None:
    leave(root, b"one")
    leave(root, b"two")
    assert (tmp_path / "a/reports/latest").read_bytes() == b"two"
    assert stat.S_IMODE((tmp_path / "a/reports/latest").stat().st_mode) == 0o644
    assert stat.S_IMODE((tmp_path / "a/reports").stat().st_mode) == 0o755
    assert list((tmp_path / "staging").iterdir()) == []


def test_what_was_cut_off_is_removed_and_nothing_else(root: Root, tmp_path: Path) -> None:
    (tmp_path / "staging/.mark-latest").write_bytes(b"half")
    (tmp_path / "staging/other").write_bytes(b"not ours")
    leave(root, b"whole")
    assert [each.name for each in (tmp_path / "staging").iterdir()] == ["other"]


def test_the_oldest_go_and_other_names_stay(root: Root, tmp_path: Path) -> None:
    (tmp_path / "a/reports").mkdir(parents=True)
    for name in ("page-1.txt", "page-2.txt", "page-3.txt", "page-x.txt", "mine.txt"):
        (tmp_path / "a/reports" / name).touch()
    let_old_go(root, b"a/reports", re.compile(PAGE), 2)
    assert {each.name for each in (tmp_path / "a/reports").iterdir()} == {
        "page-2.txt", "page-3.txt", "page-x.txt", "mine.txt",
    }  # fmt: skip
    let_old_go(root, b"a/reports", re.compile(PAGE), 2)
    assert len(list((tmp_path / "a/reports").iterdir())) == 4


def test_rule_E_whatever_call_fails_or_dies_the_name_has_one_whole_text(tmp_path: Path) -> None:
    """Every effect in turn: an error, and a process that ends there."""
    old, new = b"old " * 5000, b"new " * 7000
    for way in ("fails", "dies"):
        number = 0
        while True:
            number += 1
            folder = tmp_path / f"{way} {number}"
            (folder / "staging").mkdir(parents=True)
            root = opened(folder)
            leave(root, old)
            root.close()

            def write(folder: Path = folder, number: int = number, way: str = way) -> None:
                effects = FailingEffects(number, errno.EIO) if way == "fails" else KillingEffects(number)
                leave(opened(folder, effects), new)

            if way == "fails":
                try:
                    write()
                    ended = True
                except OSError:
                    ended = False
            else:
                ended = in_child(write)
            assert (folder / "a/reports/latest").read_bytes() in ((new,) if ended else (old, new))
            root = opened(folder)
            leave(root, new)  # the next call puts away what was left
            root.close()
            assert list((folder / "staging").iterdir()) == []
            if ended:
                break
        assert number > 4
