"""What a restore test proved, as numbers: of the files, and of the bytes. ``confidence.py`` has the formulas."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from nightferry.planning.confidence import CONFIDENCE, most_bad, upper_share


@dataclass(frozen=True)
class Assurance:
    """With the probability ``confidence`` or more, no more than ``most`` of ``population`` is unrestorable.

    Attributes:
        counted: files each counting once, or bytes, where a file that fails counts with all of its bytes.
        population: how many files, or bytes.
        planned: draws that the wanted share takes. Where all was restored, the whole population, drawn or not.
        done: of those, restored and compared, from the first on.
        failed: of those, not restored as they should be.
        most: files, or bytes. ``share``: the same as a share.
        wanted_share: what was to be shown.
        is_counted: all of it was tried, so that nothing is inferred.
    """

    counted: Literal["files", "bytes"]
    population: int
    planned: int
    done: int
    failed: int
    most: int
    share: float
    wanted_share: float
    confidence: float = CONFIDENCE
    is_counted: bool = False

    @property
    def is_reached(self) -> bool:
        """Whether fewer than the wanted share can be bad; also where there is nothing that could be."""
        return self.population == 0 or self.share < self.wanted_share

    @property
    def counts_undone(self) -> bool:
        """Whether draws that were not finished count as failures here; see "cut short" in ``confidence.py``."""
        return self.failed > 0 and self.done < self.planned


def of_files(population: int, planned: int, done: int, failed: int, wanted_share: float) -> Assurance:
    """From files drawn without replacement, restored in the order of the draw."""
    drawn, found = _counted(planned, done, failed)
    most = most_bad(population, drawn, found)
    share = most / population if population else 0.0
    return Assurance(
        "files", population, planned, done, failed, most, share, wanted_share, is_counted=done == population
    )


def of_bytes(population: int, planned: int, done: int, failed: int, wanted_share: float) -> Assurance:
    """From single bytes drawn independently, each standing for the file that holds it."""
    drawn, found = _counted(planned, done, failed)
    share = upper_share(drawn, found) if population else 0.0
    return Assurance("bytes", population, planned, done, failed, int(share * population), share, wanted_share)


def of_all_bytes(population: int, wrong_bytes: int, wanted_share: float) -> Assurance:
    """Where every file was restored nothing is left to be inferred. ``wrong_bytes``: of those that failed."""
    share = wrong_bytes / population if population else 0.0
    return Assurance(
        "bytes", population, population, population, wrong_bytes, wrong_bytes, share, wanted_share, is_counted=True
    )


def _counted(planned: int, done: int, failed: int) -> tuple[int, int]:
    return (planned, failed + planned - done) if failed else (done, 0)
