"""A restore killed, cut off from power or refused at each of its effects, then called again. Rules B, D, E and I.

Of a small tree, in memory, every effect in every run; the state restored is that of an earlier night, so that some of
it comes from ``retired/``. Of a tree with everything some effects, more of them with NIGHTFERRY_SWEEPS=1.
"""

from __future__ import annotations

import errno
import os
import shutil
import stat
from collections.abc import Callable
from pathlib import Path

import pytest
from crash_world import Thing, different, look
from harness import OWN_NAMES, Pair
from restore_world import STAGING, restored, unlike
from small_world import Moment, SmallWorld, syncs_as_a_drive
from world import KYRIE, PROGRAMME

from attempts import Sweep
from drives import run
from effects_faults import (
    Call,
    CountingEffects,
    FailingCalls,
    FailingEffects,
    KillingEffects,
    PowerCutEffects,
    ShortEffects,
    faults,
    in_child,
)
from nightferry.errors import Failed, WrongUse
from nightferry.recovery.restoring import target_opening
from nightferry.recovery.restoring.result import RestoreResult
from nightferry.recovery.restoring.target import OURS_MODE
from nightferry.tree.effects import Effects
from sweeps import ALL, some
from trees import tree_with_everything

CONCERT = "2026-05 spring concert"
NOTES = f"{CONCERT}/notes"
AS_OF = "1"
# Of the tree with everything each so many are tried.
STEP = 19 if ALL else 499


class Tried:
    """A pair after two nights, of which the first is restored again and again, each time into a new folder."""

    def __init__(self, base: Path) -> None:
        self.world = SmallWorld(base)
        pair = self.pair = self.world.pair
        self.into = base / "restored"
        pair.write(KYRIE, b"kyrie " * 500)
        pair.write(f"{NOTES}/seating.txt", "altos left\n")
        pair.write(PROGRAMME, "Kyrie, Gloria\n")
        os.link(pair.primary / KYRIE, pair.primary / "kyrie again.wav")
        (pair.primary / "link").symlink_to(KYRIE)
        os.setxattr(pair.primary / PROGRAMME, "user.note", b"for print")
        os.chmod(pair.primary / NOTES, 0o2750)
        os.chown(pair.primary / PROGRAMME, 1234, 2345)
        for path in (CONCERT, NOTES, KYRIE, PROGRAMME):
            os.utime(pair.primary / path, ns=(1_700_000_000_000_000_001, 1_700_000_000_000_000_001))
        self.world.night()
        self.wanted = look(pair.primary, leave_out=OWN_NAMES)
        pair.write(PROGRAMME, "Kyrie, Gloria, and an encore\n")
        (pair.primary / NOTES / "seating.txt").unlink()
        (pair.primary / NOTES).rmdir()
        self.world.night()
        self.before: Moment = self.world.moment()
        self.beside = self._beside()
        counting = CountingEffects()
        assert self.call(counting).exit_code == 0
        self.check_complete()
        self.calls: list[Call] = counting.calls
        assert len(self.calls) > 60

    def call(self, effects: Effects | None = None, *, overwrite: bool = False) -> RestoreResult:
        return restored(self.pair, self.into, as_of=AS_OF, overwrite=overwrite, effects=effects)

    def found(self) -> dict[bytes, Thing]:
        return look(self.into)

    def fresh(self, template: Path | None = None) -> None:
        shutil.rmtree(self.into, ignore_errors=True)
        if template is not None:
            run("cp", "-a", template, self.into)

    def check_whole(self) -> None:
        """Whatever has a name has it whole, nothing was written elsewhere."""
        for path, thing in (self.found() if self.into.exists() else {}).items():
            if path.partition(b"/")[0] == STAGING.encode():
                continue
            assert path in self.wanted, f"{path!r} was not to be restored"
            assert (thing.kind, thing.content) == (self.wanted[path].kind, self.wanted[path].content), path
            # A name comes after all that belongs to it; folders get theirs last.
            assert thing.kind == "d" or thing.metadata == self.wanted[path].metadata, path
        assert self._beside() == self.beside, "something was made elsewhere"

    def _beside(self) -> set[str]:
        return {name for name in os.listdir(self.into.parent) if not name.startswith(self.into.name)}

    def check_goes_on(self, *, overwrite: bool = False) -> None:
        is_ours = not self.into.exists() or stat.S_IMODE(self.into.stat().st_mode) == OURS_MODE
        result = self.call(overwrite=overwrite)
        assert result.exit_code == 0, result
        self.check_complete(with_top=is_ours)

    def check_complete(self, *, with_top: bool = True) -> None:
        """``with_top``: the folder itself, too, which a call has to make or find unfinished for that."""
        wanted, found = self.wanted, self.found()
        if not with_top:
            wanted, found = ({path: thing for path, thing in each.items() if path} for each in (wanted, found))
        assert (unlike := different(wanted, found)) == [], unlike

    def check_unchanged(self) -> None:
        """Rule B: what a restore reads from is as it was."""
        assert (unlike := self.before.unlike(self.world.moment())) == [], unlike


@pytest.fixture
def tried(base: Path, monkeypatch: pytest.MonkeyPatch) -> Tried:
    syncs_as_a_drive(monkeypatch, target_opening)
    return Tried(base)


def sweep(
    tried: Tried, what: str, effects: Callable[[int], Effects], *, is_there: bool = False, every: int = 1
) -> None:
    """``every``: of the effects in a plain run; all outside it."""
    attempts = Sweep(what)

    def attempt(k: int) -> None:
        tried.fresh()
        if is_there:  # as a call that was cut off left it; then it needs one call fewer
            tried.into.mkdir()
            tried.into.chmod(OURS_MODE)
        assert not in_child(lambda: tried.call(effects(k))) or (is_there and k == len(tried.calls))
        tried.check_whole()
        tried.check_goes_on()

    for k, call in some(list(enumerate(tried.calls, start=1)), every):
        attempts.attempt(f"{k} of {len(tried.calls)}, {call.name} {call.args}", lambda k=k: attempt(k))
    attempts.report()
    tried.check_unchanged()


def test_rule_B_E_killed_at_every_effect(tried: Tried) -> None:
    sweep(tried, "restores killed at an effect", KillingEffects)


@pytest.mark.parametrize("lose", ["names", "some names", "data"])
def test_rule_B_D_E_the_power_goes_at_every_effect(tried: Tried, lose: str) -> None:
    """Into a folder that is there: what is lost is looked for below it. With some names lost at some effects only."""

    def effects(k: int) -> Effects:
        keep = k % 7 if lose == "some names" else 0
        return PowerCutEffects(k, bytes(tried.into), lose=lose.removeprefix("some "), keep=keep)

    every = 4 if lose == "some names" else 1
    sweep(tried, "restores cut off from power at an effect", effects, is_there=True, every=every)


def test_rule_B_E_every_effect_that_fails_is_told_and_the_next_call_goes_on(tried: Tried) -> None:
    attempts = Sweep("restores with an effect that failed")

    def attempt(effects: Effects) -> None:
        tried.fresh()
        try:
            result = tried.call(effects)
        except (Failed, WrongUse) as error:
            assert str(error).endswith("."), error
        else:
            # One name that was refused, metadata that was not taken: told, or else nothing came of it.
            if not result.exit_code and not result.written.lost:
                tried.check_complete()
        tried.check_whole()
        tried.check_goes_on(overwrite=True)

    for fault in faults(tried.calls):
        attempts.attempt(fault.label, lambda fault=fault: attempt(fault.effects()))
    attempts.report()
    tried.check_unchanged()


class Overwriting:
    """Over what stands there, of which two files differ."""

    def __init__(self, tried: Tried) -> None:
        self.tried = tried
        self.template = tried.into.parent / "there before"
        tried.into.rename(self.template)
        (self.template / KYRIE).unlink()
        (self.template / KYRIE).write_bytes(b"another recording")
        (self.template / PROGRAMME).write_text("another programme")
        tried.fresh(self.template)
        counting = CountingEffects()
        assert tried.call(counting, overwrite=True).exit_code == 0
        tried.check_complete(with_top=False)
        self.calls = counting.calls

    def check(self) -> None:
        tried = self.tried
        assert (tried.into / KYRIE).read_bytes() in (b"another recording", b"kyrie " * 500)
        assert (tried.into / PROGRAMME).read_text() in ("another programme", "Kyrie, Gloria\n")
        tried.check_goes_on(overwrite=True)


def test_rule_E_killed_while_overwriting_either_content_stands_whole(tried: Tried) -> None:
    over = Overwriting(tried)
    attempts = Sweep("restores killed at an effect")

    def attempt(k: int) -> None:
        tried.fresh(over.template)
        assert not in_child(lambda: tried.call(KillingEffects(k), overwrite=True))
        over.check()

    for k, call in enumerate(over.calls, start=1):
        attempts.attempt(f"{k} of {len(over.calls)}, {call.name} {call.args}", lambda k=k: attempt(k))
    attempts.report()


def test_rule_E_every_effect_fails_while_overwriting(tried: Tried) -> None:
    over = Overwriting(tried)
    attempts = Sweep("restores with an effect that failed")

    def attempt(effects: Effects) -> None:
        tried.fresh(over.template)
        try:
            tried.call(effects, overwrite=True)
        except (Failed, WrongUse) as error:
            assert str(error).endswith("."), error
        over.check()

    for fault in faults(over.calls):
        attempts.attempt(fault.label, lambda fault=fault: attempt(fault.effects()))
    attempts.report()


def test_rule_I_a_folder_swapped_for_a_symlink_while_it_is_filled(tried: Tried) -> None:
    outside = tried.into.parent / "outside"
    outside.mkdir()
    into = tried.into
    attempts = Sweep("a folder swapped for a symlink while it is filled")

    class Swapping(CountingEffects):
        def __init__(self, k: int) -> None:
            super().__init__()
            self._k = k

        def _perform(self, call: Callable, what: Call) -> object:
            place = into / CONCERT
            if self.count >= self._k and place.is_dir() and not place.is_symlink():
                place.rename(into / "moved away")
                place.symlink_to(outside)
            return super()._perform(call, what)

    def attempt(k: int) -> None:
        tried.fresh()
        tried.call(Swapping(k))
        tried.call(overwrite=True)
        assert os.listdir(outside) == []

    for k in some(range(1, len(tried.calls) + 1), every=3):
        attempts.attempt(f"{k} of {len(tried.calls)}", lambda k=k: attempt(k))
    attempts.report()


def test_short_reads_and_writes(tried: Tried) -> None:
    tried.fresh()
    assert tried.call(ShortEffects(7)).exit_code == 0
    tried.check_complete()


def test_a_failed_sync_is_not_tried_again_on_the_same_pages(tried: Tried) -> None:
    """Rule D: what was staged is written anew by the next call."""

    class FirstSyncFails(CountingEffects):
        def _perform(self, call: Callable, what: Call) -> object:
            if what.name == "syncfs" and self.by_name()[what.name] == 1:
                raise OSError(errno.EIO, "lost")
            return super()._perform(call, what)

    tried.fresh()
    with pytest.raises(Failed):
        tried.call(FirstSyncFails())
    assert [path for path in tried.into.rglob("*") if path.is_file() or path.is_symlink()] == []
    tried.check_goes_on()


@pytest.mark.parametrize("folder", [NOTES, ""])
def test_rule_G_a_folder_that_does_not_take_its_date_is_told_and_done_by_the_next_call(
    tried: Tried, folder: str
) -> None:
    """Once this was passed over in silence, and of the target itself ended the restore."""

    def of_folder(call: Call, _: int) -> bool:
        return call.name == "utime" and isinstance(call.args[0], int) and _place(call.args[0]) == tried.into / folder

    tried.fresh()
    result = tried.call(FailingCalls(of_folder, errno.ESTALE))
    assert result.exit_code == 1
    assert [each.path for each in result.refused.kept] == [os.fsencode(folder) or b"."]
    tried.check_goes_on()


def test_a_name_that_could_not_be_another_of_its_file_is_counted(tried: Tried) -> None:
    """As where a file can have no more names (EMLINK), or the file system has no hard links."""

    def of_file(call: Call, _: int) -> bool:
        return call.name == "link" and call.args[0].isdigit()

    tried.fresh()
    result = tried.call(FailingCalls(of_file, errno.EMLINK))
    assert (result.exit_code, result.written.lost) == (0, {"links": 1})
    names = (tried.into / KYRIE, tried.into / "kyrie again.wav")
    assert len({path.stat().st_ino for path in names}) == 2
    assert len({path.read_bytes() for path in names}) == 1


def _place(fd: int) -> Path:
    return Path(os.readlink(f"/proc/self/fd/{fd}"))


def test_a_file_of_its_own_where_the_copy_has_another_name_is_told(tried: Tried) -> None:
    """As after a call in which one of the names was refused: its content is right, and once that was what counted."""
    (tried.into / "kyrie again.wav").rename(tried.into / "x")
    run("cp", "-a", tried.into / "x", tried.into / "kyrie again.wav")
    (tried.into / "x").unlink()
    result = tried.call()
    assert result.exit_code == 1
    (left,) = result.left.kept
    assert left.path == b"kyrie again.wav" and "not another name of" in left.why
    assert tried.call(overwrite=True).exit_code == 0
    tried.check_complete(with_top=False)


# --- a tree with everything


@pytest.mark.parametrize("fails", [False, True], ids=["killed", "fails"])
def test_rule_E_at_some_effects_with_a_tree_with_everything(tmp_path: Path, fails: bool) -> None:
    pair = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")
    for path in tree_with_everything(pair.primary):
        os.unlink(os.fsencode(pair.primary) + b"/" + path)
    pair.run_well()
    into = tmp_path / "restored"
    counting = CountingEffects()
    restored(pair, into, effects=counting)
    assert unlike(pair.primary, into) == []
    attempts = Sweep("restores of a tree with everything, killed or an effect failed")

    def attempt(k: int) -> None:
        run("rm", "-rf", into)
        if fails:
            try:
                restored(pair, into, effects=FailingEffects(k, (errno.EIO, errno.ENOSPC)[k % 2]))
            except (Failed, WrongUse) as error:
                assert str(error).endswith("."), error
        else:
            assert not in_child(lambda: restored(pair, into, effects=KillingEffects(k)))
        result = restored(pair, into, overwrite=fails)
        assert result.exit_code == 0, result
        assert unlike(pair.primary, into) == []

    for k in range(1, counting.count + 1, STEP):
        attempts.attempt(f"{k} of {counting.count}, {counting.calls[k - 1].name}", lambda k=k: attempt(k))
    attempts.report()
