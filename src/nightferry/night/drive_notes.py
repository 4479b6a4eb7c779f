"""What the drives said of themselves at the end of a night, kept in its summary for whoever makes a report of it."""

from __future__ import annotations

from nightferry.night.error_counts import Devices
from nightferry.night.readiness import Sources, of_drives

# Of two drives behind some hubs there are some ten; a machine with many disks below one file system has more.
_LIMIT = 40
_KEPT = ("about", "code", "found", "meaning", "todo")


def notes(devices: Devices, sources: Sources | None = None) -> list[dict[str, str]]:
    """Findings as texts, under ``about``, ``code``, ``state``, ``found``, ``meaning`` and ``todo``. Never raises."""
    return [
        {"state": each.state.value, **{key: getattr(each, key) for key in _KEPT}}
        for each in of_drives(devices, sources or Sources())[:_LIMIT]
    ]
