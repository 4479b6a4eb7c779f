"""Where reports of rehearsals go: ``records/reports/`` on the secondary, and ``reports/`` beside the state."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping
from pathlib import Path

from nightferry.night.context import RECORDS, STAGING
from nightferry.recovery.rehearsing.result import Rehearsal
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root, join
from nightferry.tree.small_files import leave_files, let_old_go, sync_names

REPORTS = join(RECORDS, b"reports")
IN_STATE = "reports"
# Beyond these the oldest go: three years of one a month.
KEPT_LIMIT = 36

# Texts by the ending of their name, ".json" and ".txt"; made above this layer.
Render = Callable[[Rehearsal], Mapping[str, bytes]]

_STAGED = b".rehearsal-"
_NAME = re.compile(rb"rehearsal-(\d{6,}-[0-9TZ:-]{10,30})\.(?:json|txt)")


def leave_reports(
    rehearsal: Rehearsal, render: Render, secondary: Root, state_folder: Path, effects: Effects
) -> list[str]:
    """Writes both, durably, and lets the oldest go; returns sentences about what could not be written."""
    texts = render(rehearsal)
    problems = []
    try:
        _leave(rehearsal, texts, secondary, REPORTS, STAGING)
    except OSError as error:
        problems.append(f"The report of the rehearsal could not be written to the secondary ({error.strerror}).")
    try:
        fd = effects.open(state_folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        state = Root(fd, effects)
        try:
            _leave(rehearsal, texts, state, IN_STATE.encode(), b"")
        finally:
            state.close()
    except OSError as error:
        problems.append(f"The report of the rehearsal could not be written beside the state ({error.strerror}).")
    return problems


def _leave(rehearsal: Rehearsal, texts: Mapping[str, bytes], root: Root, folder: bytes, staging: bytes) -> None:
    named = {f"rehearsal-{rehearsal.stamp}{ending}".encode("ascii"): text for ending, text in texts.items()}
    leave_files(root, folder, named, staging=staging, mark=_STAGED)
    let_old_go(root, folder, _NAME, KEPT_LIMIT)
    sync_names(root, folder)
