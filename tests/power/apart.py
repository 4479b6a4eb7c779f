"""A secondary and a state of different moments: what has to come of them, with a person's help where that is asked."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
import tempfile
from datetime import timedelta
from pathlib import Path
from typing import NamedTuple

from crash_world import copy_of, different
from harness import Pair
from power_world import Night, standing

from nightferry.errors import NightferryError
from nightferry.night.run import Result

# These go by their age: the first versions of the drafts in crash_world and power_world.
EXPIRING = {("f", hashlib.sha256(f"{which} draft, first".encode()).digest()) for which in ("old", "young")}


def complete_night(night: Night) -> Result:
    result = night.run()
    assert isinstance(result, Result), f"the night did not begin: {result}"
    assert result.failure is None, result.failure
    assert result.outcome in ("complete", "partial"), result.outcome
    return result


def take_over(night: Night, refused: NightferryError) -> None:
    """As the message says: the state's folder is moved away, and `pair` takes the newer state over."""
    assert f"nightferry pair {night.pair.settings.name}" in str(refused)
    folder = night.pair.state_dir / night.pair.settings.name
    if folder.exists():
        folder.rename(folder.with_name("moved away"))
    night.pair.pair()


def converges(night: Night, had: set[tuple[str, bytes]]) -> None:
    """A night, a day, and a night more, by when all is read back: the copy is the primary's, and nothing is lost.

    Nothing grows old meanwhile that the night before the cut retired.
    """
    settings = night.pair.settings
    night.pair.settings = settings.model_copy(update={"keep_retired": timedelta(days=30)})
    try:
        complete_night(night)
        night.pair.clock.pass_days(1)
        complete_night(night)
    finally:
        night.pair.settings = settings
    found = different(night.primary, copy_of(night.pair))
    assert not found, f"the copy is not the primary: {found[:5]}"
    assert night.pair.staging() == []
    lost = had - standing(night.pair) - EXPIRING
    assert not lost, f"{len(lost)} contents stood on the secondary and do not any more"
    night.check_held_is_known()


class Generations(NamedTuple):
    """By plain SQL, from copies of the databases."""

    of_state: int
    known_sealed: int  # what the state knows the secondary to have
    on_drive: int


def generations(pair: Pair) -> Generations:
    working = _meta(pair.state_dir / pair.settings.name / "manifest.sqlite3")
    sealed = _meta(pair.records / "manifest.sqlite3")
    return Generations(int(working["generation"]), int(working["sealed"]), int(sealed["generation"]))


def _meta(path: Path) -> dict[str, str]:
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / path.name
        for suffix in ("", "-wal"):
            if Path(f"{path}{suffix}").exists():
                shutil.copyfile(f"{path}{suffix}", f"{copy}{suffix}")
        connection = sqlite3.connect(copy)
        try:
            return dict(connection.execute("SELECT key, value FROM meta"))
        finally:
            connection.close()
