"""Sentences: what happened, what it means, what to do."""

from __future__ import annotations

import pytest

from nightferry.reporting.audit.changes import Kept, NightReport
from nightferry.reporting.look import words


def report(outcome: str | None, **tally: int) -> NightReport:
    return NightReport("recordings", 12, outcome, "attention", 1000.0, 1090.0, dict(tally))


@pytest.mark.parametrize("outcome", ["complete", "partial", "held", "interrupted", "failed", None])
def test_every_outcome_has_its_meaning(outcome: str | None) -> None:
    found = report(outcome)
    assert words.headline(found).startswith("recordings: night 12, ")
    assert words.meaning(found).endswith(".")
    assert "1 min 30 s" in words.took(found)


def test_a_sound_night_has_no_reasons() -> None:
    assert words.reasons(report("complete", added=5, unsupported=3, other_mounts=1)) == ()


@pytest.mark.parametrize("counter", ["unreadable", "unsettled", "refused", "no_room", "withheld"])
def test_what_was_not_copied_is_a_reason(counter: str) -> None:
    (reason,) = words.reasons(report("partial", **{counter: 1234}))
    assert reason.code == counter and "1,234" in reason.sentence


def test_a_held_night_says_why_and_how_to_go_on() -> None:
    found = report("held", withheld=500)
    found.hold_reasons = ["500 files would be removed", "the primary came up \x1b empty"]
    (reason,) = words.reasons(found)
    assert reason.code == "held"
    assert "500 files would be removed; the primary came up \\x1b empty" in reason.sentence
    assert "nightferry release recordings" in reason.sentence


def test_damage_and_failure() -> None:
    found = report("failed")
    found.failure, found.open_damage = "the secondary reports an error", 2
    assert [each.code for each in words.reasons(found)] == ["failed", "damage"]
    assert words.reasons(found)[0].sentence == "The secondary reports an error."
    assert "2 files are damaged" in words.reasons(found)[1].sentence


def test_kept() -> None:
    found = report("complete")
    assert words.kept(found) is None
    found.kept = Kept(until_s=40 * 86_400.0, at_least_until_s=20 * 86_400.0, nights=30)
    told = words.kept(found)
    assert told is not None and "1970-02-1" in told and "1970-01-2" in told and "30 completed nights" in told
    found.kept = Kept(until_s=40 * 86_400.0, at_least_until_s=40 * 86_400.0, nights=1)
    told = words.kept(found)
    assert told is not None and "should the secondary need room" not in told and "1 completed night " in told


def test_away() -> None:
    assert "3 d 00 h old" in words.away("recordings", 3 * 86_400.0, 14 * 86_400.0)
    assert words.away_too_long(5.0, 0.0) == ""
    assert "once a night was completed" in words.away_too_long(None, 1e6)
