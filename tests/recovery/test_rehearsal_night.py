"""The rehearsal's place in a night."""

from __future__ import annotations

import hashlib
import json
import os
from datetime import timedelta
from pathlib import Path

import pytest
from harness import Pair, footprint
from rehearsals import left_in_scratch, read_report, reports
from world import KYRIE, World

from drives import DriveFactory
from effects_faults import KillingEffects, in_child
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.rehearsals import KEPT_LIMIT, Rehearsals, Rehearsed
from nightferry.night.context import Stop, Unwatched
from nightferry.night.mending import MENDED
from nightferry.night.run import Result, run_night
from nightferry.reporting.screens.rehearsal_text import render
from nightferry.tree.effects import Effects


def night(pair: Pair, stop: Stop | None = None, progress: Unwatched | None = None) -> Result:
    return run_night(pair.settings, pair.state_dir, progress or Unwatched(), clock=pair.clock, stop=stop, render=render)


def made(pair: Pair) -> list[Rehearsed]:
    with pair.manifest() as manifest:
        return Rehearsals(manifest.database).newest(50)


@pytest.fixture
def world(drives: DriveFactory, tmp_path: Path) -> World:
    world = World.on_drives(drives, tmp_path, rehearse_share=0.01)
    for number in range(12):
        world.pair.write(f"concert/{number:02d}.wav", os.urandom(20_000 + number))
    return world


def test_the_second_night_rehearses_and_then_every_thirty_days(world: World) -> None:
    pair = world.pair
    assert night(pair).rehearsal is None
    second = night(pair)
    assert second.rehearsal is not None and second.rehearsal.outcome == "passed"
    assert (second.outcome, second.state, second.notes) == ("complete", "sound", [])
    for _ in range(29):
        pair.clock.pass_days(1)
        assert night(pair).rehearsal is None
    pair.clock.pass_days(1)
    assert night(pair).rehearsal is not None
    assert [each.run for each in made(pair)] == [32, 2]


def test_its_report_is_on_the_secondary_and_beside_the_state(world: World) -> None:
    pair = world.pair
    night(pair)
    pair.write(KYRIE, os.urandom(5_000))
    result = night(pair)
    stamp = result.rehearsal.stamp
    names = [f"rehearsal-{stamp}.json", f"rehearsal-{stamp}.txt"]
    folders = (pair.records / "reports", pair.state_dir / "recordings/reports")
    for folder in folders:
        assert reports(folder) == names
        report = read_report(folder, stamp)
        assert report["outcome"] == "passed" and report["run"] == 2 == report["secondary"]["last_run"]
        assert {each["path"] for each in report["names"] if "from the last night" in each["why"]} == {KYRIE}
    assert stamp.startswith("000002-")
    text = (folders[0] / names[1]).read_text()
    assert "All 13 files were tried, and each came back right." in text
    assert pair.staging() == [] and pair.differences() == []
    with pair.manifest() as manifest:
        summary = json.loads(manifest.runs.by_number(2).summary)["rehearsal"]
    assert summary["outcome"] == "passed" and summary["files"] == 13


def test_what_it_finds_is_mended_in_the_same_night(world: World) -> None:
    pair = world.pair
    night(pair)
    world.rot(1, pair.copy / "concert/07.wav", 9_000)
    pair.set(verify_share=0.0)
    result = night(pair)
    assert [each.what for each in result.rehearsal.mismatches] == ["decayed"]
    assert (result.outcome, result.state) == ("complete", "attention")
    assert (result.tally.damage, result.tally.mended) == (1, 1)
    assert world.open() == []
    assert [row[2:] for row in world.register()] == [("decayed", MENDED)]
    assert pair.differences() == []
    assert night(pair).state == "sound"


def test_after_one_that_found_something_the_next_night_makes_it_again(world: World) -> None:
    """So that "not all came back right" does not stand for a month where it was mended; and three times at the most."""
    pair = world.pair
    night(pair)
    pair.set(verify_share=0.0)
    world.rot(1, pair.copy / "concert/07.wav", 9_000)
    outcomes = []
    for number in range(3):
        pair.clock.pass_days(1)
        made_tonight = night(pair).rehearsal
        outcomes.append(None if made_tonight is None else made_tonight.outcome)
        if number == 1:
            assert [each.outcome for each in made(pair)] == ["passed", "mismatches"]
    assert outcomes == ["mismatches", "passed", None]
    for number in range(3):
        with pair.manifest(writable=True) as manifest:
            Rehearsals(manifest.database).enter(
                Rehearsed(f"{number}", number + 5, 1.0, pair.clock.now_s(), "impossible", False, "{}")
            )
    pair.clock.pass_days(1)
    assert night(pair).rehearsal is None


def test_on_a_held_night_it_is_entered_and_left_as_it_is(world: World) -> None:
    pair = world.pair
    night(pair)
    world.rot(1, pair.copy / "concert/11.wav", 9_000)
    pair.set(verify_share=0.0, hold_count=3)
    for number in range(5):
        pair.at(f"concert/{number:02d}.wav").unlink()
    result = night(pair)
    assert result.outcome == "held" and len(result.rehearsal.mismatches) == 1
    assert world.open() == [(b"concert/11.wav", "secondary", "decayed")]


def test_what_changed_this_very_night_is_no_mismatch(world: World) -> None:
    """The records are sealed before: else what the night moved, replaced and removed would be missed."""
    pair = world.pair
    night(pair)
    pair.at("concert/00.wav").rename(pair.at("concert/renamed.wav"))
    pair.at("concert").rename(pair.at("concert of may"))
    pair.write("concert of may/01.wav", b"edited")
    pair.at("concert of may/02.wav").unlink()
    result = night(pair)
    assert result.rehearsal.outcome == "passed"
    assert b"concert of may/renamed.wav" in {each.pick.path for each in result.rehearsal.tested}
    assert sum(each.pick.side == "retired" for each in result.rehearsal.tested) == 2


def test_off_by_night_means_off(world: World) -> None:
    world.pair.set(rehearse_share=0.0)
    night(world.pair)
    assert night(world.pair).rehearsal is None


def test_out_of_time_it_is_tried_again_three_nights(world: World) -> None:
    pair = world.pair
    night(pair)

    for expected in (1, 2, 3):
        stop = Stop(pair.clock)

        class ClosesTheWindow(Unwatched):
            def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
                if name == "rehearse" and files:
                    self.stop.request("the window closed")

        watching = ClosesTheWindow()
        watching.stop = stop  # type: ignore[attr-defined]
        pair.clock.pass_days(1)
        result = night(pair, stop, watching)
        assert result.rehearsal is not None and result.rehearsal.outcome == "short"
        assert result.rehearsal.tested == [] and result.rehearsal.assurances[0].share == 1.0
        assert any("ran out of time" in note for note in result.notes)
        assert len(made(pair)) == expected
    pair.clock.pass_days(1)
    assert night(pair).rehearsal is None


def test_no_time_at_all_is_said(world: World) -> None:
    pair = world.pair
    night(pair)
    stop = Stop(pair.clock)

    class ClosesTheWindow(Unwatched):
        def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
            if name == "verify":
                stop.request("the window closed")

    result = night(pair, stop, ClosesTheWindow())
    assert result.rehearsal is None
    assert result.outcome == "interrupted" or any("no time was left" in note for note in result.notes)
    assert night(pair).rehearsal is not None


def test_a_full_secondary_does_not_end_the_night(world: World) -> None:
    """The report cannot be written there; it stands beside the state, and the night says so."""
    pair = world.pair
    night(pair)

    class NoRoomForReports(Effects):
        def open(self, path: object, flags: int, *args: object, **kwargs: object) -> int:  # type: ignore[override]
            if isinstance(path, bytes) and path.startswith(b".rehearsal-") and flags & os.O_CREAT and not self.state:
                raise OSError(28, "No space left on device")
            return os.open(path, flags, *args, **kwargs)  # type: ignore[arg-type]

    effects = NoRoomForReports()
    effects.state = False  # type: ignore[attr-defined]
    result = run_night(pair.settings, pair.state_dir, Unwatched(), clock=pair.clock, effects=effects, render=render)
    assert result.rehearsal.outcome == "passed" and result.outcome == "complete"
    assert any("could not be written to the secondary" in note for note in result.notes)


def test_rule_E_killed_in_its_rehearsal_the_next_night_makes_it(tmp_path: Path) -> None:
    pair = Pair(
        tmp_path / "primary", tmp_path / "secondary", tmp_path / "state",
        rehearse_share=0.01, rehearse_every=timedelta(days=1),
    )  # fmt: skip
    for number in range(6):
        pair.write(f"{number}.wav", os.urandom(3_000))
    night(pair)
    with pair.manifest() as manifest:
        mine = hashlib.sha256((manifest.pair_id or "").encode()).hexdigest()[:16]

    class KilledAfter(KillingEffects):
        """At the n-th change since the rehearsal began."""

        def __init__(self, after: int) -> None:
            super().__init__(10**9)
            self.after = after

        def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
            if name == "rehearse" and files is None:
                self._n = self.count + self.after

        advance = staticmethod(Unwatched().advance)
        note = staticmethod(Unwatched().note)

    killed = 0
    for after in range(1, 160, 16):
        pair.clock.pass_days(1)
        effects = KilledAfter(after)
        killed += not in_child(
            lambda effects=effects: run_night(
                pair.settings, pair.state_dir, effects, clock=pair.clock, effects=effects, render=render
            )
        )
        pair.clock.pass_days(1)
        result = night(pair)
        assert result.outcome == "complete" and result.rehearsal is not None, result.failure
        assert result.rehearsal.outcome == "passed"
        assert pair.differences() == [] and pair.staging() == []
        for folder in (pair.records / "reports", pair.state_dir / "recordings/reports"):
            assert [name for name in os.listdir(folder) if not name.startswith("rehearsal-")] == []
        assert not [name for name in left_in_scratch() if mine in name]
        assert not list((pair.state_dir / "recordings").glob(".rehearsal-*"))
    assert killed > 5


def test_rule_J_a_quiet_night_writes_nothing_for_it(world: World) -> None:
    """A night in which none is due leaves the state folder's reports alone."""
    pair = world.pair
    night(pair)
    night(pair)
    folder = pair.state_dir / "recordings/reports"
    before = footprint(folder)
    night(pair)
    assert footprint(folder) == before


def test_a_manifest_from_before_has_no_rehearsals_and_gets_them(tmp_path: Path) -> None:
    path = tmp_path / "manifest.sqlite3"
    manifest = Manifest.create(path, Effects(), pair_id="a", pair_name="recordings")
    rehearsals = Rehearsals(manifest.database)
    assert rehearsals.newest() == []
    for number in range(3):
        rehearsals.enter(Rehearsed(f"{number}", number, 1.0, 2.0, "passed", number == 1, "{}"))
    assert [each.run for each in rehearsals.newest(2)] == [2, 1]
    assert [each.out_of_time for each in rehearsals.newest(3)] == [False, True, False]
    manifest.close()
    looked = Manifest.open(path, Effects(), writable=False)
    assert len(Rehearsals(looked.database).newest(9)) == 3
    looked.close()


def test_old_rehearsals_go(tmp_path: Path) -> None:
    manifest = Manifest.create(tmp_path / "m.sqlite3", Effects(), pair_id="a", pair_name="recordings")
    rehearsals = Rehearsals(manifest.database)
    manifest.database.connection.execute("PRAGMA synchronous = OFF")
    for number in range(KEPT_LIMIT + 5):
        rehearsals.enter(Rehearsed(f"{number}", number, 1.0, 2.0, "passed", False, "{}"))
    assert len(rehearsals.newest(KEPT_LIMIT * 2)) == KEPT_LIMIT
    manifest.close()
