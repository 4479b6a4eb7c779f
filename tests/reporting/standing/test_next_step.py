"""The next useful command, in each situation."""

from __future__ import annotations

import re

import pytest

from nightferry.cli.json_keys import KEYS
from nightferry.cli.main import build_parser
from nightferry.reporting.standing.next_step import _OUT_OF, steps
from nightferry.reporting.standing.status import Reason, Status, moment

FOUND = Status("recordings", "sound", "complete", (), moment(1_800_000_000), moment(1_900_000_000))


def commands(*codes: str, state: str = "attention", **given: object) -> list[str]:
    reasons = tuple(Reason(code, "so it is") for code in codes)
    said = {"status": FOUND, "is_paired": True, "is_busy": False, **given}
    return [each.command for each in steps("recordings", said.pop("status"), state, reasons, **said)]  # type: ignore[arg-type]


def test_the_way_from_nothing_to_the_first_morning() -> None:
    assert commands("no_status", state="failed", status=None, is_paired=False) == ["nightferry pair recordings"]
    assert commands("wrong_drive", state="failed", is_paired=False)[0] == "nightferry pair recordings"
    assert commands("no_status", state="failed", status=None) == [
        "nightferry tonight recordings",
        "nightferry run --without-window recordings",
    ]
    assert commands(state="sound") == ["nightferry lastnight recordings"]


def test_what_is_under_way_comes_first() -> None:
    assert commands("damage", is_busy=True) == ["nightferry status --follow recordings"]


@pytest.mark.parametrize(
    ("code", "first"),
    [
        ("held", "nightferry tonight recordings"),
        ("damage", "nightferry mend recordings"),
        ("absent_secondary", "nightferry preflight recordings"),
        ("secondary_away", "nightferry preflight recordings"),
        ("stale_status", "systemctl status nightferry"),
        ("failed", "nightferry preflight recordings"),
        ("rehearsal", "nightferry rehearse recordings"),
        ("overdue", "nightferry verify recordings"),
        ("no_room", "nightferry plan recordings"),
    ],
)
def test_each_trouble_has_its_command(code: str, first: str) -> None:
    assert commands(code)[0] == first


def test_a_hold_offers_to_look_before_it_offers_to_release() -> None:
    assert commands("held", "damage") == [
        "nightferry tonight recordings", "nightferry release recordings", "nightferry mend recordings",
    ]  # fmt: skip


def test_an_unknown_reason_leads_to_the_last_night() -> None:
    assert commands("of a later version") == ["nightferry lastnight recordings"]


def test_every_documented_reason_has_a_way_out_and_every_command_exists() -> None:
    told = KEYS["status"]["pairs[].reasons[].code"].split(": ", 1)[1]
    for code in re.split(r", ", told):
        if code not in ("no_status", "unsettled", "last_night", "busy"):  # of these a night, or lastnight, sees to it
            assert code in _OUT_OF, code
    for ways in _OUT_OF.values():
        for way in ways:
            if way.command.startswith("nightferry "):
                build_parser().parse_args(way.command.format("recordings").split()[1:])
