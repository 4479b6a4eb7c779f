"""Restores called as the command calls them, and looked at by ordinary tools."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from harness import OWN_NAMES, Pair

from compare import differences
from nightferry.night.context import Stop, Unwatched
from nightferry.recovery.restoring.keep_off import Guarded
from nightferry.recovery.restoring.opening import open_alone, open_configured
from nightferry.recovery.restoring.restore import Request, restore
from nightferry.recovery.restoring.restorer import How
from nightferry.recovery.restoring.result import RestoreResult
from nightferry.tree.effects import Effects

STAGING = ".nightferry-restoring"


def restored(
    pair: Pair,
    into: Path,
    *given: str | bytes,
    as_of: str | None = None,
    overwrite: bool = False,
    bad: bool = False,
    alone: bool = False,
    effects: Effects | None = None,
    stop: Stop | None = None,
    progress: object = None,
) -> RestoreResult:
    """What `nightferry restore` does. ``alone``: with nothing but the secondary."""
    effects = effects or Effects()
    guarded = [Guarded(pair.primary, "the primary"), Guarded(pair.secondary, "the secondary")]
    request = Request(into, [os.fsencode(each) for each in given], as_of, How(overwrite, bad), guarded)
    opened = (
        open_alone(pair.secondary, effects, pair=None)
        if alone
        else open_configured(pair.settings, pair.state_dir, effects)
    )
    with opened as source:
        clock = pair.clock
        return restore(source, request, progress or Unwatched(), effects, clock, stop or Stop(clock))  # type: ignore[arg-type]


def unlike(left: Path, right: Path, **flags: object) -> list[str]:
    """Differences between two trees, the drives' own names left out, and what no copy holds."""
    return differences(left, right, **{"exclude": OWN_NAMES, "special": False, **flags})


def names(refusals: object) -> list[bytes]:
    return [each.path for each in refusals.kept]  # type: ignore[attr-defined]


def whole_names(root: Path) -> Sequence[str]:
    """Everything below a folder, for comparing what a call left."""
    return sorted(str(path.relative_to(root)) for path in root.rglob("*"))
