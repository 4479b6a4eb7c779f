"""The sentences of a restore test: no claim beyond what was shown."""

from __future__ import annotations

import doctest
import random

from nightferry.planning.assurance import of_all_bytes, of_bytes, of_files
from nightferry.reporting.screens import rehearsal_words
from nightferry.reporting.screens.rehearsal_line import percent
from nightferry.reporting.screens.rehearsal_words import proved


def test_the_examples_in_the_code() -> None:
    assert doctest.testmod(rehearsal_words).failed == 0


def test_a_percentage_is_never_less_than_the_share() -> None:
    rnd = random.Random(1)
    for _ in range(20_000):
        share = 10 ** rnd.uniform(-7, 0)
        shown = float(percent(share).removesuffix("%"))
        assert share * 100 * (1 - 1e-9) <= shown <= share * 100 * 1.11
    assert [percent(share) for share in (0.01, 0.05, 0.5, 0.005, 1e-5)] == ["1%", "5%", "50%", "0.5%", "0.001%"]


def test_what_is_said_of_a_sample() -> None:
    assert proved(of_files(12_345, 298, 298, 0, 0.01)) == (
        "298 of 12,345 files, drawn blindly, all came back right. With 95% confidence, at most 121 of the 12,345 files"
        " (0.99%) cannot be restored."
    )
    said = proved(of_bytes(1 << 40, 299, 100, 1, 0.01))
    assert "were tried, and 1 of them met one that did not come back right. With 95% confidence" in said
    assert "199 planned and not carried out count as failed here" in said


def test_what_is_said_where_all_was_tried() -> None:
    assert proved(of_files(40, 40, 40, 0, 0.01)) == "All 40 files were tried, and each came back right."
    assert proved(of_files(40, 40, 40, 2, 0.01)) == "All 40 files were tried; 2 did not come back right."
    assert proved(of_all_bytes(1 << 20, 0, 0.01)) == "All of the 1.0 MiB came back right."
    assert proved(of_files(0, 0, 0, 0, 0.01)) == "There are no files of which anything could be said."
