"""`nightferry rehearse`: a restore test now, under the pair's locks."""

from __future__ import annotations

from pathlib import Path

from nightferry.errors import Failed
from nightferry.night.context import Clock, Progress, Stop
from nightferry.night.preflight import sealed_generation, state_folder
from nightferry.recovery.opening import Opened, open_pair
from nightferry.recovery.rehearsing.record import FOUND_BY, enter, new_rehearsal
from nightferry.recovery.rehearsing.rehearsal import rehearse
from nightferry.recovery.rehearsing.reports import Render, leave_reports
from nightferry.recovery.rehearsing.result import Rehearsal
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects

DEFAULT_SHARE = 0.01


class Made:
    """A rehearsal with what else there is to say of it."""

    def __init__(self, rehearsal: Rehearsal, problems: list[str], open_damage: int) -> None:
        self.rehearsal, self.problems, self.open_damage = rehearsal, problems, open_damage

    @property
    def exit_code(self) -> int:
        """1 where somebody has to see to something, or where it was stopped before its end."""
        return 1 if self.rehearsal.is_failure or self.problems or self.rehearsal.stopped == "asked" else 0


def rehearse_pair(
    settings: PairSettings,
    state_dir: Path,
    share: float | None,
    render: Render,
    progress: Progress,
    effects: Effects,
    clock: Clock,
    stop: Stop,
    *,
    seed: int | None = None,
) -> Made:
    """Rehearses, enters what came of it, and leaves the reports. ``share`` None: as the setting says.

    Raises ``Busy``, ``WrongDrive``, ``WrongUse`` and ``Failed``.
    """
    progress.phase("preflight")
    with open_pair(settings, state_dir, FOUND_BY, effects) as opened:
        _refuse_unsealed(opened)
        wanted = share or settings.rehearse_share or DEFAULT_SHARE
        rehearsal = new_rehearsal(settings, opened.last_run, clock.now_s(), wanted, seed=seed)
        rehearse(settings, rehearsal, effects, clock, progress, stop)
        if rehearsal.stopped == "time":
            rehearsal.stopped = "asked"
        enter(opened.manifest, rehearsal)
        folder = state_folder(state_dir, settings.name)
        problems = leave_reports(rehearsal, render, opened.drives.secondary, folder, effects)
        return Made(rehearsal, problems, len(opened.manifest.runs.damage()))


def _refuse_unsealed(opened: Opened) -> None:
    """What a night changed on the drive without sealing it would look like damage."""
    manifest, last = opened.manifest, opened.manifest.runs.last()
    sealed = sealed_generation(opened.drives.secondary, opened.drives.entry.id, opened.manifest.generation)
    behind = sealed is not None and sealed < manifest.generation
    outcome = None if last is None else last.outcome
    if manifest.journal.read() or outcome in (None, "failed") or (outcome == "interrupted" and behind):
        raise Failed(
            "The last run did not get to its end, so that the manifest sealed on the secondary is older than its files,"
            f" and nothing can be told from it: run `nightferry run {opened.settings.name}` first, which finishes it."
        )
