"""A state and a secondary of different moments of one night: found out, looked into, and put right (rules B, D, E, F).

Here the two are saved at commits of one and the same night and put together; on real disks that are cut off apart,
tests/power/test_system_disk.py does it.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from crash_world import World, copy_of, different, fast_folder, look
from harness import Pair, contents, footprint

from effects_faults import KILLED, Call, CountingEffects, KillingEffects, in_child
from nightferry.errors import Failed, WrongDrive
from nightferry.manifest.journal import Counters
from nightferry.manifest.records import Intent
from nightferry.night import counters
from nightferry.night.carry import Carrier
from nightferry.night.context import Clock
from nightferry.recovery.opening import open_pair
from nightferry.tree.durability import Barrier
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root
from nightferry.volumes.capabilities import Capabilities

KYRIE = "2026-05 spring concert/01 kyrie.wav"
CAN = Capabilities(
    hard_links=True, exchange=True, symlinks=True, owners=True, modes=True, user_xattrs=True, posix_acls=True,
    time_granularity_ns=1, case_sensitive=True, sparse=True, direct_reads=True, directory_fsync=True, raw_names=True,
    syncfs_covers=True, direct_writes=True,
)  # fmt: skip


# --- the two numbers


@pytest.fixture
def drive(tmp_path: Path) -> Iterator[Root]:
    (tmp_path / "drive/records").mkdir(parents=True)
    root = Root(os.open(tmp_path / "drive", os.O_RDONLY | os.O_DIRECTORY), Effects())
    try:
        yield root
    finally:
        root.close()


def test_what_was_written_is_read(drive: Root, tmp_path: Path) -> None:
    barrier = Barrier(drive, syncfs_covers=True)
    assert counters.read(drive) is None
    for wanted in (Counters(1, 0), Counters(1, 1), Counters(12, 9), Counters(12, 9), Counters(7, 7)):
        counters.write(drive, barrier, wanted)
        assert counters.read(drive) == wanted
        assert len(os.listdir(tmp_path / "drive/records")) == 1


def test_names_that_are_none_of_ours_are_passed_over(drive: Root, tmp_path: Path) -> None:
    records = tmp_path / "drive/records"
    for name in ("changes-1-2", "changes-00000000000x-000000000001", "changes-" + "9" * 13 + "-" + "0" * 12):
        (records / name).write_text("the choir's own")
    assert counters.read(drive) is None
    counters.write(drive, Barrier(drive, syncfs_covers=True), Counters(3, 2))
    assert counters.read(drive) == Counters(3, 2)
    assert len(os.listdir(records)) == 4


class _Journal:
    def __init__(self, begun: int, done: int, is_open: bool) -> None:
        self._counters, self._is_open = Counters(begun, done), is_open

    def counters(self) -> Counters:
        return self._counters

    def is_open(self) -> bool:
        return self._is_open


@pytest.mark.parametrize(
    ("here", "on_drive", "lost"),
    [
        ((0, 0, False), None, None),  # a pair that a nightferry without counters made, or a new one
        ((5, 9, False), (5, 9), None),
        ((5, 9, False), (5, 10), None),  # metadata set, and cut off before the state entered it
        ((5, 9, True), (4, 9), None),  # cut off between the journal and the first barrier
        ((5, 9, True), (5, 9), None),  # between the barriers
        ((5, 9, True), (5, 10), None),  # after the second
        ((1, 0, True), None, None),  # the very first batch
        ((5, 9, False), (6, 9), "state"),
        ((5, 9, True), (6, 10), "state"),
        ((5, 9, False), (5, 11), "state"),
        ((0, 0, False), (1, 1), "state"),
        ((5, 9, False), (5, 8), "secondary"),
        ((5, 9, False), (4, 9), "secondary"),
        ((5, 9, True), (3, 9), "secondary"),
        ((5, 9, False), None, "secondary"),
    ],
)
def test_who_lost(here: tuple[int, int, bool], on_drive: tuple[int, int] | None, lost: str | None) -> None:
    found = None if on_drive is None else Counters(*on_drive)
    assert counters.who_lost(_Journal(*here), found) == lost  # type: ignore[arg-type]


# --- whole nights


@pytest.fixture
def world(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[World]:
    folder, remove = fast_folder(tmp_path)
    try:
        made = World(folder, monkeypatch)
        made.reference(CountingEffects())
        made.put_back()
        yield made
    finally:
        remove()


class Saving(CountingEffects):
    """Saves both sides after the n-th commit, and ends the process after the m-th. For a process of its own."""

    def __init__(self, world: World, n: int, m: int) -> None:
        super().__init__()
        self._world, self._n, self._m = world, n, m
        self._commits = 0

    def _perform(self, call: Callable, what: Call) -> object:
        result = super()._perform(call, what)
        if what.name == "commit":
            self._commits += 1
            if self._commits == self._n:
                self._world.keep_aside()
            if self._commits == self._m:
                os._exit(KILLED)
        return result


def _commits(world: World) -> int:
    """Before the seal, whose first commit raises the generation."""
    counting = CountingEffects()
    world.run(counting)
    world.put_back()
    names = [call.name for call in counting.calls]
    last_sync = max(n for n, name in enumerate(names) if name == "syncfs")
    return names[:last_sync].count("commit") - 3


PARTS = [(0.05, 0.95), (0.2, 0.6), (0.4, 0.8), (0.6, 0.95)]


def _apart(world: World, parts: tuple[float, float], side: str) -> None:
    """The named side is the earlier of the two."""
    count = _commits(world)
    n, m = (max(1, int(count * part)) for part in parts)
    assert not in_child(lambda: world.run(Saving(world, n, m)))
    source, target = {
        "state": (world.base / "aside/state", world.pair.state_dir),
        "secondary": (world.base / "aside/secondary", world.pair.secondary),
    }[side]
    world._copy(source, target)


@pytest.mark.parametrize("side", ["state", "secondary"])
@pytest.mark.parametrize("parts", PARTS)
def test_rule_B_E_one_of_the_two_lost_a_part_of_the_night(world: World, parts: tuple[float, float], side: str) -> None:
    _apart(world, parts, side)
    had = set(contents(world.pair.copy).values()) | set(contents(world.pair.retired).values())
    changed = {"keep_retired": timedelta(days=30), "verify_cycle": timedelta(days=1)}
    world.pair.settings = world.pair.settings.model_copy(update=changed)
    result = world.run()
    assert result.outcome == "complete", result
    (note,) = [note for note in result.notes if "looked at before this night began" in note]
    assert ("The state here is older" in note) == (side == "state")
    assert ("The secondary holds less" in note) == (side == "secondary")
    world.pair.clock.pass_days(1)
    later = world.pair.run_well()
    assert not [note for note in later.notes if "looked at before" in note], "once is enough"
    assert different(world.primary, copy_of(world.pair)) == []
    assert had <= set(contents(world.pair.copy).values()) | set(contents(world.pair.retired).values())
    with world.pair.manifest() as manifest:
        assert set(manifest.past.all_held()) == set(contents(world.pair.retired))
    assert later.tally.damage == 0
    assert world.pair.staging() == []


def test_rule_E_cut_off_while_it_looks_it_looks_again(world: World) -> None:
    _apart(world, (0.2, 0.8), "state")
    counting = CountingEffects()
    assert not in_child(lambda: world.run(KillingEffects(3)))
    assert not in_child(lambda: world.run(KillingEffects(5)))
    result = world.run(counting)
    assert any("The state here is older" in note for note in result.notes)
    assert world.pair.run_well().notes == []
    assert different(world.primary, copy_of(world.pair)) == []


def test_rule_E_a_death_alone_is_not_taken_for_a_loss(world: World) -> None:
    """Nothing was lost: then the journal is enough, and nobody is told to distrust a disk."""
    counting = CountingEffects()
    world.run(counting)
    for k in range(1, counting.count, counting.count // 12):
        world.put_back()
        assert not in_child(lambda k=k: world.run(KillingEffects(k)))
        result = world.run()
        assert not [note for note in result.notes if "looked at before" in note], (k, result.notes)


def test_rule_B_by_hand_nothing_is_judged_or_mended_before(world: World) -> None:
    _apart(world, (0.2, 0.8), "state")
    before = footprint(world.pair.secondary)
    with (
        pytest.raises(Failed, match="nightferry run recordings"),
        open_pair(world.pair.settings, world.pair.state_dir, "mend", Effects()),
    ):
        pass
    assert footprint(world.pair.secondary) == before


def test_a_night_counts_on_both_sides_alike(pair: Pair) -> None:
    pair.write(KYRIE, b"kyrie")
    pair.run_well()
    (name,) = [each for each in os.listdir(pair.records) if each.startswith("changes-")]
    with pair.manifest() as manifest:
        here = manifest.journal.counters()
        assert here.begun >= 2  # a folder and a file
        assert name == f"changes-{here.begun:012d}-{here.done:012d}"
    pair.run_quiet()
    assert name in os.listdir(pair.records), "a quiet night changes nothing"


def test_a_state_of_before_there_were_counters_goes_on(pair: Pair) -> None:
    pair.write(KYRIE, b"kyrie")
    pair.run_well()
    with pair.manifest(writable=True) as manifest, manifest.database.transaction() as connection:
        connection.execute("DELETE FROM meta WHERE key IN ('begun', 'done')")
    for each in pair.records.glob("changes-*"):
        each.unlink()
    pair.write(KYRIE, b"kyrie, mastered")
    assert pair.run_well().notes == []
    assert len(list(pair.records.glob("changes-*"))) == 1


# --- what power cuts found (tests/power), each on its own


def test_damage_that_a_cut_off_night_left_open_keeps_nothing_from_expiring_once_mended(
    make: Callable[..., Pair],
) -> None:
    """It is found and entered, then the power goes: the next night mends it, and is as good as any from then on."""
    pair = make(keep_retired="3d", keep_retired_at_least="0d", verify_cycle="1d")
    pair.write(KYRIE, b"kyrie, first")
    pair.write("02 gloria.wav", b"gloria")
    pair.run_well()
    pair.write(KYRIE, b"kyrie, second")
    for _ in range(4):
        pair.clock.pass_days(1)
        pair.run_well()
    pair.clock.pass_days(1)
    copy = pair.copy / "02 gloria.wav"
    times = copy.stat()
    copy.write_bytes(b"glorix")
    os.utime(copy, ns=(times.st_atime_ns, times.st_mtime_ns))
    with pair.manifest(writable=True) as manifest:
        manifest.runs.find_damage(b"02 gloria.wav", "secondary", "decayed", "night", 4, Clock().now_s(), "")
        assert len(list(manifest.past.all_held())) == 1
    result = pair.run_well()
    assert copy.read_bytes() == b"gloria"
    assert (result.open_damage, result.tally.expired) == (0, 1)


def test_rule_F_records_of_an_older_seal_are_refused(pair: Pair, tmp_path: Path) -> None:
    """As after an old image was put back on the secondary: the state knows that more was sealed there."""
    for content in (b"first", b"second", b"third"):
        pair.write(KYRIE, content)
        pair.run_well()
        pair.clock.pass_days(1)
        if content == b"first":
            shutil.copytree(pair.records, tmp_path / "old records")
    pair.run_well()
    for name in ("manifest.sqlite3", "manifest.previous.sqlite3"):
        (pair.records / name).unlink()
    shutil.copy(tmp_path / "old records/manifest.sqlite3", pair.records)
    before = footprint(pair.secondary)
    with pytest.raises(WrongDrive, match="is older than the state here") as caught:
        pair.run()
    assert caught.value.exit_code == 3
    assert footprint(pair.secondary) == before


class _EndingBeforeDates(CountingEffects):
    """Ends the process at the first commit after a name of the copy was replaced: no folder has its date back yet."""

    def _perform(self, call: Callable, what: Call) -> object:
        if what.name == "commit" and any(each.name == "rename" for each in self.calls):
            os._exit(KILLED)
        return super()._perform(call, what)


@pytest.mark.parametrize("folder", ["", "2026-05 spring concert"])
def test_folders_have_their_dates_after_a_cut_off_night_and_a_lost_state(pair: Pair, folder: str) -> None:
    """A file changed in place moves no date on the primary, and its new copy moves that of the folder it comes into."""
    pair.write(KYRIE, b"kyrie")
    pair.write("members.txt", b"members")
    pair.run_well()
    pair.write(f"{folder}/01 kyrie.wav" if folder else "members.txt", b"corrected")

    def date(root: Path) -> int:
        return (root / folder).stat().st_mtime_ns

    assert date(pair.copy) == date(pair.primary)
    assert not in_child(lambda: pair.run(effects=_EndingBeforeDates()))
    assert date(pair.copy) != date(pair.primary)
    shutil.rmtree(pair.state_dir / "recordings")
    pair.pair()
    result = pair.run_well()
    assert result.tally.changed == 0, "its content was found to be the new one already"
    assert date(pair.copy) == date(pair.primary)


def test_removing_a_folder_below_what_is_a_file_by_now_is_done_already(tmp_path: Path) -> None:
    """The folder went, then the one above it, and a file got its name; then the state lost that it had been so."""
    (tmp_path / "drive/copy").mkdir(parents=True)
    (tmp_path / "drive/copy/archive").write_text("a file now")
    root = Root(os.open(tmp_path / "drive", os.O_RDONLY | os.O_DIRECTORY), Effects())
    try:
        barrier = Barrier(root, syncfs_covers=True)
        Carrier(root, barrier, CAN).carry_out(Intent("remove_folder", b"archive/1998"))
    finally:
        root.close()
    assert look(tmp_path / "drive/copy").keys() == {b"", b"archive"}
