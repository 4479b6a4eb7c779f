"""When each file was last read, and which come next."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightferry.manifest.fixity import AGE_EDGES_S, FUTURE_S, Coverage, Fixity, Side, Subject
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import Content, Intent
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat

DAY_S = 86_400
NOW_S = 20_000 * DAY_S
FOLDER = Stat(Kind.FOLDER, 0, 10, 11, 1, 0o755, 0, 0, 1, 0)
CONTENT = Content(1, b"\x01" * 16)


def file(size_bytes: int = 5, inode: int = 2) -> Stat:
    return Stat(Kind.FILE, size_bytes, 20, 21, inode, 0o644, 0, 0, 1, 0)


@contextmanager
def made_in(folder: Path) -> Iterator[Manifest]:
    manifest = Manifest.create(folder / "manifest.sqlite3", Effects(), pair_id="p", pair_name="recordings")
    with manifest.database.transaction():
        manifest.entries.insert(0, b"", FOLDER, Content(), None, 1)
    try:
        yield manifest
    finally:
        manifest.close()


@pytest.fixture
def manifest(tmp_path: Path) -> Iterator[Manifest]:
    with made_in(tmp_path) as made:
        yield made


def add(
    manifest: Manifest, name: bytes, *, size_bytes: int = 5, inode: int = 2, parent: int = 1,
    primary_s: int | None = None, secondary_s: int | None = None, content: Content = CONTENT,
) -> int:  # fmt: skip
    with manifest.database.transaction():
        return manifest.entries.insert(parent, name, file(size_bytes, inode), content, None, 1, primary_s, secondary_s)


def folder(manifest: Manifest, name: bytes, parent: int = 1) -> int:
    with manifest.database.transaction():
        return manifest.entries.insert(parent, name, FOLDER, Content(), None, 1)


def retire(manifest: Manifest, entry: int, held: bytes, reason: str = "removed", run: int = 2) -> None:
    manifest.journal.write([Intent("retire", manifest.entries.path(entry), entry, held=held, reason=reason)], run)
    manifest.journal.settle([intent for _, intent in manifest.journal.read()], run)


def pages(fixity: Fixity, side: Side, before_s: float, limit: int) -> list[Subject]:
    found: list[Subject] = []
    while page := fixity.oldest(side, before_s, limit, found[-1] if found else None):
        assert len(page) <= limit
        found += page
    return found


def key(subject: Subject) -> tuple[str, int]:
    return subject.table, subject.id


# --- the order


readings = st.lists(
    st.tuples(
        st.integers(0, 3),  # which folder
        st.integers(0, 20),  # inode
        st.none() | st.integers(NOW_S - 5 * DAY_S, NOW_S),  # last read
    ),
    max_size=40,
)


@given(readings, st.integers(1, 7), st.integers(NOW_S - 5 * DAY_S, NOW_S + 1))
@settings(max_examples=60, deadline=None)
def test_pages_give_all_that_is_due_once_and_oldest_day_first(
    files: list[tuple[int, int, int | None]], limit: int, before_s: int
) -> None:
    with TemporaryDirectory() as place, made_in(Path(place)) as manifest:
        folders = [1, *(folder(manifest, b"%d" % number) for number in range(3))]
        expected = [(("entry", row), 0) for row in folders[1:]]  # they are looked at too
        for number, (where, inode, read_s) in enumerate(files):
            row = add(manifest, b"f%d" % number, inode=inode, parent=folders[where], secondary_s=read_s)
            if number % 5 == 4:  # some are retired by now
                retire(manifest, row, b"2/%d" % number)
                (row,) = manifest.database.connection.execute("SELECT max(id) FROM past").fetchone()
                expected.append((("past", row), read_s or 0))
            else:
                expected.append((("entry", row), read_s or 0))
        fixity = Fixity(manifest.database)
        found = pages(fixity, "secondary", before_s, limit)
        assert sorted(map(key, found)) == sorted(name for name, read_s in expected if read_s < before_s)
        days = [subject.read_s // DAY_S for subject in found]
        assert days == sorted(days)
        for left, right in pairwise(found):
            if (left.read_s // DAY_S, left.table, left.parent) == (right.read_s // DAY_S, right.table, right.parent):
                assert left.stat.inode <= right.stat.inode  # the order in which a drive has them, mostly
        count, size_bytes = fixity.unread("secondary", before_s)
        read = [subject for subject in found if subject.stat.kind is Kind.FILE]
        assert (count, size_bytes) == (len(read), sum(subject.stat.size_bytes for subject in read))


@given(readings, st.integers(1, 7))
@settings(max_examples=40, deadline=None)
def test_a_page_read_meanwhile_does_not_hide_the_next(files: list[tuple[int, int, int | None]], limit: int) -> None:
    """As a night does it: what a page named gets a new date before the next page is asked for."""
    with TemporaryDirectory() as place, made_in(Path(place)) as manifest:
        rows = [
            add(manifest, b"f%d" % number, inode=inode, primary_s=read_s)
            for number, (_, inode, read_s) in enumerate(files)
        ]
        fixity = Fixity(manifest.database)
        met: list[int] = []
        last = None
        while page := fixity.oldest("primary", NOW_S + 1, limit, last):
            met += [subject.id for subject in page]
            fixity.mark_read("primary", [key(subject) for subject in page], NOW_S + 2)
            last = page[-1]
        assert sorted(met) == rows
        assert fixity.oldest("primary", NOW_S + 1, 1) == []


def test_a_subject_says_what_is_to_be_found(manifest: Manifest) -> None:
    row = add(manifest, b"kyrie.wav", size_bytes=1234, inode=7, primary_s=NOW_S)
    (subject,) = Fixity(manifest.database).oldest("primary", NOW_S + 1, 10)
    assert subject == Subject("entry", row, 1, file(1234, 7), CONTENT, None, NOW_S)


def test_times_and_inodes_beyond_64_bits_come_back_whole(manifest: Manifest) -> None:
    far = file()._replace(mtime_ns=1 << 70, ctime_ns=-(1 << 65), inode=-5)
    with manifest.database.transaction():
        manifest.entries.insert(1, b"far.wav", far, CONTENT, None, 1)
    (subject,) = Fixity(manifest.database).oldest("primary", NOW_S, 10)
    assert subject.stat == far


def test_what_has_no_checksum_is_not_asked_for(manifest: Manifest) -> None:
    add(manifest, b"no checksum yet", content=Content())
    assert Fixity(manifest.database).oldest("secondary", NOW_S, 10) == []


def test_symlinks_and_folders_are_looked_at_on_the_secondary_alone(manifest: Manifest) -> None:
    with manifest.database.transaction():
        stat = file()._replace(kind=Kind.SYMLINK)
        link = manifest.entries.insert(1, b"newest", stat, Content(target=b"kyrie.wav"), None, 1)
    row = folder(manifest, b"empty")
    fixity = Fixity(manifest.database)
    found = {subject.id: subject for subject in fixity.oldest("secondary", NOW_S, 10)}
    assert set(found) == {link, row}  # not the root, which every night opens
    assert found[link].content.target == b"kyrie.wav"
    assert fixity.oldest("primary", NOW_S, 10) == []
    assert fixity.unread("secondary", NOW_S) == (0, 0)
    assert fixity.total_bytes("secondary") == 0
    retire(manifest, link, b"2/newest")
    (held,) = (each for each in fixity.oldest("secondary", NOW_S, 10) if each.table == "past")
    assert (held.stat.kind, held.content.target, held.held) == (Kind.SYMLINK, b"kyrie.wav", b"2/newest")


def test_below_one_folder_or_one_file(manifest: Manifest) -> None:
    spring = folder(manifest, b"spring")
    deep = folder(manifest, b"day 2", spring)
    other = folder(manifest, b"summer")
    rows = [add(manifest, b"a", parent=spring), add(manifest, b"b", parent=deep)]
    outside = add(manifest, b"c", parent=other)
    fixity = Fixity(manifest.database)
    assert sorted(each.id for each in fixity.oldest("primary", NOW_S, 10, below=spring)) == rows
    assert sorted(each.id for each in fixity.oldest("secondary", NOW_S, 10, below=spring)) == [spring, deep, *rows]
    assert [each.id for each in fixity.oldest("secondary", NOW_S, 10, below=rows[1])] == [rows[1]]
    assert fixity.unread("secondary", NOW_S, below=other) == (1, 5)
    retire(manifest, rows[1], b"2/spring/day 2/b")
    assert {each.table for each in fixity.oldest("secondary", NOW_S, 10, below=deep)} == {"past", "entry"}
    assert [each.id for each in fixity.oldest("secondary", NOW_S, 10, below=deep, retired=False)] == [deep]
    assert [each.id for each in fixity.oldest("secondary", NOW_S, 10, below=outside)] == [outside]


# --- retired versions


def test_retired_versions_are_read_on_the_secondary_only_and_decayed_ones_no_more(manifest: Manifest) -> None:
    good, bad, gone = (add(manifest, name, size_bytes=100, primary_s=1, secondary_s=1) for name in (b"a", b"b", b"c"))
    retire(manifest, good, b"2/a")
    retire(manifest, bad, b"2/b", "decayed")
    retire(manifest, gone, b"2/c")
    with manifest.database.transaction():
        manifest.past.expire(b"2/c", 3)
    fixity = Fixity(manifest.database)
    assert [each.held for each in fixity.oldest("secondary", NOW_S, 10)] == [b"2/a"]
    assert fixity.oldest("primary", NOW_S, 10) == []
    assert fixity.total_bytes("secondary") == 100
    assert fixity.total_bytes("primary") == 0
    covered = fixity.coverage(NOW_S, NOW_S)
    assert (covered["retired"].files_total, covered["retired"].total_bytes, covered["retired"].oldest_s) == (1, 100, 1)
    assert covered["primary"].files_total == covered["secondary"].files_total == 0


def test_what_no_run_put_there_is_not_waited_for(manifest: Manifest) -> None:
    """It was moved aside and has no checksum, so no reading could ever find it intact."""
    run_at(manifest, 1, NOW_S - 90 * DAY_S)
    with manifest.database.transaction():
        manifest.past.keep_unlisted(1, b"holiday.jpg", 1, b"1/holiday.jpg")
    fixity = Fixity(manifest.database)
    assert fixity.oldest("secondary", NOW_S, 10) == []
    assert fixity.coverage(NOW_S, CYCLE_S)["retired"] == Coverage()


def test_a_retired_version_keeps_the_date_on_which_its_content_was_last_read(manifest: Manifest) -> None:
    row = add(manifest, b"a", primary_s=NOW_S, secondary_s=NOW_S - DAY_S)
    retire(manifest, row, b"2/a")
    fixity = Fixity(manifest.database)
    assert fixity.last_read_s("secondary", None, b"2/a") == NOW_S - DAY_S
    (subject,) = fixity.oldest("secondary", NOW_S, 10)
    fixity.mark_read("secondary", [key(subject)], NOW_S)
    assert fixity.last_read_s("secondary", None, b"2/a") == NOW_S
    fixity.mark_bad("secondary", *key(subject))
    assert fixity.last_read_s("secondary", None, b"2/a") is None


def test_known_names_below_retired(manifest: Manifest) -> None:
    retire(manifest, add(manifest, b"a"), b"2/a")
    fixity = Fixity(manifest.database)
    with fixity.held_names() as is_known:
        assert is_known(b"2/a")
        assert not is_known(b"2/b")
    with fixity.held_names() as is_known:  # and again
        assert is_known(b"2/a")


# --- marking


def test_each_side_has_its_own_date(manifest: Manifest) -> None:
    row = add(manifest, b"a", primary_s=1, secondary_s=2)
    fixity = Fixity(manifest.database)
    fixity.mark_read("primary", [("entry", row)], 10)
    assert (fixity.last_read_s("primary", row, None), fixity.last_read_s("secondary", row, None)) == (10, 2)
    fixity.mark_bad("secondary", "entry", row)
    assert (fixity.last_read_s("primary", row, None), fixity.last_read_s("secondary", row, None)) == (10, None)
    assert [each.id for each in fixity.oldest("secondary", 1, 10)] == [row]  # first in the order


# --- coverage


CYCLE_S = 30 * DAY_S


def run_at(manifest: Manifest, number: int, started_s: float) -> None:
    manifest.runs.start(number, f"{number:06}", started_s)
    manifest.runs.end(number, started_s + 60, "complete", "{}")


def test_coverage_counts_files_and_bytes_of_each_place(manifest: Manifest) -> None:
    run_at(manifest, 1, NOW_S - 90 * DAY_S)
    add(manifest, b"today", size_bytes=700, primary_s=NOW_S, secondary_s=NOW_S)
    add(manifest, b"long ago", size_bytes=200, primary_s=NOW_S - 40 * DAY_S, secondary_s=NOW_S)
    row = add(manifest, b"just within", size_bytes=100, primary_s=NOW_S - 30 * DAY_S, secondary_s=NOW_S)
    retire(manifest, add(manifest, b"old", size_bytes=50, secondary_s=NOW_S - 2 * DAY_S), b"2/old")
    fixity = Fixity(manifest.database)
    found = fixity.coverage(NOW_S, CYCLE_S)
    assert found["primary"] == Coverage(
        2, 3, 800, 1_000, 0, 1, 200, NOW_S - 40 * DAY_S, ((1, 700), (0, 0), (1, 100), (1, 200), (0, 0))
    )
    assert found["primary"].share == 0.8
    whole = Coverage(3, 3, 1_000, 1_000, 0, 0, 0, NOW_S, ((3, 1_000), (0, 0), (0, 0), (0, 0), (0, 0)))
    assert found["secondary"] == whole
    assert found["retired"] == Coverage(
        1, 1, 50, 50, 0, 0, 0, NOW_S - 2 * DAY_S, ((0, 0), (1, 50), (0, 0), (0, 0), (0, 0))
    )
    fixity.mark_bad("secondary", "entry", row)
    bad = fixity.coverage(NOW_S, CYCLE_S)["secondary"]
    assert (bad.files, bad.size_bytes, bad.never_files, bad.overdue_files, bad.overdue_bytes) == (2, 900, 1, 1, 100)


def test_what_came_within_the_cycle_is_not_overdue(manifest: Manifest) -> None:
    """Copied without being read back (read_back = "off"): it has the whole cycle for it."""
    run_at(manifest, 1, NOW_S - 20 * DAY_S)
    add(manifest, b"new", size_bytes=700)
    found = Fixity(manifest.database).coverage(NOW_S, CYCLE_S)["secondary"]
    assert (found.files, found.never_files, found.overdue_files) == (0, 1, 0)
    later = Fixity(manifest.database).coverage(NOW_S + 11 * DAY_S, CYCLE_S)["secondary"]
    assert (later.overdue_files, later.overdue_bytes) == (1, 700)


def test_rule_L_a_reading_of_the_future_counts_as_none(manifest: Manifest) -> None:
    """A clock that was years ahead for a night would else keep its files from being read until then."""
    row = add(manifest, b"a", size_bytes=9, primary_s=NOW_S + 3_000 * DAY_S)
    fixity = Fixity(manifest.database)
    latest_s = NOW_S + FUTURE_S
    assert [(each.id, each.read_s) for each in fixity.oldest("primary", NOW_S, 9, latest_s=latest_s)] == [(row, 0)]
    assert fixity.unread("primary", NOW_S, latest_s=latest_s) == (1, 9)
    found = fixity.coverage(NOW_S, CYCLE_S)["primary"]
    assert (found.files, found.never_files, found.oldest_s) == (0, 1, None)


def test_nothing_to_read_is_covered(manifest: Manifest) -> None:
    found = Fixity(manifest.database).coverage(NOW_S, CYCLE_S)
    assert found == {place: Coverage() for place in ("primary", "secondary", "retired")}
    assert found["primary"].share == 1.0


@given(
    st.lists(
        st.tuples(
            st.integers(0, 1000),
            st.none() | st.integers(NOW_S - 200 * DAY_S, NOW_S),
            st.none() | st.integers(NOW_S - 200 * DAY_S, NOW_S),
            st.booleans(),
        ),
        max_size=20,
    ),
    st.integers(1, 120),
)
@settings(max_examples=60, deadline=None)
def test_ages_and_shares_are_those_of_a_plain_count(
    files: list[tuple[int, int | None, int | None, bool]], cycle_days: int
) -> None:
    with TemporaryDirectory() as place, made_in(Path(place)) as manifest:
        at: dict[str, list[tuple[int, int | None]]] = {"primary": [], "secondary": [], "retired": []}
        for number, (size_bytes, primary_s, secondary_s, is_retired) in enumerate(files):
            row = add(manifest, b"%d" % number, size_bytes=size_bytes, primary_s=primary_s, secondary_s=secondary_s)
            if is_retired:
                retire(manifest, row, b"2/%d" % number)
                at["retired"].append((size_bytes, secondary_s))
            else:
                at["primary"].append((size_bytes, primary_s))
                at["secondary"].append((size_bytes, secondary_s))
        covered = Fixity(manifest.database).coverage(NOW_S, cycle_days * DAY_S)
        for where, expected in at.items():
            found = covered[where]  # type: ignore[index]
            read = [(size, read_s) for size, read_s in expected if read_s is not None]
            within = [size for size, read_s in read if read_s >= NOW_S - cycle_days * DAY_S]
            assert (found.files, found.size_bytes) == (len(within), sum(within))
            assert (found.files_total, found.total_bytes) == (len(expected), sum(size for size, _ in expected))
            assert found.never_files == len(expected) - len(read)
            assert found.oldest_s == min((read_s for _, read_s in read), default=None)
            edges = [-1, *AGE_EDGES_S, 10**9]
            assert list(found.ages) == [
                (len(sizes), sum(sizes))
                for over, upto in pairwise(edges)
                for sizes in [[size for size, read_s in read if over < NOW_S - read_s <= upto]]
            ]


def test_rule_J_memory_does_not_grow_with_the_number_of_files(tmp_path: Path) -> None:
    """The most that Python holds while everything is paged through: with 20 times the files, no more."""
    peaks = []
    for count in (2_000, 40_000):
        place = tmp_path / str(count)
        place.mkdir()
        with made_in(place) as manifest:
            with manifest.database.transaction():
                for number in range(count):
                    manifest.entries.insert(1, b"%09d.wav" % number, file(inode=number), CONTENT, None, 1)
            fixity = Fixity(manifest.database)
            tracemalloc.start()
            last, met = None, 0
            while page := fixity.oldest("primary", NOW_S, 1_000, last):
                last, met = page[-1], met + len(page)
            fixity.coverage(NOW_S, 30.0 * DAY_S)
            peaks.append(tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
            assert met == count
    assert peaks[1] < peaks[0] * 1.2, peaks
