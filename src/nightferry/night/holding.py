"""A held night: what an earlier one left open, and what tonight does not do for it."""

from __future__ import annotations

from nightferry.manifest.manifest import Manifest
from nightferry.manifest.plan import Step
from nightferry.night.context import Night
from nightferry.planning.changes import same_metadata
from nightferry.planning.hold import Released, Standing, released_or_standing


def open_hold(manifest: Manifest, files_before: int) -> tuple[Released | None, Standing | None]:
    """What an open hold means for tonight. ``files_before``: files of the copy as it stands."""
    first = manifest.runs.first_open_hold()
    if first is None:
        return None, None
    # What held nights added must not make the share smaller of what is to go.
    return released_or_standing(manifest.runs.open_hold(), files_before - manifest.entries.born_since(first))


def count_withheld(night: Night) -> int:
    """Changes that a held night leaves undone: removed, replaced and moved files, and changed metadata.

    Folders that were held back are counted where they are met (shape.py). A folder whose date alone moved is none.
    """
    totals = night.plan.totals()
    steps = (Step.TOUCHED, Step.RETYPED, Step.REMOVED, Step.MOVED, Step.ALTERED)
    files = sum(totals.get(step, (0, 0, 0))[0] for step in steps)
    folders = 0
    for item in night.plan.items(Step.FOLDER_TOUCHED):
        then = None if item.entry is None else night.manifest.entries.by_id(item.entry)
        if then is not None and not same_metadata(then.stat, item.stat._replace(mtime_ns=then.stat.mtime_ns)):
            folders += 1
    return files + folders
