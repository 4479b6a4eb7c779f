"""Rehearsals for tests: made by hand or by the engine alone, and their reports checked against the published schema."""

from __future__ import annotations

import json
import os
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from harness import Pair

from drives import run
from nightferry.night.context import Stop, Unwatched
from nightferry.recovery.rehearsing import restored
from nightferry.recovery.rehearsing.by_hand import Made, rehearse_pair
from nightferry.recovery.rehearsing.record import new_rehearsal
from nightferry.recovery.rehearsing.rehearsal import rehearse
from nightferry.recovery.rehearsing.result import Rehearsal
from nightferry.reporting.screens.rehearsal_json import as_json, schema
from nightferry.reporting.screens.rehearsal_text import render
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects


def check_report(document: dict[str, Any]) -> None:
    """By the jsonschema library, which knows JSON Schema 2020-12 and nothing of nightferry."""
    checker = jsonschema.Draft202012Validator
    checker.check_schema(schema())
    checker(schema()).validate(document)


def by_hand(pair: Pair, share: float | None = None, *, seed: int = 1, stop: Stop | None = None, **given: Any) -> Made:
    """What `nightferry rehearse` does; its report is checked."""
    made = rehearse_pair(
        pair.settings, pair.state_dir, share, render, given.get("progress") or Unwatched(),
        given.get("effects") or Effects(), pair.clock, stop or Stop(pair.clock), seed=seed,
    )  # fmt: skip
    check_report(as_json(made.rehearsal))
    return made


def engine(settings: PairSettings, *, share: float = 0.01, seed: int = 1, clock: Any, **given: Any) -> Rehearsal:
    """The restore test itself: without a lock, a state, or anything else than the secondary."""
    rehearsal = new_rehearsal(settings, 1, clock.now_s(), share, seed=seed)
    rehearse(
        settings, rehearsal, given.get("effects") or Effects(), clock, Unwatched(),
        given.get("should_stop") or (lambda: False),
    )  # fmt: skip
    check_report(as_json(rehearsal))
    return rehearsal


def reports(folder: Path) -> list[str]:
    return sorted(name for name in os.listdir(folder) if name.startswith("rehearsal-"))


def read_report(folder: Path, stamp: str) -> dict[str, Any]:
    found = json.loads((folder / f"rehearsal-{stamp}.json").read_text(encoding="ascii"))
    check_report(found)
    return found


def left_in_scratch() -> list[str]:
    return [name for name in os.listdir("/dev/shm") if name.startswith("nightferry-rehearsal-")]


@contextmanager
def keeping(monkeypatch: pytest.MonkeyPatch, folder: Path):
    """Within the block, all that is restored is copied with ``cp -a`` before it is removed: to be compared."""
    folder.mkdir()
    empty = restored.empty

    def copy_first(scratch: Path, effects: Effects) -> None:
        if (scratch / "restored").exists():
            run("cp", "-a", f"{scratch}/restored/.", f"{folder}/")
        empty(scratch, effects)

    with monkeypatch.context() as patched:
        patched.setattr(restored, "empty", copy_first)
        yield folder
