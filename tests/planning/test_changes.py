"""The rule of what changed, case by case."""

from __future__ import annotations

import pytest

from nightferry.planning.changes import (
    Difference,
    compare,
    content_untouched,
    is_made_since,
    needs_relink,
    put_back_date,
    same_date,
    same_metadata,
)
from nightferry.tree.metadata import Kind, Stat

FILE = Stat(Kind.FILE, 100, 1_700_000_000_000_000_000, 1_700_000_001_000_000_000, 42, 0o644, 1000, 1000, 1, 4096)
FOLDER = FILE._replace(kind=Kind.FOLDER, size_bytes=0)


def test_the_same_state_is_no_difference() -> None:
    assert compare(FILE, FILE) is Difference.NONE
    assert compare(FOLDER, FOLDER) is Difference.NONE


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("size_bytes", 101),
        ("mtime_ns", FILE.mtime_ns + 1),
        ("ctime_ns", FILE.ctime_ns + 1),
        ("inode", 43),
        ("mode", 0o600),
        ("uid", 0),
        ("gid", 0),
    ],
)
def test_each_field_alone_makes_a_file_be_read_again(field: str, value: int) -> None:
    assert compare(FILE, FILE._replace(**{field: value})) is Difference.TOUCHED


def test_what_a_copy_takes_up_is_no_difference() -> None:
    assert compare(FILE, FILE._replace(allocated_bytes=0)) is Difference.NONE


def test_another_kind_under_a_name_is_another_thing() -> None:
    for kind in Kind:
        expected = Difference.NONE if kind is Kind.FILE else Difference.RETYPED
        assert compare(FILE, FILE._replace(kind=kind)) is expected


def test_a_folder_is_never_read_again() -> None:
    assert compare(FOLDER, FOLDER._replace(mtime_ns=1)) is Difference.METADATA


def test_rule_C_content_is_untouched_only_if_nothing_says_otherwise() -> None:
    assert content_untouched(FILE, FILE._replace(mode=0o600, uid=5, nlink=2))
    for field in ("size_bytes", "mtime_ns", "ctime_ns", "inode"):
        assert not content_untouched(FILE, FILE._replace(**{field: 7}))


def test_a_date_put_back_is_seen_by_ctime() -> None:
    assert put_back_date(FILE, FILE._replace(ctime_ns=FILE.ctime_ns + 5))
    assert not put_back_date(FILE, FILE._replace(ctime_ns=FILE.ctime_ns + 5, mtime_ns=FILE.mtime_ns + 5))
    assert not put_back_date(FILE, FILE)


def test_same_metadata_is_what_a_person_sees() -> None:
    assert same_metadata(FILE, FILE._replace(ctime_ns=1, inode=1, nlink=9))
    for field in ("mode", "uid", "gid", "mtime_ns"):
        assert not same_metadata(FILE, FILE._replace(**{field: 7}))


def test_hard_links_are_put_anew_when_the_set_changes() -> None:
    linked = FILE._replace(nlink=2)
    assert needs_relink(linked, FILE._replace(inode=43))  # left its set
    assert needs_relink(FILE, linked._replace(inode=43))  # joined another
    assert not needs_relink(FILE, FILE._replace(inode=43))  # a plain file replaced by a plain file
    assert not needs_relink(linked, linked._replace(nlink=3))  # the same set, one name more


def test_C_by_inode_size_and_date_it_is_that_file_whatever_its_time_of_change() -> None:
    assert same_date(FILE, FILE._replace(ctime_ns=7, mode=0o600, nlink=2))
    for field in ("size_bytes", "mtime_ns", "inode"):
        assert not same_date(FILE, FILE._replace(**{field: 7}))


def test_C_a_file_born_after_the_row_was_noted_is_another_one() -> None:
    assert is_made_since(FILE, FILE.ctime_ns + 1)
    assert not is_made_since(FILE, FILE.ctime_ns)
    assert not is_made_since(FILE, None)  # the file system does not say: then it counts as that file
    assert is_made_since(FILE._replace(ctime_ns=0), None)  # a row that holds nobody to its date


def test_where_numbers_mean_nothing_another_number_is_no_change() -> None:
    other = FILE._replace(inode=FILE.inode + 1)
    assert compare(FILE, other) is Difference.TOUCHED
    assert compare(FILE, other, inodes=False) is Difference.NONE
    assert content_untouched(FILE, other, inodes=False)
    linked = (FILE._replace(nlink=2), other._replace(nlink=2))
    assert compare(*linked, inodes=False) is Difference.TOUCHED  # names of one file belong together by it
