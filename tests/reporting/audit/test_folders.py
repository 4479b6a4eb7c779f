"""Sums by folder, in a bounded table."""

from __future__ import annotations

from nightferry.reporting.audit.folders import FolderSums


def sums(found: FolderSums) -> dict[bytes, tuple[int, int]]:
    return {folder: (each.files, each.size_bytes) for folder, each in found.largest_first()}


def test_by_the_first_two_levels() -> None:
    found = FolderSums()
    for path, size in ((b"a.wav", 1), (b"x/a.wav", 10), (b"x/y/a.wav", 100), (b"x/y/z/q/a.wav", 1000), (b"x/w/a", 5)):
        found.add("added", path, size)
    assert sums(found) == {b"x/y": (2, 1100), b"x": (1, 10), b"x/w": (1, 5), b"": (1, 1)}


def test_largest_first_and_kinds() -> None:
    found = FolderSums()
    found.add("added", b"x/a", 1)
    found.add("removed", b"x/b", 1)
    found.add("added", b"y/a", 50)
    ordered = found.largest_first()
    assert [folder for folder, _ in ordered] == [b"y", b"x"]
    assert dict(ordered[1][1].kinds) == {"added": 1, "removed": 1}


def test_the_table_is_bounded_and_loses_nothing() -> None:
    found = FolderSums(limit=100)
    for number in range(5000):
        found.add("added", b"%d/%d/a.wav" % (number % 70, number), 2)
    table = found.largest_first()
    assert len(table) <= 101
    assert sum(each.files for _, each in table) == 5000
    assert sum(each.size_bytes for _, each in table) == 10_000
    for number in range(5000):
        found.add("added", b"new %d/a.wav" % number, 1)
    table = found.largest_first()
    assert len(table) <= 101
    assert sum(each.files for _, each in table) == 10_000
