"""The first sentence of a morning: never better than what the night came to."""

from __future__ import annotations

from itertools import product

import pytest

from nightferry.reporting.audit.changes import NightReport
from nightferry.reporting.page.facts import Facts
from nightferry.reporting.page.verdict import verdict


def facts(
    outcome: str | None, state: str, *, refusal: bool = False, as_of: float | None = 1.7e9, damage: int = 0
) -> Facts:
    report = NightReport("recordings", 5, outcome, state, 1.7e9, 1.7e9, {"unreadable": 3}, open_damage=damage)
    return Facts("recordings", state, (), 0.0, 0.0, report, refusal=refusal, protected_as_of_s=as_of)


def test_rule_M_yes_is_said_of_a_sound_complete_night_and_of_nothing_else() -> None:
    outcomes = ("complete", "partial", "held", "interrupted", "failed", None)
    for outcome, state, refusal, as_of, damage in product(
        outcomes, ("sound", "attention", "failed"), (False, True), (None, 1.7e9), (0, 2)
    ):
        said = verdict(facts(outcome, state, refusal=refusal, as_of=as_of, damage=damage))
        is_fine = (outcome, state, refusal, damage) == ("complete", "sound", False, 0) and as_of is not None
        assert said.answer.startswith("Yes") is is_fine, (outcome, state, refusal, as_of, damage)
        if as_of is None:
            assert said.answer.startswith("Not yet safe")
        assert said.meaning


@pytest.mark.parametrize(
    ("given", "part"),
    [
        (facts("failed", "failed"), "and not since"),
        (facts("interrupted", "attention"), "stopped early"),
        (facts("held", "attention"), "waits for you"),
        (facts("partial", "attention"), "3 names could not be copied"),
        (facts("partial", "attention", damage=2), "but for 2 files with damage"),
        (facts("complete", "attention"), "something to see to"),
        (facts("complete", "sound", refusal=True), "the secondary is away"),
        (facts("complete", "failed", refusal=True), "no night could begin"),
    ],
)
def test_what_is_said(given: Facts, part: str) -> None:
    assert part in verdict(given).answer
