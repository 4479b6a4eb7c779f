"""What the secondary's file system can hold, kept from one night to the next.

It is tried out at the start of each night, with files of a few bytes. A drive that others filled to the last block
takes not even those; then what the last night found is taken, so that the night can begin and let retired versions go.
"""

from __future__ import annotations

import dataclasses
import errno
import json
import os

from nightferry.manifest.manifest import Manifest
from nightferry.volumes.capabilities import Capabilities

NO_ROOM_ERRORS = frozenset({errno.ENOSPC, errno.EDQUOT})
_KEY = "capabilities"


def remember(manifest: Manifest, found: Capabilities, file_system: str) -> None:
    """Writes only where something changed: a quiet night leaves the system disk alone. Raises ``Failed``."""
    text = json.dumps({**_asked_by(file_system), **dataclasses.asdict(found)}, sort_keys=True)
    if manifest.database.meta(_KEY) != text:
        with manifest.database.transaction():
            manifest.database.set_meta(_KEY, text)


def remembered(manifest: Manifest, file_system: str) -> Capabilities | None:
    """What the last night found on a file system of this type, as this user; None where that is not known."""
    try:
        said = json.loads(manifest.database.meta(_KEY) or "")
        asked_by = _asked_by(file_system)
        if any(said.pop(key) != value for key, value in asked_by.items()):
            return None
        fields = {each.name: int if each.name == "time_granularity_ns" else bool for each in _FIELDS}
        if said.keys() != fields.keys() or any(type(said[name]) is not kind for name, kind in fields.items()):
            return None  # of another version of nightferry
    except (ValueError, KeyError, AttributeError, TypeError):
        return None
    return Capabilities(**said)


_FIELDS = dataclasses.fields(Capabilities)


def _asked_by(file_system: str) -> dict[str, object]:
    return {"file_system": file_system, "as_root": os.geteuid() == 0}
