"""Taking stock adds what it finds, and leaves what is recorded: after the state is lost, damaged or old, each night
that a record speaks of is restored as it was (rule E), and what no record speaks of is said to be not known (rule N).

What each night left on the primary is noted with the standard library alone.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from crash_world import Thing, different, fast_folder, look, primary_of
from harness import Pair, contents

from effects_faults import KILLED, Call, CountingEffects, in_child
from nightferry.manifest.nights import nights
from nightferry.night.context import Stop, Unwatched
from nightferry.planning.as_of import kept_since
from nightferry.recovery.restoring.opening import open_alone, open_configured
from nightferry.recovery.restoring.restore import Request, restore
from nightferry.recovery.restoring.result import RestoreResult
from nightferry.tree.effects import Effects

Record = dict[int, dict[bytes, Thing]]


def restored(pair: Pair, into: Path, as_of: int | None, *, alone: bool) -> tuple[RestoreResult, dict[bytes, Thing]]:
    """What `nightferry restore --as-of` does, and what stands in its folder then."""
    shutil.rmtree(into, ignore_errors=True)
    effects = Effects()
    opened = (
        open_alone(pair.secondary, effects, pair=None)
        if alone
        else open_configured(pair.settings, pair.state_dir, effects)
    )
    with opened as source:
        request = Request(into, as_of=None if as_of is None else str(as_of))
        result = restore(source, request, Unwatched(), effects, pair.clock, Stop(pair.clock))
    return result, look(into)


def check(pair: Pair, record: Record, tmp_path: Path, *, codes: tuple[int, ...] = (0,)) -> None:
    """Every recorded night is restored as it was, from the state and from the secondary alone."""
    for alone in (False, True):
        for number, wanted in record.items():
            result, found = restored(pair, tmp_path / "restored", number, alone=alone)
            assert different(wanted, found) == [], f"as of night {number}, alone: {alone}: {result}"
            assert result.exit_code in codes, f"as of night {number}, alone: {alone}: {result}"


def lose_the_state(pair: Pair) -> None:
    shutil.rmtree(pair.state_dir)
    pair.pair()


def corrupt_the_state(pair: Pair) -> None:
    """A night replaces it."""
    path = pair.state_dir / "recordings/manifest.sqlite3"
    path.write_bytes(path.read_bytes()[:4096] + bytes(8192))
    assert "damaged" in " ".join(pair.run().notes)


Loss = Callable[[Pair], None]
losses = pytest.mark.parametrize("lose", [lose_the_state, corrupt_the_state])


class Nights:
    """A pair, and what its primary held after each night."""

    def __init__(self, pair: Pair) -> None:
        self.pair, self.record = pair, Record()

    def run(self) -> None:
        result = self.pair.run_well()
        self.record[result.number] = primary_of(self.pair)
        self.pair.clock.pass_days(1)


@pytest.fixture
def pair(tmp_path: Path) -> Iterator[Pair]:
    """In memory, where that is possible."""
    folder, remove = fast_folder(tmp_path)
    yield Pair(folder / "primary", folder / "secondary", folder / "state")
    remove()


@pytest.fixture
def removed(pair: Pair) -> Nights:
    """A folder that two nights added to and the fourth removed."""
    nights = Nights(pair)
    for number in range(8):
        pair.write(f"m/{number}.wav", f"take {number}")
    pair.write("kept.wav", "kept")
    nights.run()
    pair.write("m/added.wav", "added")
    nights.run()
    pair.write("m/another.wav", "another")
    nights.run()
    shutil.rmtree(pair.at("m"))
    nights.run()
    nights.run()
    return nights


@pytest.fixture
def renamed(pair: Pair) -> Nights:
    """A folder in which a file was changed, then renamed; and one renamed and changed in one night."""
    nights = Nights(pair)
    for folder in ("2026-05 concert", "2025 autumn"):
        pair.write(f"{folder}/kyrie.wav", f"first {folder}")
        pair.write(f"{folder}/gloria.wav", f"gloria {folder}")
    nights.run()
    pair.write("2026-05 concert/kyrie.wav", "second take")
    nights.run()
    pair.at("2026-05 concert").rename(pair.at("2026-05 spring concert"))
    nights.run()
    pair.at("2025 autumn").rename(pair.at("2025 winter"))
    pair.write("2025 winter/kyrie.wav", "winter take")
    nights.run()
    nights.run()
    return nights


@losses
def test_E_N_a_removed_folder_stays_in_the_nights_that_had_it(removed: Nights, lose: Loss, tmp_path: Path) -> None:
    lose(removed.pair)
    check(removed.pair, removed.record, tmp_path)
    removed.pair.run_well()
    check(removed.pair, removed.record, tmp_path)
    with removed.pair.manifest() as manifest:
        assert all(night.is_whole and night.is_known for night in nights(manifest))


@losses
def test_E_N_a_renamed_folder_stays_in_the_nights_that_had_it(renamed: Nights, lose: Loss, tmp_path: Path) -> None:
    lose(renamed.pair)
    check(renamed.pair, renamed.record, tmp_path)
    renamed.pair.run_well()
    check(renamed.pair, renamed.record, tmp_path)
    with renamed.pair.manifest() as manifest:
        assert all(night.is_whole and night.is_known for night in nights(manifest))


def _without_records(pair: Pair) -> None:
    """The box is gone, and with it every manifest."""
    shutil.rmtree(pair.state_dir)
    for path in pair.records.glob("manifest*"):
        path.unlink()
    pair.pair()


def test_E_N_without_any_record_earlier_nights_are_not_known(removed: Nights, tmp_path: Path) -> None:
    pair = removed.pair
    _without_records(pair)
    for sealed in (False, True):
        if sealed:
            pair.run_well()
        for number in range(1, 4):  # the last is the one that removed the folder, which its name says
            result, found = restored(pair, tmp_path / "restored", number, alone=sealed)
            assert result.exit_code == 1
            assert f"What night {number} left is not known" in " ".join(result.notes)
            assert contents_of(removed.record[number]) <= contents_of(found)
        result, found = restored(pair, tmp_path / "restored", 4, alone=sealed)
        assert (result.exit_code, contents_of(found)) == (1, contents_of(removed.record[4]))
        result, found = restored(pair, tmp_path / "restored", None, alone=sealed)
        assert (result.exit_code, contents_of(found)) == (0, contents_of(removed.record[5]))
        with pair.manifest() as manifest:
            known = nights(manifest)
            assert [each.number for each in known if not each.is_known] == [1, 2, 3, 4]
            assert kept_since(known) == (known[4] if sealed else None)


def contents_of(things: dict[bytes, Thing]) -> set[tuple[bytes, str, bytes]]:
    return {(path, thing.kind, thing.content) for path, thing in things.items() if thing.kind != "d"}


@losses
def test_E_N_nights_after_the_last_sound_seal_are_not_known(removed: Nights, lose: Loss, tmp_path: Path) -> None:
    """The newest seal is damaged: the one before it knows four nights."""
    pair = removed.pair
    pair.write("kept.wav", "another take")
    pair.write("new/folder.wav", "new")
    removed.run()
    pair.write("kept.wav", "a third take")
    removed.run()
    (pair.records / "manifest.sqlite3").write_bytes(b"damaged")
    lose(pair)
    unknown = removed.record.pop(7)
    if lose is lose_the_state:
        check(pair, removed.record, tmp_path, codes=(0, 1))  # alone: the records are older than the copy
    result, found = restored(pair, tmp_path / "restored", 7, alone=False)
    assert (result.exit_code, contents_of(found)) == (1, contents_of(unknown))
    removed.run()
    check(pair, removed.record, tmp_path)
    result, found = restored(pair, tmp_path / "restored", 7, alone=True)
    assert (result.exit_code, contents_of(found)) == (1, contents_of(unknown))


# --- a box that dies within a night


class CutAfter(CountingEffects):
    """Ends the process, as SIGKILL does, after the first call of a kind that something is true of."""

    def __init__(self, name: str, fits: Callable[[tuple[object, ...]], bool]) -> None:
        super().__init__()
        self._name, self._fits = name, fits

    def _perform(self, call: Callable[..., object], what: Call) -> object:
        result = super()._perform(call, what)
        if what.name == self._name and self._fits(what.args):
            os._exit(KILLED)
        return result


def moves(name: bytes) -> Callable[[tuple[object, ...]], bool]:
    return lambda args: any(isinstance(each, bytes) and each == name for each in args)


@pytest.fixture
def cut_off(pair: Pair) -> Nights:
    """Killed once a folder and a file had their new names, and one that was replaced stood in retired/."""
    nights = Nights(pair)
    for number in range(8):
        pair.write(f"m/deep/{number}.wav", f"take {number}")
        pair.write(f"scans/{number}.png", f"score {number}")
    pair.write("kyrie.wav", "first kyrie")
    pair.write("same size.wav", "1" * 100)
    pair.write("other.wav", "2" * 100)
    nights.run()
    pair.write("kept.wav", "kept")
    nights.run()
    pair.at("m").rename(pair.at("2026-05 spring concert"))
    pair.at("scans/3.png").rename(pair.at("scans/title.png"))
    pair.write("scans/4.png", "another score")
    pair.at("same size.wav").rename(pair.at("swap"))
    pair.at("other.wav").rename(pair.at("same size.wav"))
    pair.at("swap").rename(pair.at("other.wav"))
    shutil.rmtree(pair.at("2026-05 spring concert/deep"))
    pair.write("kyrie.wav", "second kyrie")
    ended = in_child(lambda: pair.run(effects=CutAfter("rename", moves(b"0.wav"))))
    assert not ended
    assert not (pair.copy / "m").exists()
    shutil.rmtree(pair.state_dir)
    return nights


def test_E_K_after_a_night_cut_off_the_secondary_alone_gives_all_that_was(cut_off: Nights, tmp_path: Path) -> None:
    for number, wanted in cut_off.record.items():
        result, found = restored(cut_off.pair, tmp_path / "restored", number, alone=True)
        assert different(wanted, found) == []
        assert result.bad.count == 0
        assert result.elsewhere.count > 8
        assert result.exit_code == 1


def test_E_K_after_a_night_cut_off_a_new_box_gives_all_that_was(cut_off: Nights, tmp_path: Path) -> None:
    pair = cut_off.pair
    pair.pair()
    for number, wanted in cut_off.record.items():
        result, found = restored(pair, tmp_path / "restored", number, alone=False)
        assert different(wanted, found) == []
        assert result.bad.count == 0
    with pair.manifest() as manifest:  # what moved is known as the same file, which is kept
        assert [night.lost_files for night in nights(manifest)[:2]] == [0, 0]
    cut_off.run()
    assert pair.differences() == []
    for alone in (False, True):
        for number, wanted in cut_off.record.items():
            result, found = restored(pair, tmp_path / "restored", number, alone=alone)
            assert different(wanted, found) == []
            assert result.bad.count == 0


def test_B_E_what_no_record_has_below_retired_stands_in_no_night(removed: Nights, tmp_path: Path) -> None:
    """A person, or a drive that lost writes, put it there: it is kept, and history is what it was."""
    pair = removed.pair
    stamp = next(path for path in pair.retired.iterdir() if path.name.startswith("000004"))
    for path in ("m/0.wav~", "m/deep/er/foreign.wav", "m/kept.wav", "else/where.wav"):
        (stamp / path).parent.mkdir(parents=True, exist_ok=True)
        (stamp / path).write_bytes(path.encode())
    lose_the_state(pair)
    check(pair, removed.record, tmp_path)
    removed.run()
    check(pair, removed.record, tmp_path)
    with pair.manifest() as manifest:
        assert set(manifest.past.all_held()) == set(contents(pair.retired))
        assert all(night.is_known for night in nights(manifest))
    lose_the_state(pair)  # the seal is taken for sound
    check(pair, removed.record, tmp_path)
