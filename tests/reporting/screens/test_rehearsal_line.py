"""A restore test in a line: a statistic where a sample was tried, and no statistic where everything was."""

from __future__ import annotations

from dataclasses import replace

from nightferry.reporting.screens.rehearsal_line import line, proof
from nightferry.reporting.standing.status import RehearsalFact

SAMPLE = RehearsalFact(
    "000012-2026-05-03T023000Z", "2026-05-03T00:30:07Z", "passed", 459, 14 << 30, 0, 0.95, 0.0065, 0.0099, 88 << 20,
    11_000.0, 12_400.0,
)  # fmt: skip


def test_a_sample_says_how_sure_it_makes_one() -> None:
    assert proof(SAMPLE) == "with 95% confidence, at most 0.65% of the files and 1% of the bytes cannot be restored"
    assert line(SAMPLE).startswith("passed, 2026-05-03 ") and line(SAMPLE).endswith("cannot be restored")


def test_where_everything_was_tried_nothing_is_left_to_be_inferred() -> None:
    everything = replace(SAMPLE, files_share=0.0, bytes_share=0.0)
    assert proof(everything) == "everything was tried, and came back right"
    assert "%" not in line(everything)
    assert proof(replace(everything, files=0, bytes=0)) == "there was nothing to restore yet"
    # All of the files, and of the bytes only a sample.
    assert proof(replace(SAMPLE, files_share=0.0)) == (
        "with 95% confidence, at most 0% of the files and 1% of the bytes cannot be restored"
    )


def test_where_nothing_was_shown_nothing_is_said() -> None:
    assert proof(replace(SAMPLE, confidence=None, files_share=None, bytes_share=None)) is None
    impossible = replace(SAMPLE, outcome="impossible", confidence=None)
    assert line(impossible).startswith("the secondary alone was NOT enough, 2026-05-03 ")
