"""A drive as found, for a person who is asked about it."""

from __future__ import annotations

from nightferry.night.proposal import Side
from nightferry.reporting.audit.changes import counted
from nightferry.units import format_size, show_name, show_text


def drive_rows(side: Side) -> list[tuple[str, str]]:
    """A table of two columns."""
    names = "empty" if side.names == 0 else counted(side.names, "name", "names")
    card = "an identity card (it is in a pair already)" if side.has_card else "no identity card"
    return [
        ("path", show_text(str(side.path))),
        ("device", show_name(side.source)),
        ("file system", show_text(side.file_system)),
        ("size", format_size(side.room.total_bytes)),
        ("free", format_size(side.room.free_bytes)),
        ("at its top", f"{names}, {card}"),
    ]
