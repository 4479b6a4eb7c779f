from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from nightferry.errors import NightferryError, WrongDrive, WrongUse
from nightferry.volumes.card import Card, PairEntry, new_id
from nightferry.volumes.pairing import Found, verify_pair

PAIR_ID, PRIMARY_ID, SECONDARY_ID = new_id(), new_id(), new_id()
NOW = datetime(2026, 5, 3, tzinfo=UTC)
ON_PRIMARY = PairEntry(PAIR_ID, "recordings", "primary", SECONDARY_ID)
ON_SECONDARY = PairEntry(PAIR_ID, "recordings", "secondary", PRIMARY_ID)
ROTATED = PairEntry(new_id(), "recordings-away", "primary", new_id())
PRIMARY = Found(Path("/srv/recordings"), True, Card(PRIMARY_ID, NOW, "", 0, (ROTATED, ON_PRIMARY)))
SECONDARY = Found(Path("/srv/recordings-second"), True, Card(SECONDARY_ID, NOW, "", 0, (ON_SECONDARY,)))


def verify(
    primary: Found = PRIMARY, secondary: Found = SECONDARY, relation: Any = "apart", mounts: bool = True
) -> PairEntry:
    return verify_pair("recordings", primary, secondary, relation, require_mount=mounts)


def carded(found: Found, **changes: Any) -> Found:
    assert found.card is not None
    return replace(found, card=replace(found.card, **changes))


def test_the_paired_drives_pass() -> None:
    assert verify() == ON_PRIMARY
    assert verify(replace(PRIMARY, is_mount_point=False), mounts=False) == ON_PRIMARY


STRANGER = PairEntry(new_id(), "scores", "secondary", new_id())
P, S = "/srv/recordings", "/srv/recordings-second"


@pytest.mark.parametrize(
    ("arguments", "kind", "says"),
    [
        ({"relation": "same"}, WrongUse, [P, S, "is the same folder as", "configure two separate drives"]),
        ({"relation": "inside"}, WrongUse, [P, S, "lies inside", "configure two separate drives"]),
        ({"relation": "contains"}, WrongUse, [P, S, "contains", "configure two separate drives"]),
        (
            {"primary": replace(PRIMARY, is_mount_point=False)},
            WrongDrive,
            [f"Nothing is mounted at {P}, the primary", "plug in and mount"],
        ),
        (
            # An empty mount point has no card either; the mount is what is to be told.
            {"secondary": replace(SECONDARY, is_mount_point=False, card=None)},
            WrongDrive,
            [f"Nothing is mounted at {S}, the secondary", "plug in and mount", "require_mount = false"],
        ),
        (
            {"primary": replace(PRIMARY, card=None)},
            WrongDrive,
            [f"{P} has no identity card", "as the primary", "run `nightferry pair recordings`"],
        ),
        (
            {"secondary": replace(SECONDARY, card=None)},
            WrongDrive,
            [f"{S} has no identity card", "as the secondary", "run `nightferry pair recordings`"],
        ),
        (
            {"primary": replace(SECONDARY, path=Path(P)), "secondary": replace(PRIMARY, path=Path(S))},
            WrongDrive,
            [f"{P} is the secondary", "configured as its primary", "swap primary and secondary in the configuration"],
        ),
        (
            {"primary": replace(PRIMARY, card=None), "secondary": replace(PRIMARY, path=Path(S))},
            WrongDrive,
            [f"{S} is the primary", "swap primary and secondary in the configuration"],
        ),
        (
            {"secondary": carded(SECONDARY, pairs=(STRANGER,))},
            WrongDrive,
            [f'{S} belongs to "scores", not to the pair "recordings"', 'plug in the secondary of "recordings"'],
        ),
        (
            {"primary": carded(PRIMARY, pairs=())},
            WrongDrive,
            [f'{P} belongs to no pair at all, not to the pair "recordings"', "plug in the primary"],
        ),
        (
            {"secondary": replace(SECONDARY, moved="it was written elsewhere")},
            WrongDrive,
            [
                f"{S} was copied there from another drive: it was written elsewhere",
                "plug in the secondary",
                "delete the card",
            ],
        ),
        (
            {"primary": replace(PRIMARY, moved="it was written elsewhere")},
            WrongDrive,
            [f"{P} was copied there from another drive", "plug in the primary"],
        ),
        (
            {"secondary": carded(SECONDARY, volume=new_id())},
            WrongDrive,
            [P, S, "but not to each other", "plug in the drive that belongs to", "under another name"],
        ),
        (
            {"primary": carded(PRIMARY, volume=new_id())},
            WrongDrive,
            ["but not to each other"],
        ),
        (
            {"secondary": carded(SECONDARY, pairs=(replace(ON_SECONDARY, id=new_id()),))},
            WrongDrive,
            ["but not to each other"],
        ),
        (
            {"secondary": carded(SECONDARY, volume=PRIMARY_ID)},
            WrongDrive,
            [P, S, f"the same volume id, {PRIMARY_ID}", "one is an image of the other"],
        ),
    ],
)
def test_rule_f_each_wrong_drive_is_told_in_a_sentence(
    arguments: dict[str, Any], kind: type[NightferryError], says: list[str]
) -> None:
    with pytest.raises(kind) as caught:
        verify(**arguments)
    message = str(caught.value)
    for part in says:
        assert part in message
    assert message.endswith(".")
    assert "\n" not in message


def test_paths_of_any_bytes_are_shown_safely() -> None:
    with pytest.raises(WrongDrive) as caught:
        verify(replace(PRIMARY, path=Path("/srv/\x1b[2J\udcff\n"), card=None))
    assert str(caught.value).isprintable()


ELSEWHERE = PairEntry(new_id(), "scores", "primary", new_id())
LEADS_BACK = "run `nightferry pair recordings`"


@pytest.mark.parametrize(
    ("primary", "secondary", "says"),
    [
        # The primary of another pair, and the secondary of this one: `pair` takes no new primary, `restore` does.
        (carded(PRIMARY, pairs=(ELSEWHERE,)), SECONDARY, "`nightferry restore recordings --new-primary`"),
        (carded(PRIMARY, pairs=(STRANGER,)), SECONDARY, "so it cannot become a primary"),
        (PRIMARY, carded(SECONDARY, pairs=(ELSEWHERE,)), "under another name, with a drive that has no identity card"),
        (PRIMARY, carded(SECONDARY, volume=new_id()), "under another name, with a drive that has no identity card"),
    ],
)
def test_N_no_advice_leads_back_to_the_same_refusal(primary: Found, secondary: Found, says: str) -> None:
    """Cards of both drives are there and sound, so that `pair` refuses with the very same sentence."""
    with pytest.raises(WrongDrive) as caught:
        verify(primary, secondary)
    assert says in str(caught.value)
    assert LEADS_BACK not in str(caught.value)


def test_N_where_neither_drive_is_of_the_pair_the_way_is_another_secondary() -> None:
    with pytest.raises(WrongDrive) as caught:
        verify(carded(PRIMARY, pairs=(ELSEWHERE,)), carded(SECONDARY, pairs=(STRANGER,)))
    assert f"mount a drive without one there and {LEADS_BACK}" in str(caught.value)
