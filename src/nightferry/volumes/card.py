"""The identity card: a small file at the root of each drive that says which pair it belongs to, and as what.

A drive's place in /dev, its label and its mount point can all change or be those of another drive; the card is what a
run goes by. Whoever finds the drive can read it, so it is TOML. It is input like any file on a drive: nothing in it is
believed before it is checked.
"""

from __future__ import annotations

import os
import tomllib
import uuid
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any, Literal

from nightferry.errors import WrongDrive

CARD_NAME = b".nightferry-volume.toml"
# A file on its way back to the primary, for the time that `mend` takes.
MENDING_NAME = b".nightferry-mending"
# A file that it is about to replace, where names cannot be exchanged.
DISPLACED_NAME = b".nightferry-displaced"
FORMAT = 1

Role = Literal["primary", "secondary"]

CARD_LIMIT_BYTES = 64 * 1024
_PAIRS_LIMIT = 64
_NAME_LIMIT = 200
_FILESYSTEM_LIMIT = 64

_HEAD = """\
# This drive belongs to a pair that nightferry keeps: a drive that people use, and a second one
# that holds its independent copy. This file says which of them it is.
# Do not delete it and do not copy it to another drive: without it, or with a copy of it,
# nightferry takes the drive for a wrong one and makes no more backups.
# On the second drive, everything is in the folder "copy", as ordinary files.
"""


@dataclass(frozen=True, slots=True)
class PairEntry:
    """One pair that a drive belongs to. ``partner`` is the volume id of the other drive. Ids are UUID texts."""

    id: str
    name: str
    role: Role
    partner: str


@dataclass(frozen=True, slots=True)
class Card:
    """What a card says.

    ``filesystem`` is the file system's own identifier, empty where there is none to know. ``inode`` is the inode number
    of the card file itself, 0 where the file system does not keep such numbers: both tell a copied card.
    """

    volume: str
    created: datetime
    filesystem: str
    inode: int
    pairs: tuple[PairEntry, ...]


def new_id() -> str:
    """A fresh random identifier for a pair or a volume (UUID version 4, RFC 9562)."""
    return str(uuid.uuid4())


# --- text ---------------------------------------------------------------------------------------------------------


def _quoted(text: str) -> str:
    """A TOML basic string (toml.io, v1.0.0, "String"): backslash, quote and control characters are escaped."""
    out = []
    for c in text:
        if c in '\\"':
            out.append("\\" + c)
        elif ord(c) < 0x20 or ord(c) == 0x7F:
            out.append(f"\\u{ord(c):04X}")
        else:
            out.append(c)
    return '"' + "".join(out) + '"'


def encode(card: Card) -> bytes:
    """The card's file content.

    Raises:
        ValueError: the card holds something that a card may not.
    """
    created = card.created.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="seconds") + "Z"
    lines = [
        _HEAD,
        f"format = {FORMAT}",
        f"volume = {_quoted(card.volume)}",
        f"created = {created}",
        f"filesystem = {_quoted(card.filesystem)}",
        f"inode = {card.inode}",
    ]
    for pair in card.pairs:
        lines += [
            "",
            "[[pair]]",
            f"id = {_quoted(pair.id)}",
            f"name = {_quoted(pair.name)}",
            f"role = {_quoted(pair.role)}",
            f"partner = {_quoted(pair.partner)}",
        ]
    content = ("\n".join(lines) + "\n").encode("utf-8")
    decode(content)  # never write what the next run would refuse to read
    return content


class NewerFormatError(ValueError):
    """A card of a format that this version does not know."""


def _take(table: dict[str, Any], key: str, kind: type) -> Any:
    if key not in table:
        raise ValueError(f"{key} is missing")
    value = table.pop(key)
    # bool is an int to Python, not to TOML.
    if not isinstance(value, kind) or isinstance(value, bool):
        raise ValueError(f"{key} is not of the type {kind.__name__}")
    return value


def _take_id(table: dict[str, Any], key: str) -> str:
    text = str(_take(table, key, str))
    try:
        if str(uuid.UUID(text)) == text:
            return text
    except ValueError:
        pass
    raise ValueError(f"{key} is not a UUID in lower case")


def _take_text(table: dict[str, Any], key: str, limit: int) -> str:
    text = str(_take(table, key, str))
    if len(text) > limit or not text.isprintable():
        raise ValueError(f"{key} is longer than {limit} characters, or not printable")
    return text


def _nothing_left(table: dict[str, Any]) -> None:
    # A key that was dropped here would be lost when the card is written again: so a new key means a new format.
    if table:
        raise ValueError("there is a key that no card has")


def _pair(table: object) -> PairEntry:
    if not isinstance(table, dict):
        raise ValueError("pair is not a list of tables")
    entry_id = _take_id(table, "id")
    name = _take_text(table, "name", _NAME_LIMIT)
    if not name:
        raise ValueError("name is empty")
    role = _take(table, "role", str)
    if role not in ("primary", "secondary"):
        raise ValueError('role is neither "primary" nor "secondary"')
    partner = _take_id(table, "partner")
    _nothing_left(table)
    return PairEntry(entry_id, name, role, partner)


def decode(content: bytes) -> Card:
    """The card that a file content holds.

    Raises:
        ValueError: it is not a card; the text says what is wrong, without quoting the content.
    """
    if len(content) > CARD_LIMIT_BYTES:
        raise ValueError(f"it is larger than {CARD_LIMIT_BYTES} bytes")
    try:
        table = tomllib.loads(content.decode("utf-8"))
    except (ValueError, RecursionError, OverflowError) as error:
        raise ValueError("it is not TOML") from error
    number = _take(table, "format", int)
    if number > FORMAT:
        raise NewerFormatError("its format is newer")
    if number != FORMAT:
        raise ValueError("format is not a known number")
    volume = _take_id(table, "volume")
    created = _take(table, "created", datetime)
    if created.tzinfo is None:
        raise ValueError("created has no time zone")
    try:
        created = created.astimezone(UTC)
    except OverflowError as error:
        raise ValueError("created is no time that exists") from error
    filesystem = _take_text(table, "filesystem", _FILESYSTEM_LIMIT)
    inode = _take(table, "inode", int)
    if not 0 <= inode < 1 << 63:
        raise ValueError("inode is out of range")
    entries = table.pop("pair", [])
    _nothing_left(table)
    if not isinstance(entries, list) or len(entries) > _PAIRS_LIMIT:
        raise ValueError(f"pair is not a list of at most {_PAIRS_LIMIT} tables")
    pairs = tuple(_pair(entry) for entry in entries)
    if len({pair.id for pair in pairs}) < len(pairs) or len({pair.name for pair in pairs}) < len(pairs):
        raise ValueError("two pairs have the same id or name")
    if len(pairs) > 1 and any(pair.role == "secondary" for pair in pairs):
        raise ValueError("a secondary belongs to more than one pair")
    if any(pair.partner == volume for pair in pairs):
        raise ValueError("it names its own drive as the partner")
    return Card(volume, created, filesystem, inode, pairs)


# --- questions ----------------------------------------------------------------------------------------------------


def with_pair(card: Card, entry: PairEntry) -> Card:
    """The card with a pair added, or put in the place of the one of the same name.

    Raises:
        WrongDrive: the drive already is a secondary, or would become one beside another pair.
    """
    others = tuple(pair for pair in card.pairs if pair.name != entry.name and pair.id != entry.id)
    if others and (entry.role == "secondary" or any(pair.role == "secondary" for pair in others)):
        raise WrongDrive(
            f'The drive already belongs to the pair "{others[0].name}" as its {others[0].role}; a drive can be the '
            "secondary of one pair only, so use another drive."
        )
    return replace(card, pairs=(*others, entry))


def elsewhere(card: Card, file_inode: int, filesystem_uuid: str | None) -> str | None:
    """Why a card cannot have been written on the drive it was found on; None where nothing speaks against it.

    A pure part of :func:`nightferry.volumes.cardfile.moved_from_elsewhere`.
    """
    if card.filesystem and filesystem_uuid and card.filesystem != filesystem_uuid:
        return f"it was written on the file system {card.filesystem}, and this one is {filesystem_uuid}"
    if card.inode and card.inode != file_inode:
        return f"it was written as the file number {card.inode}, and here it is number {file_inode}"
    return None


def path_in(root: str) -> str:
    """How a message names the card of a drive."""
    return os.path.join(root, CARD_NAME.decode())
