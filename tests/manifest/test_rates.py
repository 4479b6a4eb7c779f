"""Rates of earlier nights, from the summaries that runs left."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
import scipy.stats

from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.rates import history, spread
from nightferry.tree.effects import Effects

MIB = 1 << 20
DAY_S = 86_400


@pytest.fixture
def manifest(tmp_path: Path) -> Iterator[Manifest]:
    made = Manifest.create(tmp_path / FILE_NAME, Effects(), pair_id="0" * 32, pair_name="recordings")
    yield made
    made.close()


def night(manifest: Manifest, number: int, summary: object, outcome: str = "complete") -> None:
    manifest.runs.start(number, f"{number:06d}", number * DAY_S)
    text = summary if isinstance(summary, str) else json.dumps(summary)
    manifest.runs.end(number, number * DAY_S + 60, outcome, text)


def summary(copy_rate: float = 30.0, **more: object) -> dict[str, object]:
    size_bytes = 100 * MIB
    return {
        "rates": {"copy": {"files": 5, "bytes": size_bytes, "s": size_bytes / (copy_rate * MIB)}},
        "reading": {"primary": {"bytes": size_bytes, "s": 2.5}, "secondary": {"bytes": size_bytes, "s": 4.0}},
        "phase_s": {"scan and compare": 3.0},
        "tally": {"added": 4, "changed": 1, "added_bytes": 80, "changed_bytes": 20, "removed_bytes": 10},
        "coverage": {"secondary": {"total_bytes": 1000}, "retired": {"total_bytes": 50}},
        **more,
    }


def test_a_spread_has_the_median_and_the_quartiles() -> None:
    values = [31.0, 29.0, 35.0, 12.0, 30.0, 33.5, 28.0]
    found = spread(values)
    assert found is not None
    low, middle, high = scipy.stats.mstats.mquantiles(values, alphap=1, betap=1)
    assert (found.low, found.median, found.high, found.count) == (
        pytest.approx(low), pytest.approx(middle), pytest.approx(high), 7,
    )  # fmt: skip
    assert spread([]) is None
    assert spread([5.0]) == type(found)(5.0, 5.0, 5.0, 1)


def test_rates_and_averages_of_nights(manifest: Manifest) -> None:
    for number, rate in enumerate((30.0, 32.0, 28.0), start=1):
        night(manifest, number, summary(rate))
    found = history(manifest)
    assert found.copy is not None
    assert (found.copy.median, found.copy.count) == (pytest.approx(30 * MIB), 3)
    assert found.verify_primary is not None
    assert found.verify_primary.median == pytest.approx(40 * MIB)
    assert found.verify_secondary is not None
    assert found.verify_secondary.median == pytest.approx(25 * MIB)
    assert found.read_back is None
    # The first night copied everything, and is no usual one.
    assert (found.nights, found.changed_files, found.changed_bytes, found.displaced_bytes) == (2, 5, 100, 30)
    assert found.scan_s == 3.0
    assert found.held == tuple((number * DAY_S + 60.0, 1050) for number in (1, 2, 3))


def test_rates_only_of_nights_after_a_moment(manifest: Manifest) -> None:
    night(manifest, 1, summary(10.0))
    night(manifest, 2, summary(30.0))
    found = history(manifest, 1.5 * DAY_S)
    assert found.copy is not None
    assert found.copy.median == pytest.approx(30 * MIB)
    assert len(found.held) == 2


def test_small_files_cost_time_of_their_own(manifest: Manifest) -> None:
    small = {"files": 1000, "bytes": 30 * MIB, "s": 6.0}
    rates = {"copy": {"files": 5, "bytes": 100 * MIB, "s": 100 / 30}, "copy_small": small}
    night(manifest, 2, summary(rates=rates))
    assert history(manifest).per_file_s == pytest.approx((6.0 - 1.0) / 1000)


def test_too_little_tells_no_rate(manifest: Manifest) -> None:
    night(manifest, 2, summary(rates={"copy": {"files": 1, "bytes": 5 * MIB, "s": 0.2}}, reading={}))
    found = history(manifest)
    assert (found.copy, found.verify_primary) == (None, None)


@pytest.mark.parametrize(
    "bad",
    ["", "{", "[]", "{}", '{"rates": 3, "reading": "x", "tally": [], "phase_s": 1, "coverage": 2}',
     '{"rates": {"copy": [1]}, "reading": {"primary": 5}, "phase_s": {"scan and compare": "x"}}',
     '{"rates": {"copy": {"bytes": 1e400, "s": 0}}, "tally": {"added": "many"}}'],
)  # fmt: skip
def test_summaries_that_cannot_be_understood_tell_nothing(manifest: Manifest, bad: str) -> None:
    night(manifest, 2, bad)
    found = history(manifest)
    assert (found.copy, found.verify_primary, found.changed_bytes, found.held) == (None, None, 0.0, ())


def test_a_new_pair_has_no_history(manifest: Manifest) -> None:
    found = history(manifest)
    assert (found.copy, found.nights, found.per_file_s, found.scan_s) == (None, 0, 0.0, 0.0)
