"""Many cuts tried one after the other: how many, with which seed, and what to say of those that failed.

    POWER_CUTS=5000    so many images in all, instead of the few hundred of the continuous integration
    POWER_SEED=7       other places and other choices
    POWER_KEEP=FOLDER  keeps the images of cuts that failed, to be mounted and looked at

A seed chooses places and writes of a log. It is recorded anew each time and is never quite the same: hence the last.
"""

from __future__ import annotations

import os
import random
import traceback
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from crash_images import WAYS, Choice
from file_systems import NotMounted
from power_world import Box

from counts import count_case

CUTS = int(os.environ.get("POWER_CUTS", "0"))
SEED = int(os.environ.get("POWER_SEED", "1"))
KEEP = os.environ.get("POWER_KEEP")
SHOWN = 5
# Of 100 images with sectors of 512 bytes torn, so many may have lost the file system itself.
LOST_LIMIT = 5

Cut = tuple[int, Choice]


def how_many(in_ci: int, share: float) -> int:
    """``share``: this test's of all images that POWER_CUTS asks for."""
    return max(in_ci, round(CUTS * share))


def choices(box: Box, chance: random.Random) -> list[Choice]:
    """One for each disk."""
    return [
        Choice(chance.choice(WAYS), chance.randrange(1 << 32), chance.choice(system.sectors_bytes))
        for system in box.systems
    ]


class Sweep:
    def __init__(self, what: str, box: Box) -> None:
        self._what, self._box = what, box
        self._seen: set[object] = set()
        self.tried: Counter[str] = Counter()
        self.failed: list[str] = []

    def attempt(self, secondary: Cut, state: Cut, check: Callable[[], None]) -> None:
        """Runs a check over a pair of images, unless the same two were there before."""
        print_of_it = self._box.fingerprint(secondary, state)
        if print_of_it in self._seen:
            self.tried["the same image again"] += 1
            return
        self._seen.add(print_of_it)
        self.tried["images"] += 1
        count_case(self._what)
        try:
            check()
        except NotMounted as error:
            small = any(
                choice.way in ("torn", "last torn") and choice.sector_bytes < 4096 for _, choice in (secondary, state)
            )
            if small:
                self.tried["not mounted"] += 1
            else:
                self._fail(secondary, state, str(error))
        except Exception as error:  # one that must not come at all is a finding as well
            place = traceback.extract_tb(error.__traceback__)[-1]
            said = f"{type(error).__name__} in {place.name}, line {place.lineno}: {str(error)[:1500]}"
            self._fail(secondary, state, said)

    def _fail(self, secondary: Cut, state: Cut, said: str) -> None:
        kept = ""
        if KEEP:
            name = f"{self._what.replace(' ', '-')}-{len(self.failed)}"
            self._box.keep(Path(KEEP), name, secondary, state)
            kept = f" (images kept as {name})"
        where = f"secondary cut at {secondary[0]}: {secondary[1]}; state cut at {state[0]}: {state[1]}"
        self.failed.append(f"{where}{kept}\n    {said}")

    def report(self) -> None:
        print(f"\n{self._what}: {dict(self.tried)}, {len(self.failed)} failed")
        assert self.tried["images"], "nothing was tried"
        shown = "\n".join(self.failed[:SHOWN])
        assert not self.failed, f"{len(self.failed)} of {self.tried['images']} failed, POWER_SEED={SEED}:\n{shown}"
        lost = self.tried["not mounted"]
        assert lost * 100 <= LOST_LIMIT * max(self.tried["images"], 20), f"{lost} file systems could not be mounted"
