"""Whether two drives are the ones a pair was made of: decided from what was found, before anything is written."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from nightferry.errors import AbsentDrive, WrongDrive, WrongUse
from nightferry.units import show_text
from nightferry.volumes.card import Card, PairEntry, Role
from nightferry.volumes.mounts import Relation


def _shown(path: Path) -> str:
    return show_text(str(path))


@dataclass(frozen=True, slots=True)
class Found:
    """What was found at one configured path.

    ``moved`` is what :func:`nightferry.volumes.cardfile.moved_from_elsewhere` said.
    """

    path: Path
    is_mount_point: bool
    card: Card | None
    moved: str | None = None


def verify_apart(name: str, primary: Path, secondary: Path, relation: Relation) -> None:
    """Refuses a pair whose two paths lead to overlapping places.

    Args:
        relation: of the primary to the secondary.

    Raises:
        WrongUse: they are not apart.
    """
    if relation == "apart":
        return
    words = {"same": "is the same folder as", "inside": "lies inside", "contains": "contains"}
    raise WrongUse(
        f'The primary of the pair "{name}", {_shown(primary)}, {words[relation]} its secondary, {_shown(secondary)}; '
        "configure two separate drives."
    )


def verify_mounted(name: str, role: Role, path: Path, is_mount_point: bool) -> None:
    """Refuses a path where no drive is mounted: a copy written there would fill the system disk.

    Raises:
        AbsentDrive: nothing is mounted at the path itself.
    """
    if not is_mount_point:
        raise AbsentDrive(
            f'Nothing is mounted at {_shown(path)}, the {role} of the pair "{name}"; plug in and mount that drive, or '
            "set require_mount = false if a plain folder is meant.",
            role,
        )


def _entry(card: Card | None, name: str) -> PairEntry | None:
    return next((pair for pair in card.pairs if pair.name == name), None) if card else None


def verify_pair(name: str, primary: Found, secondary: Found, relation: Relation, *, require_mount: bool) -> PairEntry:
    """Makes sure that the two paths hold the two drives of the pair, each in its role.

    Args:
        name: of the pair in the configuration.
        relation: of the primary's path to the secondary's.
        require_mount: whether both paths must be mount points.

    Returns the pair's entry on the primary's card.

    Raises:
        WrongUse: the paths overlap.
        WrongDrive: anything else is not as it must be.
    """
    verify_apart(name, primary.path, secondary.path, relation)
    if require_mount:
        verify_mounted(name, "primary", primary.path, primary.is_mount_point)
        verify_mounted(name, "secondary", secondary.path, secondary.is_mount_point)
    entry_1, entry_2 = _entry(primary.card, name), _entry(secondary.card, name)
    for found, entry, role in ((primary, entry_1, "primary"), (secondary, entry_2, "secondary")):
        if entry is not None and entry.role != role:
            raise WrongDrive(
                f'The drive at {_shown(found.path)} is the {entry.role} of the pair "{name}" and is configured as its '
                f"{role}; swap primary and secondary in the configuration, or the drives."
            )
    card_1 = _own_card(name, primary, "primary")
    card_2 = _own_card(name, secondary, "secondary")
    if card_1.volume == card_2.volume:
        raise WrongDrive(
            f"The drives at {_shown(primary.path)} and {_shown(secondary.path)} carry the same volume id, "
            f"{card_1.volume}: one is an image of the other; plug in the two drives of the pair, or remove the card "
            f"from the image and run `nightferry pair {name}`."
        )
    if entry_1 is None:
        raise _foreign(name, primary.path, card_1, "primary", _about_primary(name, card_1, secondary, entry_2))
    if entry_2 is None:
        raise _foreign(name, secondary.path, card_2, "secondary", _OTHER_SECONDARY)
    if entry_1.id == entry_2.id and entry_1.partner == card_2.volume and entry_2.partner != card_1.volume:
        # In this order `restore --new-primary` writes the two cards; and a drive that had its place may come back.
        raise WrongDrive(
            f"The drives at {_shown(primary.path)} and {_shown(secondary.path)} both belong to a pair named "
            f'"{name}", but not to each other, since the secondary names another primary: plug that one in; or, if '
            f"this is a new one that is not filled to its end, give `nightferry restore {name} --new-primary` again."
        )
    if entry_1.id != entry_2.id or entry_1.partner != card_2.volume or entry_2.partner != card_1.volume:
        raise WrongDrive(
            f"The drives at {_shown(primary.path)} and {_shown(secondary.path)} both belong to a pair named "
            f'"{name}", but not to each other; plug in the drive that belongs to {_shown(primary.path)}. {_OTHER_NAME}'
        )
    return entry_1


def _own_card(name: str, found: Found, role: Role) -> Card:
    """The card, once it is known to be there and to be written for this drive."""
    if found.card is None:
        raise WrongDrive(
            f"The drive at {_shown(found.path)} has no identity card, so it is not known as the {role} of the pair "
            f'"{name}"; plug in the right drive, or run `nightferry pair {name}` if it is new.'
        )
    if found.moved is not None:
        raise WrongDrive(
            f"The identity card at {_shown(found.path)} was copied there from another drive: {found.moved}; "
            f"plug in the {role} of the pair, or, if this drive is to take its place, delete the card and run "
            f"`nightferry pair {name}`."
        )
    return found.card


# Both hold for `pair` as for a night: neither takes a drive that is part of another pair already.
_OTHER_NAME = (
    "A second copy of that primary is a pair of its own: under another name, with a drive that has no identity card."
)
_OTHER_SECONDARY = f"A drive that belongs to another pair cannot become the secondary of this one. {_OTHER_NAME}"


def _about_primary(name: str, card: Card, secondary: Found, known: PairEntry | None) -> str:
    """What to do with a primary that is none of this pair. ``known``: the secondary's entry of it."""
    if known is None:
        return (
            f"Nor is the drive at {_shown(secondary.path)} of that pair, and it has an identity card: to make a new"
            f" pair of this primary, mount a drive without one there and run `nightferry pair {name}`."
        )
    if any(each.role == "secondary" for each in card.pairs):
        return "This drive holds the copy of another pair, so it cannot become a primary."
    return (
        f"Where this drive is to take the place of a primary that is gone for good: `nightferry restore {name}"
        " --new-primary`."
    )


def _foreign(name: str, path: Path, card: Card, role: Role, otherwise: str) -> WrongDrive:
    pairs = ", ".join(f'"{pair.name}"' for pair in card.pairs[:5]) or "no pair at all"
    return WrongDrive(
        f'The drive at {_shown(path)} belongs to {pairs}, not to the pair "{name}"; plug in the {role} of "{name}".'
        f" {otherwise}"
    )
