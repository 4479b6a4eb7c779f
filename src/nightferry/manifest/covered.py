"""How much of a pair was read back, and how long ago, as plain values, without the rest of a manifest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

# As the damage register has them: what the secondary holds is the copy, and retired versions beside it.
Place = Literal["primary", "secondary", "retired"]
PLACES: tuple[Place, Place, Place] = ("primary", "secondary", "retired")

_DAY_S = 86_400
# Ages by which readings are sorted in a report: a day, a week, a month, a quarter.
AGE_EDGES_S = (1 * _DAY_S, 7 * _DAY_S, 30 * _DAY_S, 90 * _DAY_S)


@dataclass(frozen=True)
class Coverage:
    """How much of one place was read and found intact, and how long ago. Files only: symlinks have no bytes to rot.

    Attributes:
        files, size_bytes: read within the cycle; of ``files_total``, ``total_bytes``.
        never_files: never read, or last found bad.
        overdue_files, overdue_bytes: not read within the cycle, though they were there when it began.
        oldest_s: Unix time of the oldest reading; None where there was none.
        ages: (files, bytes) by the age of the last reading: younger than each of ``AGE_EDGES_S`` in turn, then older.
            Those never read are in none.
    """

    files: int = 0
    files_total: int = 0
    size_bytes: int = 0
    total_bytes: int = 0
    never_files: int = 0
    overdue_files: int = 0
    overdue_bytes: int = 0
    oldest_s: float | None = None
    ages: tuple[tuple[int, int], ...] = ((0, 0),) * (len(AGE_EDGES_S) + 1)

    @property
    def share(self) -> float:
        """Of the bytes, read within the cycle."""
        return 1.0 if self.total_bytes == 0 else self.size_bytes / self.total_bytes
