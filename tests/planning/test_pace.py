"""How long copying takes, by what earlier runs took."""

from __future__ import annotations

from nightferry.planning.pace import Measured, copy_seconds

MIB = 1 << 20


def test_nothing_measured() -> None:
    assert copy_seconds(5, 100, []) is None
    assert copy_seconds(5, 100, [Measured(0, 0, 0.0, 10.0)]) is None


def test_large_files_go_by_their_bytes() -> None:
    runs = [Measured(files=10, size_bytes=1000 * MIB, copy_s=100.0, whole_s=110.0)]
    assert copy_seconds(1, 2000 * MIB, runs) == 200.0


def test_small_files_go_by_their_number() -> None:
    runs = [Measured(files=1000, size_bytes=1 * MIB, copy_s=50.0, whole_s=60.0)]
    assert copy_seconds(4000, 1 * MIB, runs) == 200.0


def test_several_runs_count_by_what_they_copied() -> None:
    runs = [Measured(10, 100 * MIB, 10.0, 12.0), Measured(10, 300 * MIB, 10.0, 12.0), Measured(0, 0, 3.0, 5.0)]
    assert copy_seconds(1, 200 * MIB, runs) == 10.0


def test_links_alone_have_no_bytes() -> None:
    assert copy_seconds(2, 0, [Measured(4, 0, 2.0, 3.0)]) == 1.0
