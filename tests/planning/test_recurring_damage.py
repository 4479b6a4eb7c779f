"""One bad file says little of a drive; more than one within three months do."""

from __future__ import annotations

import pytest

from nightferry.planning.recurring_damage import DriveDamage


@pytest.mark.parametrize(
    ("lately", "nights", "is_sign"), [(0, 0, False), (1, 1, False), (2, 1, True), (2, 2, True), (40, 1, True)]
)
def test_more_than_one_is_a_sign(lately: int, nights: int, is_sign: bool) -> None:
    assert DriveDamage("secondary", min(1, lately), 0, lately, nights).is_sign is is_sign
