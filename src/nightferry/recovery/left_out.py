"""What a night could not copy, so that a restore as of it does not have it: nothing in the target shows that."""

from __future__ import annotations

from nightferry.manifest.manifest import Manifest
from nightferry.night.context import NO_ROOM, UNREADABLE, UNSETTLED, UNSUPPORTED
from nightferry.night.listing import NO_CONTENT
from nightferry.recovery.restoring.selection import Selection
from nightferry.units import format_count, show_name

_KINDS = frozenset({UNSUPPORTED, UNREADABLE, UNSETTLED, NO_ROOM})
_NAMES_SHOWN = 5


def left_out_note(manifest: Manifest, night: int, selection: Selection) -> str | None:
    """One sentence for a person; None where everything that is selected was copied."""
    count, shown = 0, list[str]()
    for each in manifest.runs.left_out(night):
        if each.kind not in _KINDS or each.detail.endswith(NO_CONTENT) or not selection.covers(each.path):
            continue
        count += 1
        if len(shown) < _NAMES_SHOWN:
            shown.append(f"{show_name(each.path)} ({each.detail})")
    if not count:
        return None
    more = f"; and {format_count(count - len(shown))} more" if count > len(shown) else ""
    return (
        f"Night {format_count(night)} did not copy {format_count(count)} {'name' if count == 1 else 'names'}, which so"
        f" are not restored, or only as an earlier night copied them: {'; '.join(shown)}{more}."
    )
