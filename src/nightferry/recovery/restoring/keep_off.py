"""Where a restore must not write: on either drive of any pair, however the path to it is spelled."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from nightferry.errors import WrongUse
from nightferry.tree.effects import Effects
from nightferry.units import show_name, show_text
from nightferry.volumes.card import CARD_NAME
from nightferry.volumes.mounts import mount_of, read_mounts, relation


class Guarded(NamedTuple):
    """One place to keep off."""

    path: Path
    what: str  # such as: the primary of the pair "recordings"


def check_target(into: Path, guarded: Iterable[Guarded], effects: Effects) -> None:
    """Refuses a target that lies on a drive of a pair, or that such a drive lies in.

    Seen through symlinks and bind mounts. ``guarded`` are known by their paths, which need not be mounted; besides,
    every drive that carries an identity card is kept off, whichever pair and box it belongs to.

    Raises ``WrongUse``.
    """
    shown = show_text(str(into))
    place = _nearest_that_is_there(into)
    for each in guarded:
        found = relation(into, each.path)
        if found == "apart":
            continue
        how = {"same": "is", "inside": "lies on", "contains": "contains"}[found]
        raise WrongUse(
            f"{shown} {how} {each.what}, {show_text(str(each.path))}, and a restore writes to no drive of a pair:"
            " restore into a folder elsewhere, look at what came, and copy from there what you want to have back."
        )
    for folder in _above(place):
        if _has_card(folder, effects):
            raise WrongUse(
                f"{shown} lies on the drive at {show_name(folder)}, which has an identity card and so belongs to a"
                " pair, and a restore writes to no drive of a pair: restore into a folder elsewhere."
            )


def _nearest_that_is_there(into: Path) -> bytes:
    real = os.path.realpath(os.fsencode(into))
    while not os.path.exists(real) and real != b"/":
        real = os.path.dirname(real)
    return real


def _above(real: bytes) -> list[bytes]:
    """The folders on the way to a place, and the tops of its drive wherever that is mounted."""
    found = [real]
    while found[-1] != b"/":
        found.append(os.path.dirname(found[-1]))
    device = mount_of(Path(os.fsdecode(real))).device
    inner = _inside(real)
    for mount in read_mounts():
        top = mount.root.rstrip(b"/")
        if mount.device == device and (inner == mount.root or inner.startswith(top + b"/")):
            found.append(mount.mount_point)
    return found


def _inside(real: bytes) -> bytes:
    """The path within its file system, whatever part of that is mounted."""
    mount = mount_of(Path(os.fsdecode(real)))
    rest = real[len(mount.mount_point.rstrip(b"/")) :]
    return (mount.root.rstrip(b"/") + rest).rstrip(b"/") or b"/"


def _has_card(folder: bytes, effects: Effects) -> bool:
    try:
        effects.stat(os.path.join(folder, CARD_NAME), follow_symlinks=False)
    except OSError:
        return False
    return True
