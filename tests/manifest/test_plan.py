"""The plan of a night: order, revision while it is read, sorting beyond memory."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightferry.manifest.plan import Plan, Step
from nightferry.tree.metadata import Kind, Stat


def stat(size_bytes: int = 0, **other: int) -> Stat:
    return Stat(Kind.FILE, size_bytes, 1, 2, 3, 0o644, 0, 0, 1, size_bytes)._replace(**other)


@pytest.fixture
def plan() -> Iterator[Plan]:
    made = Plan()
    yield made
    made.close()


def test_items_come_in_order_and_backwards(plan: Plan) -> None:
    for number in range(2_500):  # more than one page
        plan.add(Step.ADDED if number % 2 else Step.REMOVED, b"%d" % number, stat(number))
    added = [item.path for item in plan.items(Step.ADDED)]
    assert added == [b"%d" % number for number in range(1, 2_500, 2)]
    assert [item.path for item in plan.items(Step.ADDED, reverse=True)] == added[::-1]
    assert len(list(plan.items(Step.ADDED, Step.REMOVED))) == 2_500


def test_items_may_be_revised_while_they_are_read(plan: Plan) -> None:
    for number in range(2_500):
        plan.add(Step.ADDED, b"%d" % number, stat())
    for item in plan.items(Step.ADDED):
        plan.revise(item, Step.MOVED, entry=5, base=6, digest=b"d", algorithm=1)
    assert list(plan.items(Step.ADDED)) == []
    moved = list(plan.items(Step.MOVED))
    assert len(moved) == 2_500
    assert (moved[0].entry, moved[0].base, moved[0].digest, moved[0].algorithm) == (5, 6, b"d", 1)


@given(st.lists(st.integers(0, 50), max_size=60))
def test_smallest_first_is_sorted_and_complete(sizes: list[int]) -> None:
    plan = Plan()
    try:
        for number, size in enumerate(sizes):
            plan.add(Step.ADDED, b"%d" % number, stat(size))
        assert [item.stat.size_bytes for item in plan.smallest_first(Step.ADDED)] == sorted(sizes)
    finally:
        plan.close()


def test_totals_leave_folders_out_and_count_whole_blocks(plan: Plan) -> None:
    plan.add(Step.ADDED, b"a", stat(1))
    plan.add(Step.ADDED, b"sparse", stat(1 << 40)._replace(allocated_bytes=4096))
    plan.add(Step.FOLDER, b"f", stat()._replace(kind=Kind.FOLDER))
    assert plan.totals(4096) == {Step.ADDED: (2, (1 << 40) + 1, min(4096, 1 + 4096) + 4096 + 4096)}
    assert plan.totals(4096, sparse=False)[Step.ADDED][2] == 4096 + (1 << 40)


def test_claimed_names_have_not_vanished(plan: Plan) -> None:
    for entry in (5, 6, 7):
        plan.vanish(entry)
    plan.claim(6)
    assert list(plan.vanished()) == [5, 7]
    assert plan.is_claimed(6) and not plan.is_claimed(5)
    assert plan.is_vanished(5) and not plan.is_vanished(4)


def test_listings_of_folders_left_undone_are_not_remembered(plan: Plan) -> None:
    plan.remember_listing(b"a", b"1")
    plan.remember_listing(b"b", b"2")
    plan.mark_incomplete(b"b")
    assert list(plan.complete_listings()) == [(b"a", b"1")]


@given(st.lists(st.binary(min_size=1, max_size=6), unique=True, max_size=100))
def test_sorting_in_the_database_is_sorting(names: list[bytes]) -> None:
    plan = Plan()
    try:
        far = stat(1)._replace(mtime_ns=-(10**20), ctime_ns=10**20)
        assert list(plan.sort((name, far) for name in names)) == [(name, far) for name in sorted(names)]
    finally:
        plan.close()
