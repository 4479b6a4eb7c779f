"""Fixtures for all tests, and the way to the helpers beside this file (drives.py, compare.py)."""

from __future__ import annotations

import os
import sys
from collections import Counter
from collections.abc import Generator, Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

# Sweeps of faults take longer than the time that a plain run has (sweeps.py): NIGHTFERRY_SWEEPS=1 runs them whole.
# It goes on to the workers of xdist under another name: nightferry refuses variables of its own that it does not know.
if os.environ.pop("NIGHTFERRY_SWEEPS", ""):
    os.environ["SWEEPS"] = "1"

from counts import take_counts
from drives import DriveFactory, missing_privileges

_CASES = "cases of "


@pytest.fixture
def drives(tmp_path: Path) -> Iterator[DriveFactory]:
    """``drives("ext4", 64 * MIB)`` gives a mounted drive; all are taken apart after the test, also when it failed."""
    if why := missing_privileges():
        pytest.skip(why)
    factory = DriveFactory(tmp_path / "drives")
    try:
        yield factory
    finally:
        factory.close()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Those that wait come first: at the end they would keep everybody waiting."""
    items.sort(key=lambda item: item.get_closest_marker("waits") is None)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Where everything is there (`.ci/run` says so), a test that skips does not do its work: that is a failure."""
    report = yield
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("NOTHING_MAY_SKIP"):
        report.outcome = "failed"
        report.longrepr = f"skipped where nothing may skip: {report.longrepr}"
    # Travels with the report, also from the process of a worker.
    report.user_properties += [(_CASES + what, cases) for what, cases in take_counts().items()]
    return report


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """How many faults were made, of each kind."""
    cases: Counter[str] = Counter()
    for reports in terminalreporter.stats.values():
        for report in reports:
            for name, value in getattr(report, "user_properties", ()):
                if name.startswith(_CASES):
                    cases[name.removeprefix(_CASES)] += value
    if cases:
        terminalreporter.section("what was made to fail")
        for what, count in sorted(cases.items()):
            terminalreporter.line(f"{count:8,}  {what}")
