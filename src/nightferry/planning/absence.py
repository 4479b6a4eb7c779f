"""Whether a secondary may be away tonight."""

from __future__ import annotations

from dataclasses import dataclass

# The drift of a small box without a clock chip; more than this is a clock that went back.
CLOCK_TOLERANCE_S = 60.0


@dataclass(frozen=True)
class Absence:
    """``age_s``: how old the copy on the absent secondary is; None where nobody can tell."""

    allowed: bool
    age_s: float | None


def absence(last_complete_end_s: float | None, now_s: float, may_be_absent_s: float) -> Absence:
    """Judges an absent secondary by the end of its last complete run (Unix time; None: there was none).

    A pair that never completed a run has no copy that could be of any age. Where the clock says less
    than that run's end, the age is not known, and a copy of unknown age is not young enough.
    """
    if last_complete_end_s is None:
        return Absence(False, None)
    age_s = now_s - last_complete_end_s
    if age_s < -CLOCK_TOLERANCE_S:
        return Absence(False, None)
    age_s = max(0.0, age_s)
    return Absence(may_be_absent_s > 0 and age_s <= may_be_absent_s, age_s)
