"""`pair` killed, or refused something, at each of its calls, and run again. Rules B, E and F.

Making a pair of two drives, taking one over from its secondary (on a new box, over an older state, without the primary)
and building the state anew by reading the secondary. Beside the calls of the seam each change of a name in the state's
own folder is tried, since one manifest takes the place of another there.
"""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from crash_world import Thing, look
from harness import CARD, footprint
from small_world import SmallWorld
from world import KYRIE

from attempts import Sweep
from effects_faults import Call, CountingEffects, KillingEffects, StateCalls, faults, in_child
from nightferry.errors import NightferryError
from nightferry.night.pairing import make_pair
from nightferry.night.proposal import Proposal
from nightferry.tree.effects import Effects
from sweeps import ALL

GLORIA = "2026-05 spring concert/02 gloria.wav"
# What is done, by the case.
ACTIONS = {
    "first": "create", "new-box": "adopt", "older-state": "adopt", "without-primary": "adopt", "rebuild": "rebuild",
}  # fmt: skip
# Of the disk with the state: full, read-only, failing, and a process that may open no more files.
STATE_ERRORS = (errno.ENOSPC, errno.EROFS, errno.EIO, errno.EMFILE)


class Pairing:
    """One case of `pair`, tried again and again from the same state; made by calling it undisturbed."""

    def __init__(self, base: Path, case: str) -> None:
        self.base, self.case = base, case
        self.world = SmallWorld(base, paired=case != "first")
        pair = self.pair = self.world.pair
        self._away = base / "away"
        pair.write(KYRIE, b"kyrie " * 100)
        self._before_cards = self._without_cards()
        if case != "first":
            self._nights()
        self.world.save()
        self.put_back()
        counting = CountingEffects()
        proposal = self.call(counting)
        assert proposal is not None and proposal.action == ACTIONS[case]
        self.calls: list[Call] = counting.calls
        self._plug_in()
        self.state_names = self._state_names()
        self.called = self.world.moment()
        self.world.night()
        self.after_night = self.world.moment()
        assert pair.differences() == []
        self.put_back()
        assert in_child(self._count)
        self.state_calls = (base / "counted").read_text().splitlines()

    def _nights(self) -> None:
        pair = self.pair
        pair.write(GLORIA, b"gloria")
        self.world.night()
        if self.case == "older-state":
            shutil.copytree(pair.state_dir, self.base / "older")
        pair.write(KYRIE, b"kyrie, second take " * 100)
        self.world.night()
        (pair.primary / GLORIA).unlink()
        self.world.night()
        if self.case == "rebuild":
            for name in ("manifest.sqlite3", "manifest.previous.sqlite3"):
                (pair.records / name).unlink()

    def _count(self) -> None:
        counting = StateCalls(self.pair.state_dir)
        self.call()
        (self.base / "counted").write_text("\n".join(counting.calls))

    def put_back(self) -> None:
        shutil.rmtree(self._away, ignore_errors=True)
        self.world.put_back()
        if self.case != "first":
            shutil.rmtree(self.pair.state_dir)
        if self.case == "older-state":
            shutil.copytree(self.base / "older", self.pair.state_dir)
        if self.case == "without-primary":
            self.pair.primary.rename(self._away)
        self._before = self._drives()

    def call(self, effects: Effects | None = None) -> Proposal | None:
        return make_pair(self.pair.settings, self.pair.state_dir, lambda _: True, effects=effects)

    def _plug_in(self) -> None:
        if self._away.exists():
            self._away.rename(self.pair.primary)

    def _drives(self) -> list[bytes]:
        return footprint(self.pair.secondary, self._away if self._away.exists() else self.pair.primary)

    def _without_cards(self) -> dict[bytes, Thing]:
        found = look(self.pair.primary, leave_out=(CARD, f"{CARD}.new"))
        return {path: thing for path, thing in found.items() if path}

    def _state_names(self) -> set[str]:
        """Without states that were set aside, whose names have the time, and what SQLite has beside a database; and
        without the checksums of its pages, which the first one makes who finds none."""
        names = set(os.listdir(self.pair.state_dir / "recordings")) - {"manifest.pages"}
        return {each for each in names if not each.startswith("manifest.older-") and not each.endswith(("-wal", "shm"))}

    def check_cut_off(self, *, night: bool) -> None:
        """Whatever the state is by now: neither drive lost anything, nor does it by a night that somebody runs."""
        if self.case == "first":
            assert self._without_cards() == self._before_cards
            ours = {CARD, f"{CARD}.new", "copy", "retired", "staging", "records"}
            assert set(os.listdir(self.pair.secondary)) <= ours
        else:
            assert self._drives() == self._before, "a drive was written to"
        if not night:
            return
        try:
            result = self.pair.run()
        except NightferryError:
            return
        assert (result.outcome, result.tally.changed, result.tally.removed) == ("complete", 0, 0)

    def check_goes_on(self, *, was_night: bool) -> None:
        try:
            proposal = self.call()
        except NightferryError as error:  # without the primary there is nothing to do where it was done already
            assert self.case == "without-primary" and "primary" in str(error), error
        else:
            assert proposal is not None and proposal.action in (ACTIONS[self.case], "none"), proposal
        self._plug_in()
        assert self._state_names() == self.state_names
        aside = list((self.pair.state_dir / "recordings").glob("manifest.older-*.sqlite3"))
        assert bool(aside) == (self.case == "older-state"), f"set aside: {aside}"
        if not was_night:
            found = self.world.moment().undated()  # a card moves the date of the folder that it comes into
            assert (unlike := self.called.undated().unlike(found)) == [], unlike
        self.world.night()
        found = self.world.moment().undated()
        assert (unlike := self.after_night.undated().unlike(found)) == [], f"after a night: {unlike}"


@pytest.fixture
def pairing(base: Path, request: pytest.FixtureRequest) -> Pairing:
    return Pairing(base, request.param)


EACH = pytest.mark.parametrize("pairing", ACTIONS, indirect=True)


@EACH
def test_rule_B_E_F_killed_at_every_call_and_run_again(pairing: Pairing) -> None:
    def attempt(k: int, call: Callable[[], object]) -> None:
        pairing.put_back()
        assert not in_child(call)
        pairing.check_cut_off(night=bool(k % 2))
        pairing.check_goes_on(was_night=bool(k % 2))

    def call_with_state(k: int) -> None:
        StateCalls(pairing.pair.state_dir, k)
        pairing.call()

    sweep = Sweep("pairings killed at an effect")
    for k, what in enumerate(pairing.calls, start=1):
        label = f"{k} of {len(pairing.calls)}, {what.name} {what.args}"
        sweep.attempt(label, lambda k=k: attempt(k, lambda: pairing.call(KillingEffects(k))))
    sweep.report()
    sweep = Sweep("pairings killed at a change of a name in the state")
    for k, name in enumerate(pairing.state_calls, start=1):
        label = f"{k} of {len(pairing.state_calls)}, {name}"
        sweep.attempt(label, lambda k=k: attempt(k, lambda: call_with_state(k)))
    sweep.report()


# The other two take the same way as over an older state: they are tried with NIGHTFERRY_SWEEPS=1.
@pytest.mark.parametrize("pairing", ACTIONS if ALL else ["first", "older-state", "rebuild"], indirect=True)
def test_rule_B_E_F_every_call_fails_and_it_is_run_again(pairing: Pairing) -> None:
    def attempt(call: Callable[[], object]) -> None:
        pairing.put_back()
        assert in_child(call)
        pairing.check_cut_off(night=False)
        pairing.check_goes_on(was_night=False)

    def call(effects: Effects | None = None) -> None:
        try:
            pairing.call(effects)
        except NightferryError as error:
            assert str(error).endswith("."), error
        except OSError:  # of a name in the state: the command line has a sentence for it
            assert effects is None

    def call_with_state(k: int) -> None:
        StateCalls(pairing.pair.state_dir, k, STATE_ERRORS[k % len(STATE_ERRORS)])
        call()

    sweep = Sweep("pairings with an effect that failed")
    for fault in faults(pairing.calls):
        sweep.attempt(fault.label, lambda fault=fault: attempt(lambda: call(fault.effects())))
    sweep.report()
    sweep = Sweep("pairings with a failed change of a name in the state")
    for k, name in enumerate(pairing.state_calls, start=1):
        label = f"{k} of {len(pairing.state_calls)}, {name}"
        sweep.attempt(label, lambda k=k: attempt(lambda: call_with_state(k)))
    sweep.report()
