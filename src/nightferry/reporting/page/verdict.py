"""The first lines of a morning report: is my data safe, as of when, what it means."""

from __future__ import annotations

from dataclasses import dataclass

from nightferry.reporting.audit.changes import NightReport, counted
from nightferry.reporting.look.words import NOT_COPIED, when
from nightferry.reporting.page.facts import Facts
from nightferry.reporting.standing.rehearsal_status import fact_of, is_failure
from nightferry.reporting.standing.status import ATTENTION, FAILED, SOUND

STATE_WORDS = {SOUND: "Sound", ATTENTION: "Wants attention", FAILED: "Failed"}


@dataclass(frozen=True)
class Verdict:
    """``answer``: to the question whether the data is safe; ``meaning``: a sentence or two below it."""

    answer: str
    meaning: str


def verdict(facts: Facts) -> Verdict:
    """What is said first."""
    as_of = None if facts.protected_as_of_s is None else when(facts.protected_as_of_s)
    if facts.refusal:
        return _refused(as_of, is_failure=facts.state == FAILED)
    report = facts.report
    outcome = None if report is None else report.outcome
    if as_of is None:
        return Verdict(
            "Not yet safe: there is no complete copy.",
            "No night has come to its end with everything copied. What is on the secondary already is listed below.",
        )
    if outcome == "failed":
        return Verdict(
            f"Safe as of {as_of}, and not since.",
            "The last night failed. What it had finished is safe on the secondary; the rest is as the nights before"
            " left it.",
        )
    if outcome == "interrupted" or outcome is None:
        return Verdict(
            f"Safe as of {as_of}; the last night stopped early.",
            "What it had finished is safe on the secondary, and the next night carries on from there.",
        )
    return _held(as_of, released=facts.released) if outcome == "held" else _completed(facts, as_of, outcome)


def _held(as_of: str, *, released: bool) -> Verdict:
    if released:
        return Verdict(
            f"Safe as of {as_of}; what came after comes with the next night.",
            "So much changed at once that the night held it back, and somebody has released it since: the next night"
            " carries it out.",
        )
    return Verdict(
        f"Safe as of {as_of}; what came after waits for you.",
        "So much changed at once that nothing on the secondary was removed or replaced: the copy is as it was before."
        " New files were copied.",
    )


def _refused(as_of: str | None, *, is_failure: bool) -> Verdict:
    if as_of is None:
        return Verdict("Not yet safe: no night could begin.", "Nothing was copied, and nothing was written to a drive.")
    if not is_failure:
        return Verdict(
            f"Safe as of {as_of}; the secondary is away.",
            "It may be away for a time. Nothing is copied until it is back: what was made since stands on the primary"
            " alone.",
        )
    return Verdict(
        f"Safe as of {as_of}, and not since: no night could begin.",
        "Nothing was copied last night, and nothing was written to a drive. The copy is as the last night left it.",
    )


def _completed(facts: Facts, as_of: str, outcome: str) -> Verdict:
    report = facts.report
    assert report is not None
    if damaged := _damaged(facts, report):
        return _but_damage(facts, as_of, damaged)
    if outcome == "partial":
        names = sum(report.tally.get(kind, 0) for kind in NOT_COPIED)
        what = counted(names, "name") if names else "what is named below"
        return Verdict(
            f"Nearly all is safe: {what} could not be copied last night.",
            f"Everything else is on the secondary. All of it was copied as of {as_of}, and older copies of what is"
            " missing are kept.",
        )
    if is_failure(fact_of(report.rehearsal) if facts.after is None else facts.rehearsal):
        return Verdict(
            f"In doubt: copied as of {as_of}, but not all of it could be restored.",
            "The night copied everything. The restore test after it did not get everything back right.",
        )
    if any(note.code == "same_drive" for note in facts.bad_notes):
        return Verdict(
            f"Copied as of {as_of}, but to the same drive.",
            "Everything that is to be copied is there twice. When that drive fails, both are gone.",
        )
    answer = f"Yes, safe as of {as_of}." if facts.state == SOUND else f"Safe as of {as_of}, with something to see to."
    return Verdict(answer, "Everything that is to be copied is on the secondary.")


# By where all open damage is: what is bad on one drive is not lost.
_BUT_DAMAGE = {
    "primary": (
        ("; {} on the primary has gone bad.", "; {} on the primary have gone bad.", "file", "files"),
        "Nothing of it was carried across, and nothing is known against what the secondary has of it.",
    ),
    "secondary": (
        (", but for {} that is bad or missing.", ", but for {} that are bad or missing.", "copy", "copies"),
        "Nothing is known against the primary's own files. The next night mends what this one could not.",
    ),
    "retired": (
        (", but for {}.", ", but for {}.", "older version", "older versions"),
        "What went bad was kept in retired/. Today's files and their copies are not touched by that.",
    ),
    "unlisted": (
        ("; {} on the secondary is from no night.", "; {} on the secondary are from no night.", "name", "names"),
        "Somebody, or another program, put something there. Nobody but nightferry should write to that drive.",
    ),
}
_MIXED = (
    (", but for {} with damage.", ", but for {} with damage.", "file", "files"),
    "Content changed that nobody changed, or a copy reads back wrong. Nothing of it was carried across from one drive"
    " to the other.",
)


def _but_damage(facts: Facts, as_of: str, number: int) -> Verdict:
    sides = facts.open_sides
    (of_one, of_many, one, many), meaning = _BUT_DAMAGE.get("".join(sides), _MIXED)  # of several sides it is no key
    said = (of_one if number == 1 else of_many).format(counted(number, one, many))
    return Verdict(f"Safe as of {as_of}{said}", meaning)


def _damaged(facts: Facts, report: NightReport) -> int:
    if facts.open_damage is not None:
        return facts.open_damage
    return report.open_damage if report.still_damaged != 0 else 0
