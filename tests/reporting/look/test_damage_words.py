"""Damage in sentences: what happened that night, what became of it since, and what it says of the drive."""

from __future__ import annotations

import pytest

from nightferry.manifest.night_findings import DamageStory
from nightferry.planning.recurring_damage import DriveDamage
from nightferry.reporting.audit.changes import NightReport
from nightferry.reporting.look.damage_words import became_since, damaged, drive_record, drive_signs


def story(side: str, closed: int | None = None, became: str | None = None, *, by_hand: bool = False) -> DamageStory:
    return DamageStory(b"01 kyrie.wav", side, "decayed", "bits", 12, closed, became, 1000.0, by_hand)


def report(*sides: str, still: int | None = None, drives: list[DriveDamage] | None = None) -> NightReport:
    found = NightReport("recordings", 12, "complete", "attention", 1000.0, 1090.0, {})
    found.open_damage, found.damage = len(sides), [story(side) for side in sides]
    found.still_damaged, found.drive_damage = still, drives or []
    return found


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (report("primary"), "1 file on the primary is damaged: it is not what was written, and nobody changed it."),
        (report("primary", "primary"), "2 files on the primary are damaged: they are not what was written"),
        (report("secondary"), "1 copy on the secondary is damaged or missing, and could not be mended yet."),
        (report("retired", "retired"), "2 older versions in retired/ are damaged."),
        (report("primary", "secondary"), "1 file is damaged on both drives: the content changed"),
        (report("primary", "secondary", "retired"), "2 files are damaged, 1 of them on both drives: the content"),
        (report("primary", "retired"), "2 files are damaged: the content changed"),
        (report("primary", still=0), "1 name was damaged when it ended; all are mended or accepted since."),
        (report("primary", "primary", still=1), "2 names were damaged when it ended, and 1 still is."),
        (report("primary", still=1), "1 file on the primary is damaged"),
    ],
)
def test_where_it_is_and_whether_it_still_is(given: NightReport, said: str) -> None:
    told = damaged(given)
    assert said in told
    assert ("`nightferry mend recordings`" in told) is (given.still_damaged != 0)


def test_what_became_of_it_since() -> None:
    assert became_since(story("primary")) == ""
    assert became_since(story("secondary", 14, "mended from the primary")) == (
        "since then, in night 14: mended from the primary"
    )
    told = became_since(story("primary", 12, "mended: \x1b[31mput back", by_hand=True))
    assert told == r"since then, after night 12: mended: \x1b[31mput back"


@pytest.mark.parametrize(
    ("found", "parts"),
    [
        (DriveDamage("secondary", 1, 1, 1, 1), ("mended it from the primary", "nothing has to be done")),
        (DriveDamage("secondary", 3, 3, 3, 1), ("mended them", "None did there in the 90 days before", "replacing")),
        (DriveDamage("secondary", 1, 1, 5, 4), ("In 90 days that makes 5, found by 4 nights", "preflight recordings")),
        (DriveDamage("secondary", 3, 2, 3, 1), ("mended 2 of them",)),
        (DriveDamage("primary", 1, 0, 2, 2), ("1 file on the primary had gone bad. In 90 days that makes 2",)),
    ],
)
def test_one_bad_file_is_chance_and_more_are_a_sign(found: DriveDamage, parts: tuple[str, ...]) -> None:
    (told,) = drive_signs(report(drives=[found]))
    assert all(part in told for part in parts), told
    assert ("replacing" in told) is found.is_sign


def test_a_night_that_found_nothing_says_nothing_of_the_drive_at_its_top() -> None:
    assert drive_signs(report(drives=[DriveDamage("secondary", 0, 0, 5, 4)])) == []
    assert drive_signs(report("primary", drives=[DriveDamage("primary", 1, 0, 1, 1)])) == []  # it is a reason already
    assert "5 files went bad on it, found by 4 nights" in drive_record(DriveDamage("secondary", 0, 0, 5, 4))
