"""What ``pair`` is about to do, for a person to look at before anything is written."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from nightferry.manifest.overview import Overview
from nightferry.tree.root import Root
from nightferry.volumes.filesystem import Room, room
from nightferry.volumes.mounts import Mount


@dataclass(frozen=True)
class Side:
    """One drive as found, for a person to look at before it is written to."""

    role: str
    path: Path
    file_system: str
    source: bytes
    room: Room
    names: int  # names at its root, the drive's own left out
    has_card: bool


@dataclass(frozen=True)
class Proposal:
    """What ``pair`` is about to do."""

    pair: str
    # "create" cards and state; "adopt" the state from the secondary; "rebuild" it by reading the secondary, where no
    # sound one is left; "none": it is a pair already
    action: str
    primary: Side | None  # None: it is not there, or another drive is; the pair is taken over with its secondary alone
    secondary: Side
    same_file_system: bool
    generation: int | None = None  # adopt: of the state found on the secondary
    to_read_bytes: int = 0  # rebuild: the most that has to be read
    found: Overview | None = None  # adopt: what that state says
    is_previous: bool = False  # adopt: it is the one sealed before the last, since the last is not sound
    older: int | None = None  # adopt: the generation of an older state here, which is kept aside


def side(role: str, path: Path, root: Root, mount: Mount, *, has_card: bool) -> Side:
    """Looks at one drive. Raises ``OSError``."""
    names = sum(not name.startswith(b".nightferry") and name != b"lost+found" for name in root.names(b""))
    return Side(role, path, mount.file_system, mount.source, room(root.fd, root.effects), names, has_card)
