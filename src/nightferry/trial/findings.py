"""What the story looks up on the drives and in the manifest, and the tool it copies back with."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path

from nightferry.reporting.audit.changes import ADDED, CHANGED, MOVED, REMOVED, Change, Changes, night_report
from nightferry.trial.stage import PAIR, Stage
from nightferry.units import show_name

_COPY_LIMIT_S = 120
_SHOWN_NAMES = 4


def held(stage: Stage, run: int) -> dict[bytes, bytes]:
    """Where the versions that a run displaced are kept: path -> path on the secondary."""
    manifest = stage.manifest()
    try:
        return {
            manifest.past.path_as_of(past.parent, past.name, past.until - 1): os.path.join(b"retired", past.held)
            for past in manifest.past.of_run(run)
            if past.held is not None
        }
    finally:
        manifest.close()


def changes(stage: Stage, run: int) -> list[Change]:
    """What a run added, changed, moved and removed, as the audit has it: files, and folders that moved."""
    manifest = stage.manifest()
    try:
        return [
            change
            for change in Changes(manifest, run)
            if change.kind == MOVED or (change.kind in (ADDED, CHANGED, REMOVED) and not change.is_folder)
        ]
    finally:
        manifest.close()


def hold_is_open(stage: Stage) -> bool:
    manifest = stage.manifest()
    try:
        return manifest.runs.open_hold() is not None
    finally:
        manifest.close()


def kept(stage: Stage, run: int) -> tuple[date, int]:
    """Until when at the earliest what a run displaced is kept, and how many completed nights that takes beside."""
    settings, manifest = stage.settings, stage.manifest()
    try:
        then = manifest.runs.by_number(run)
        assert then is not None, "the run has ended and stands in the manifest"
        report = night_report(
            manifest, PAIR, then, keep_s=settings.keep_retired.total_seconds(),
            floor_s=settings.keep_retired_at_least.total_seconds(),
        )  # fmt: skip
    finally:
        manifest.close()
    assert report.kept is not None, "as of every run that has ended"
    return datetime.fromtimestamp(report.kept.until_s, UTC).date(), report.kept.nights


def digest(path: bytes) -> bytes | None:
    """SHA-256 of a file; None where it cannot be read."""
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").digest()
    except OSError:
        return None


def turn_a_bit(path: Path) -> None:
    """Other content of the same size under the same date, as rot leaves it. Raises ``OSError``."""
    before = path.stat()
    with path.open("r+b") as file:
        file.seek(before.st_size // 2)
        (byte,) = file.read(1)
        file.seek(before.st_size // 2)
        file.write(bytes([byte ^ 0x08]))
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def copy_back(copy: Path, primary: Path, folders: Sequence[str]) -> str:
    """Copies folders over those of another tree with an ordinary tool, and says with which. Raises ``OSError``."""
    tool = shutil.which("cp")
    if tool is not None:
        command = [tool, "-a", *(str(copy / folder) for folder in folders), f"{primary}/"]
        done = subprocess.run(command, capture_output=True, timeout=_COPY_LIMIT_S, check=False)
        if done.returncode == 0:
            return "cp -a"
    for folder in folders:
        shutil.copytree(copy / folder, primary / folder, symlinks=True, dirs_exist_ok=True)
    return "Python's shutil, since there is no cp here"


def named(paths: Sequence[bytes]) -> str:
    """Some names for a sentence."""
    shown = ", ".join(show_name(path) for path in paths[:_SHOWN_NAMES])
    return shown + (f" and {len(paths) - _SHOWN_NAMES} more" if len(paths) > _SHOWN_NAMES else "")
