"""Pairs that earlier formats left: opened, restored, carried on, against what was recorded from outside. Rule O."""

from __future__ import annotations

import json
import os
import shutil
import sys
from collections.abc import Iterator
from itertools import product
from pathlib import Path

import pytest
from harness import explain
from thawed import FORMATS, KINDS, Thawed, thaw

from drives import missing_privileges, run
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.schema import VERSION
from nightferry.tree.effects import Effects


@pytest.fixture(params=product(FORMATS, KINDS), ids=lambda of: f"format {of[0]} on {of[1]}")
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Thawed]:
    if why := missing_privileges():
        pytest.skip(why)
    with thaw(*request.param, tmp_path) as thawed:
        yield thawed


def test_O_each_night_is_restored_from_the_state(old: Thawed) -> None:
    before = old.footprint()
    old.check_restores(alone=False)
    assert old.footprint() == before, "a restore only reads"


def test_O_each_night_is_restored_from_the_secondary_alone(old: Thawed) -> None:
    shutil.rmtree(old.pair.state_dir)
    old.check_restores(alone=True)


def test_O_the_history_of_a_file_is_told_from_the_secondary_alone(old: Thawed) -> None:
    digests = [night["held"]["draft.txt"]["sha256"] for night in old.account["nights"]]
    changes = [n for n in range(1, len(digests) + 1) if n == 1 or digests[n - 1] != digests[n - 2]]
    done = run(sys.executable, "-m", "nightferry", "history", "--secondary", old.pair.secondary, "draft.txt", "--json")
    (name,) = json.loads(done)["pairs"][0]["names"]
    told = [each["night"] for each in name["events"] if {"added", "changed"} & set(each["kinds"])]
    assert sorted(told) == changes


def test_O_all_of_it_is_verified(old: Thawed) -> None:
    before = old.open()
    old.verify()
    assert old.open() == before
    assert {side for _, side, _ in before} == {"primary", "retired"}


def test_O_a_night_runs_and_damage_is_mended(old: Thawed) -> None:
    pair = old.pair
    pair.write("2027 autumn/01 new.wav", b"new")
    before = old.manifest.read_bytes()
    Manifest.open(old.manifest, Effects()).close()
    kept = list(old.manifest.parent.glob("manifest.format-*"))
    assert len(kept) == (old.number < VERSION), "as it was, until a night has sealed what became of it"
    assert {os.path.getsize(each) for each in kept} <= {len(before)}
    result = pair.run()
    assert list(old.manifest.parent.glob("manifest.format-*")) == []
    assert result.outcome == "partial", explain(pair, result)
    assert (result.tally.added, result.tally.changed, result.tally.moved, result.tally.removed) == (1, 0, 0, 0)
    assert [(path.decode(), side) for path, side, _ in old.open()][1:] == [(old.damaged, "primary")]
    for alone in (False, True):
        old.check_restores(alone=alone)
    assert [each.told for each in old.mend("restore", old.damaged)] == ["put back from the copy"]
    assert all(each.done for each in old.mend("accept"))
    pair.clock.pass_days(1)
    pair.run_well()
    assert old.open() == []
    old.check_copy()
    for alone in (False, True):
        old.check_restores(alone=alone)


def test_O_a_new_box_takes_the_pair_over(old: Thawed) -> None:
    shutil.rmtree(old.pair.state_dir)
    old.pair.pair()
    old.check_restores(alone=False)
    assert old.pair.run().outcome == "partial"
    for alone in (False, True):
        old.check_restores(alone=alone)
