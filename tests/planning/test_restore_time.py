from __future__ import annotations

import random

import pytest
from scipy.stats import linregress

from nightferry.planning.restore_time import GIGABIT_SHARE_BYTES_PER_S, Pace, pace, whole_restore

MIB = 1 << 20


def test_the_line_is_that_of_scipy() -> None:
    rnd = random.Random(3)
    sizes = [rnd.randrange(1, 80 * MIB) for _ in range(300)]
    timed = [(size, 0.004 + size / (90 * MIB) * rnd.uniform(0.8, 1.2)) for size in sizes]
    line = linregress([size for size, _ in timed], [seconds for _, seconds in timed])
    found = pace(timed)
    assert found.rate_bytes_per_s == pytest.approx(1 / line.slope)
    assert found.per_file_s == pytest.approx(line.intercept) or line.intercept < 0


def test_a_start_below_zero_is_none() -> None:
    assert pace([(MIB, 0.001), (10 * MIB, 1.0)]) == Pace(0.0, 11 * MIB / 1.001)


def test_files_of_one_size_give_the_mean_rate() -> None:
    assert pace([(2 * MIB, 0.1), (2 * MIB, 0.3)]) == Pace(0.0, 10 * MIB)


def test_too_little_gives_no_rate() -> None:
    assert pace([]) == Pace(0.0, None)
    assert pace([(10, 0.01), (20, 0.01)]).rate_bytes_per_s is None
    assert whole_restore(5, 100, Pace(0.0, None)).local_s is None


def test_shared_files_over_a_gigabit_network() -> None:
    # About 95 MB/s whatever the drives (common practice, no source). test_links.py has what the frames leave.
    assert pytest.approx(95e6, rel=1e-2) == GIGABIT_SHARE_BYTES_PER_S


def test_the_slower_of_drive_and_network_decides() -> None:
    slow, fast = Pace(0.0, 40e6), Pace(0.001, 400e6)
    assert whole_restore(10, 4 * 10**9, slow) == (10, 4 * 10**9, 100.0, 100.0)
    found = whole_restore(1_000, 4 * 10**9, fast)
    assert found.local_s == pytest.approx(11.0)
    assert found.network_s == pytest.approx(4e9 / GIGABIT_SHARE_BYTES_PER_S)
