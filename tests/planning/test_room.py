"""Whether tonight's copies fit."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from nightferry.planning.room import PER_FILE_BYTES, Fit, Need, fit


def test_exactly_enough_is_enough() -> None:
    need = Need(files=1, allocated_bytes=1_000)
    room_bytes = 1_000 + PER_FILE_BYTES
    assert fit(need, free_bytes=room_bytes + 500, free_inodes=1, keep_free_bytes=500) == Fit(0, 0)
    assert fit(need, free_bytes=room_bytes + 499, free_inodes=1, keep_free_bytes=500) == Fit(1, 0)


def test_inodes_count_where_the_file_system_counts_them() -> None:
    need = Need(files=10, allocated_bytes=0)
    assert fit(need, free_bytes=10**9, free_inodes=8, keep_free_bytes=0) == Fit(0, 2)
    assert fit(need, free_bytes=10**9, free_inodes=None, keep_free_bytes=0).fits


def test_a_night_with_nothing_to_copy_fits_also_on_a_drive_fuller_than_it_should_be() -> None:
    assert fit(Need(0, 0), free_bytes=0, free_inodes=0, keep_free_bytes=10**12).fits


@given(st.integers(0, 10**6), st.integers(0, 10**14), st.integers(0, 10**14), st.integers(0, 10**14))
def test_the_current_free_room_is_never_overdrawn(files: int, size: int, free: int, keep: int) -> None:
    need = Need(files, size)
    if fit(need, free_bytes=free, free_inodes=None, keep_free_bytes=keep).fits and files:
        assert need.room_bytes + keep <= free or need.room_bytes == 0
