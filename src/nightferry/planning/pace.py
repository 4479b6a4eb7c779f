"""How long a night takes, from what earlier nights took."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

# A sum over this many nights: one night slowed down by somebody's film does not tell the pace of a drive.
NIGHTS = 30


@dataclass(frozen=True)
class Measured:
    """One earlier run: what its copy phase wrote, and how long the phases took. Seconds and bytes."""

    files: int
    size_bytes: int
    copy_s: float
    whole_s: float


def copy_seconds(files: int, size_bytes: int, earlier: Iterable[Measured]) -> float | None:
    """How long copying takes at the pace of earlier runs; None where none of them copied anything.

    Small files are bound by the number of files and large ones by their bytes: the slower of both rates counts.
    """
    useful = [run for run in earlier if run.copy_s > 0 and run.files > 0]
    if not useful:
        return None
    copy_s = sum(run.copy_s for run in useful)
    files_s = files * copy_s / sum(run.files for run in useful)
    all_bytes = sum(run.size_bytes for run in useful)
    return max(files_s, size_bytes * copy_s / all_bytes if all_bytes else 0.0)
