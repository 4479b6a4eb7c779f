"""A restore killed, cut off from power or refused at any of its effects, then called again. Rules E and I.

All effects: ``EVERY_EFFECT=1 python -m pytest tests/recovery/test_restore_crashes.py``; else some of them.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from harness import Pair
from restore_world import STAGING, restored, unlike
from world import KYRIE, PROGRAMME

from counts import count_case
from drives import run
from effects_faults import CountingEffects, FailingEffects, KillingEffects, PowerCutEffects, ShortEffects, in_child
from nightferry.errors import Failed, WrongUse
from nightferry.tree.effects import Effects

CONCERT = "2026-05 spring concert"
STEP = 1 if os.environ.get("EVERY_EFFECT") else 9


@pytest.fixture
def pair(tmp_path: Path) -> Pair:
    made = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")
    made.write(KYRIE, b"kyrie " * 500)
    made.write(f"{CONCERT}/notes/seating.txt", "altos left\n")
    made.write(PROGRAMME, "Kyrie, Gloria\n")
    os.link(made.primary / KYRIE, made.primary / "kyrie again.wav")
    (made.primary / "link").symlink_to(KYRIE)
    os.setxattr(made.primary / PROGRAMME, "user.note", b"for print")
    os.chmod(made.primary / CONCERT / "notes", 0o2750)
    os.chown(made.primary / PROGRAMME, 1234, 2345)
    for path in (CONCERT, f"{CONCERT}/notes", KYRIE, PROGRAMME):
        os.utime(made.primary / path, ns=(1_700_000_000_000_000_001, 1_700_000_000_000_000_001))
    made.run_well()
    return made


def numbers(pair: Pair, into: Path) -> range:
    counting = CountingEffects()
    restored(pair, into, effects=counting)
    assert unlike(pair.primary, into) == []
    assert counting.count > 60
    return range(1, counting.count + 1)


def check_whole(pair: Pair, into: Path) -> None:
    """Whatever has a name there has it whole."""
    for path in into.rglob("*"):
        relative = path.relative_to(into)
        if STAGING in relative.parts or path.is_dir() or path.is_symlink():
            continue
        assert path.read_bytes() == (pair.primary / relative).read_bytes(), relative


def check_resumes(pair: Pair, into: Path, why: object, *, overwrite: bool = False) -> None:
    check_whole(pair, into)
    result = restored(pair, into, overwrite=overwrite)
    assert result.exit_code == 0, (why, result)
    assert unlike(pair.primary, into) == [], why
    assert not (into / STAGING).exists()


def sweep(pair: Pair, tmp_path: Path, effects: Callable[[int, Path], Effects], offset: int) -> None:
    every = numbers(pair, tmp_path / "counted once more")
    count_case("restores killed at an effect", len(every[offset % STEP :: STEP]))
    survived = 0
    for number in every[offset % STEP :: STEP]:
        into = tmp_path / f"at effect {number}"
        survived += in_child(lambda into=into, number=number: restored(pair, into, effects=effects(number, into)))
        if into.exists():
            check_resumes(pair, into, number)
    assert survived <= 4  # a target that was there needs fewer


def test_rule_E_killed_at_any_effect(pair: Pair, tmp_path: Path) -> None:
    sweep(pair, tmp_path, lambda number, into: KillingEffects(number), 0)


def test_rule_E_killed_after_any_effect(pair: Pair, tmp_path: Path) -> None:
    sweep(pair, tmp_path, lambda number, into: KillingEffects(number, after=True), 1)


@pytest.mark.parametrize("lose", ["names", "data"])
def test_rule_E_the_power_goes_at_any_effect(pair: Pair, tmp_path: Path, lose: str) -> None:
    """Into a folder that is there: what is lost is looked for below it."""
    for number in numbers(pair, tmp_path / "counted"):
        (tmp_path / f"at effect {number}").mkdir()
    sweep(pair, tmp_path, lambda number, into: PowerCutEffects(number, bytes(into), lose=lose), 2)


@pytest.mark.parametrize("number", [errno.EIO, errno.ENOSPC, errno.EACCES])
def test_any_effect_that_fails_is_told_and_the_next_call_goes_on(pair: Pair, tmp_path: Path, number: int) -> None:
    told = 0
    for n in numbers(pair, tmp_path / "counted")[3 % STEP :: STEP]:
        into = tmp_path / f"at effect {n}"
        try:
            result = restored(pair, into, effects=FailingEffects(n, number))
        except (Failed, WrongUse) as error:
            assert str(error).endswith(("stopped.", ".")), error
            told += 1
        else:
            # A trial of the file system that failed, one name that was refused, or metadata that was not taken.
            told += bool(result.exit_code or result.written.lost)
        if into.exists():
            check_resumes(pair, into, n, overwrite=True)
    assert told > 3


def test_short_reads_and_writes(pair: Pair, tmp_path: Path) -> None:
    assert restored(pair, tmp_path / "restored", effects=ShortEffects(7)).exit_code == 0
    assert unlike(pair.primary, tmp_path / "restored") == []


def test_a_failed_sync_is_not_tried_again_on_the_same_pages(pair: Pair, tmp_path: Path) -> None:
    """Rule D: what was staged is written anew by the next call."""

    class FirstSyncFails(CountingEffects):
        def _perform(self, call: Callable, what: object) -> object:
            if what.name in ("syncfs", "fsync") and self.by_name()[what.name] == 1 and what.name == "syncfs":  # type: ignore[attr-defined]
                raise OSError(errno.EIO, "lost")
            return super()._perform(call, what)  # type: ignore[arg-type]

    into = tmp_path / "restored"
    effects = FirstSyncFails()
    with pytest.raises(Failed):
        restored(pair, into, effects=effects)
    assert [path for path in into.rglob("*") if path.is_file() or path.is_symlink()] == []
    check_resumes(pair, into, "a failed sync")


def test_killed_while_overwriting_either_content_stands_whole(pair: Pair, tmp_path: Path) -> None:
    template = tmp_path / "there before"
    restored(pair, template)
    (template / KYRIE).unlink()
    (template / KYRIE).write_bytes(b"another recording")
    (template / PROGRAMME).write_text("another programme")
    counted = tmp_path / "counted"
    run("cp", "-a", template, counted)
    counting = CountingEffects()
    restored(pair, counted, overwrite=True, effects=counting)
    assert unlike(pair.primary, counted) == []
    for number in range(1, counting.count + 1, STEP):
        into = tmp_path / f"at effect {number}"
        run("cp", "-a", template, into)
        in_child(lambda into=into, number=number: restored(pair, into, overwrite=True, effects=KillingEffects(number)))
        assert (into / KYRIE).read_bytes() in (b"another recording", b"kyrie " * 500)
        assert (into / PROGRAMME).read_text() in ("another programme", "Kyrie, Gloria\n")
        assert restored(pair, into, overwrite=True).exit_code == 0
        assert unlike(pair.primary, into) == []


def test_rule_I_a_folder_swapped_for_a_symlink_while_it_is_filled(pair: Pair, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    every = numbers(pair, tmp_path / "counted")

    for number in every[::STEP]:
        into = tmp_path / f"at effect {number}"

        class Swapping(CountingEffects):
            def _perform(self, call: Callable, what: object, into: Path = into, number: int = number) -> object:
                place = into / CONCERT
                if self.count >= number and place.is_dir() and not place.is_symlink():
                    place.rename(into / "moved away")
                    place.symlink_to(outside)
                return super()._perform(call, what)  # type: ignore[arg-type]

        restored(pair, into, effects=Swapping())
        restored(pair, into, overwrite=True)
        assert os.listdir(outside) == []
