"""Measuring real drives: rates come out, the limits hold, and nothing is left behind, however it ends."""

from __future__ import annotations

import errno
import json
import math
import os
import signal
import time
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest
from harness import Pair, footprint

from drives import MIB, DriveFactory, missing_throttle, slowed_down
from effects_faults import CountingEffects, FailingEffects
from nightferry.errors import Busy, Failed
from nightferry.manifest import rates as rates_of_nights
from nightferry.manifest.rates import Spread
from nightferry.night.context import Stop, Unwatched
from nightferry.night.measuring import FILE_NAME, Limits, Measured, keep, kept, measure
from nightferry.night.situation import situation
from nightferry.planning.prospect import prospect
from nightferry.tree.content import Stopped
from nightferry.tree.effects import Effects
from nightferry.volumes.lock import PairLock

SHORT = Limits(seconds=0.3, write_bytes=32 * MIB, slice_s=0.05)
RATES = ("primary_read", "secondary_write", "secondary_read", "both_read", "copy", "hash")


@pytest.fixture
def pair(drives: DriveFactory, tmp_path: Path) -> Pair:
    made = Pair(drives("ext4", 160 * MIB), drives("ext4", 160 * MIB), tmp_path / "state")
    for number in range(4):
        made.write(f"2026-05 spring concert/0{number} kyrie.wav", os.urandom(6 * MIB))
    return made


def measured(pair: Pair, effects: Effects | None = None, limits: Limits = SHORT, stop: Stop | None = None) -> Measured:
    return measure(
        pair.settings, pair.state_dir, Unwatched(), effects=effects or Effects(), clock=pair.clock,
        stop=stop or Stop(pair.clock), limits=limits,
    )  # fmt: skip


def folder(pair: Pair) -> Path:
    return pair.state_dir / "recordings"


def test_rule_A_all_rates_come_out_and_nothing_is_left_behind(pair: Pair) -> None:
    pair.run_well()
    before = footprint(pair.primary), footprint(pair.copy, pair.retired, pair.records)
    found = measured(pair)
    for name in RATES:
        each = getattr(found, name)
        assert each is not None, name
        assert 0 < each.low <= each.median <= each.high, name
    assert (footprint(pair.primary), footprint(pair.copy, pair.retired, pair.records)) == before
    assert pair.staging() == []
    assert kept(folder(pair)) == found
    pair.run_quiet()


@pytest.mark.skipif(bool(missing_throttle()), reason=missing_throttle())
def test_no_rate_is_that_of_a_cache(pair: Pair, drives: DriveFactory) -> None:
    """On drives slowed down to 24 and 12 MiB/s, of which all content is in the page cache. Only upper bounds:
    how near the rates come is measured in benchmarks/predicted.py, since a busy machine may be slower."""
    pair.run_well()
    first, second = drives._made
    for each in (pair.primary, pair.copy):
        assert sum(len(path.read_bytes()) for path in each.rglob("*.wav")) == 24 * MIB
    with slowed_down({first: 24 * MIB, second: 12 * MIB}, {second: 12 * MIB}):
        found = measured(pair, limits=Limits(seconds=0.2, write_bytes=8 * MIB, slice_s=0.05))
    # The kernel lets pass in bursts: four times as much may be seen in so short a time, and hundreds from a cache.
    for name, rate in (("primary_read", 24), ("secondary_write", 12), ("secondary_read", 12), ("both_read", 36),
                       ("copy", 12)):  # fmt: skip
        spread = getattr(found, name)
        assert spread is not None, name
        assert spread.median <= 4 * rate * MIB, name


def test_it_writes_no_more_than_its_limit(pair: Pair) -> None:
    effects = CountingEffects()
    measured(pair, effects)
    written = [call.args for call in effects.calls if call.name == "pwrite"]
    assert 0 < sum(len(data) for _, data, _ in written) <= SHORT.write_bytes
    assert max(position + len(data) for _, data, position in written) <= SHORT.write_bytes // 2


def test_before_the_first_night_the_secondary_is_read_from_what_was_written(pair: Pair) -> None:
    found = measured(pair)
    assert found.secondary_read is not None
    said = prospect(situation(pair.settings, pair.state_dir, Effects()).situation)
    assert said.first_copy_s > 0
    assert said.night.whole_s > 0


def test_room_that_is_to_be_kept_free_is_not_written(pair: Pair) -> None:
    pair.run_well()
    pair.set(keep_free=10**12)
    found = measured(pair)
    assert found.secondary_write is None
    assert found.copy is None
    assert found.primary_read is not None


def test_an_empty_primary_gives_no_rate_and_no_error(drives: DriveFactory, tmp_path: Path) -> None:
    empty = Pair(drives("ext4", 160 * MIB), drives("ext4", 160 * MIB), tmp_path / "state")
    found = measured(empty)
    assert found.primary_read is None
    assert found.secondary_write is not None


def test_while_a_run_is_in_progress_it_is_refused(pair: Pair) -> None:
    with PairLock(folder(pair) / "lock", "run"), pytest.raises(Busy):
        measured(pair)
    assert not (folder(pair) / FILE_NAME).exists()


def test_asked_to_stop_it_leaves_nothing(pair: Pair) -> None:
    stop = Stop(pair.clock)
    effects = CountingEffects()
    perform = effects._perform

    def then_stop(call: object, what: object) -> object:
        if what.name == "pwrite":
            stop.request("asked to stop")
        return perform(call, what)  # type: ignore[arg-type]

    effects._perform = then_stop  # type: ignore[method-assign,assignment]
    with pytest.raises(Stopped):
        measured(pair, effects, stop=stop)
    assert pair.staging() == []
    assert not (folder(pair) / FILE_NAME).exists()


def test_every_effect_may_fail(pair: Pair) -> None:
    effects = CountingEffects()
    measured(pair, effects, Limits(seconds=0.02, write_bytes=8 * MIB))
    count = effects.count
    for n in range(1, count + 1):
        for number in (errno.EIO, errno.ENOSPC):
            with suppress(Failed):
                measured(pair, FailingEffects(n, number), Limits(seconds=0.02, write_bytes=8 * MIB))
            assert set(pair.staging()) <= {"measure"}
    measured(pair)  # takes away what a failed removal left
    assert pair.staging() == []
    pair.run_well()


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGINT, signal.SIGTERM])
def test_rule_E_ended_by_a_signal_it_leaves_nothing_or_what_the_next_run_takes_away(
    pair: Pair, number: signal.Signals, tmp_path: Path
) -> None:
    from nightferry.cli.main import main

    config = tmp_path / "nightferry.toml"
    config.write_text(
        f'state_dir = "{pair.state_dir}"\n[[pair]]\nname = "recordings"\nprimary = "{pair.primary}"\n'
        f'secondary = "{pair.secondary}"\nkeep_free = "0"\n'
    )
    child = os.fork()
    if child == 0:
        os._exit(main(["--config", str(config), "plan", "--measure", "recordings"]))
    while not pair.staging() and os.waitpid(child, os.WNOHANG) == (0, 0):
        time.sleep(0.005)
    os.kill(child, number)
    _, status = os.waitpid(child, 0)
    if number is signal.SIGKILL:
        assert os.WIFSIGNALED(status)
        assert pair.staging() == ["measure"]
    else:
        assert os.WEXITSTATUS(status) == 1
        assert pair.staging() == []
    assert not (folder(pair) / FILE_NAME).exists()
    while True:
        try:
            pair.run_well()
        except Busy:  # the process that measured dies with the one that was killed, though not in the same instant
            time.sleep(0.05)
        else:
            break
    assert pair.staging() == []


def test_a_measurement_of_before_has_no_rate_of_hashing_and_is_understood(pair: Pair) -> None:
    found = measured(pair)
    path = folder(pair) / FILE_NAME
    said = json.loads(path.read_text())
    del said["hash"]
    path.write_text(json.dumps(said))
    assert kept(folder(pair)) == replace(found, hash=None)
    assert situation(pair.settings, pair.state_dir, Effects()).situation.rates.hash == math.inf


@pytest.mark.parametrize("text", ["", "{", "[]", '{"measured_s": 1}', '{"measured_s": "x", "direct": 1}', "\x00"])
def test_a_measurement_that_cannot_be_understood_is_none(tmp_path: Path, text: str) -> None:
    (tmp_path / FILE_NAME).write_text(text)
    assert kept(tmp_path) is None


# --- what nights keep


def test_a_night_keeps_the_bytes_it_moved_and_the_time_it_took(pair: Pair) -> None:
    result = pair.run_well()
    copy, back = result.rates["copy"], result.rates["read_back"]
    assert (copy["files"], copy["bytes"]) == (4, 24 * MIB)
    assert (back["files"], back["bytes"]) == (4, 24 * MIB)
    assert 0 < copy["s"] + back["s"] <= result.phase_s["copy"] + 0.01
    for number in range(30):
        pair.write(f"notes/{number}.txt", "kyrie")
    small = pair.run_well().rates
    assert small["copy_small"]["files"] == 30
    assert "copy" not in small
    assert pair.run_well().rates == {}


def test_rates_of_nights_after_a_measurement_come_before_it(pair: Pair, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rates_of_nights, "LEAST_S", 0.0)  # a fast disk copies this in less than tells a rate
    pair.run_well()
    read, both, written = (Spread(rate * MIB, rate * MIB, rate * MIB, 1) for rate in (100.0, 200.0, 90.0))
    keep(folder(pair), Measured(pair.clock.now_s(), read, read, read, both, written, direct=True))
    rates = situation(pair.settings, pair.state_dir, Effects()).situation.rates
    assert rates.secondary_write == written.median
    pair.clock.pass_days(1)
    pair.write("2026-06 summer concert/01 gloria.wav", os.urandom(24 * MIB))
    copy = pair.run_well().rates["copy"]
    rates = situation(pair.settings, pair.state_dir, Effects()).situation.rates
    assert rates.secondary_write == pytest.approx(copy["bytes"] / copy["s"])
