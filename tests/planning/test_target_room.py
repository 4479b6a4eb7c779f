"""Whether a restore fits."""

from __future__ import annotations

from nightferry.planning.target_room import Needs, shortfall


def test_each_name_takes_whole_units() -> None:
    needs = Needs(4096)
    for size_bytes in (0, 1, 4096, 4097):
        needs.add(size_bytes)
    assert (needs.names, needs.size_bytes) == (4, (1 + 1 + 1 + 2) * 4096)


def test_shortfall() -> None:
    needs = Needs(4096, names=10, size_bytes=100_000)
    assert shortfall(needs, 100_000, 10) == (0, 0)
    assert shortfall(needs, 99_999, 7) == (1, 3)
    assert shortfall(needs, 0, None) == (100_000, 0)
