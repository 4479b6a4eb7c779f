"""Taking a pair over from its secondary: the primary dead, the box new, the state old, or what is there not to be
trusted. On real drives; what stands on them is compared by ordinary means.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from harness import Pair, footprint

from drives import MIB, Drive, DriveFactory
from nightferry.errors import AbsentDrive, Busy, Failed, WrongDrive
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.overview import Overview
from nightferry.manifest.records import Damage
from nightferry.night.pairing import make_pair
from nightferry.night.proposal import Proposal
from nightferry.tree.effects import Effects

KYRIE = "2026-05 spring concert/01 kyrie.wav"
GLORIA = "2026-05 spring concert/02 gloria.wav"


class World:
    """A pair after three nights, the second of which replaced one file and the third removed another."""

    def __init__(self, tmp_path: Path, both: tuple[Drive, Drive] | None = None) -> None:
        self.drives = both
        self.state = tmp_path / "state"
        given = both or (tmp_path / "primary", tmp_path / "secondary")
        self.pair = Pair(*given, self.state)
        self.primary, self.secondary = self.pair.primary, self.pair.secondary
        self.pair.write(KYRIE, b"kyrie" * 1000)
        self.pair.write(GLORIA, b"gloria" * 1000)
        os.symlink("01 kyrie.wav", self.pair.at("2026-05 spring concert/opening"))
        self.pair.run_well()
        self.pair.write(KYRIE, b"second take" * 1000)
        self.pair.run_well()
        self.pair.at(GLORIA).unlink()
        self.pair.run_well()
        self.new_box = tmp_path / "new box"

    @property
    def folder(self) -> Path:
        return self.pair.state_dir / "recordings"

    def unplug(self) -> None:
        """The primary is not there."""
        if self.drives is not None:
            self.drives[0].unmount()
        else:
            self.primary.rename(self.primary.with_name("away"))

    def plug_in(self) -> None:
        if self.drives is not None:
            self.drives[0].mount()
        else:
            self.primary.with_name("away").rename(self.primary)

    def lose_the_primary(self) -> None:
        """It died, and so did the box."""
        self.unplug()
        self.pair.state_dir = self.new_box

    def take_over(self) -> Proposal:
        """As a person who says yes; nothing on the secondary may change by it."""
        before = footprint(self.secondary)
        proposal = self.pair.pair()
        assert isinstance(proposal, Proposal)
        assert footprint(self.secondary) == before
        return proposal

    def refused(self, kind: type[Exception], *parts: str) -> None:
        before, had = footprint(self.secondary), self.folder.exists()
        with pytest.raises(kind) as refused:
            self.pair.pair()
        assert type(refused.value) is kind
        for part in parts:
            assert part in str(refused.value)
        assert footprint(self.secondary) == before
        assert self.folder.exists() == had

    def night_is_refused(self, *parts: str) -> None:
        before = footprint(self.secondary)
        with pytest.raises(WrongDrive) as refused:
            self.pair.run()
        assert refused.value.exit_code == 3
        for part in parts:
            assert part in str(refused.value)
        assert footprint(self.secondary) == before


@pytest.fixture
def world(tmp_path: Path) -> World:
    """On plain folders."""
    return World(tmp_path)


@pytest.fixture
def mounted(drives: DriveFactory, tmp_path: Path) -> World:
    """On two drives, where it matters that something is mounted."""
    return World(tmp_path, (drives("ext4", 32 * MIB), drives("ext4", 48 * MIB)))


def alter(path: Path, *statements: str) -> None:
    connection = sqlite3.connect(path)
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()


def damage(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(bytes(os.fstat(file.fileno()).st_size - 4096))


def _read_only(world: World) -> None:
    assert world.drives is not None
    world.drives[1].remount(read_only=True)


def sealed(world: World) -> list[Path]:
    return [world.pair.records / name for name in ("manifest.sqlite3", "manifest.previous.sqlite3")]


# --- the primary is gone


def test_rule_K_with_the_secondary_alone_on_a_new_box(mounted: World) -> None:
    mounted.lose_the_primary()
    proposal = mounted.take_over()
    assert (proposal.action, proposal.primary, proposal.older, proposal.is_previous) == ("adopt", None, None, False)
    assert proposal.secondary.path == mounted.secondary
    with mounted.pair.manifest() as manifest:
        last = manifest.runs.last()
        assert last is not None
        size_bytes = len(b"second take" * 1000) + len("01 kyrie.wav")
        assert proposal.found == Overview(
            manifest.generation, 2, size_bytes, 2, 3, "complete", last.ended_s, 0, False
        )  # fmt: skip
        assert proposal.generation == manifest.generation
        assert manifest.entries.find(KYRIE.encode()) is not None
    assert {mounted.pair.held()[path.encode()].content for path in (KYRIE, GLORIA)} == {
        b"kyrie" * 1000,
        b"gloria" * 1000,
    }
    mounted.night_is_refused("primary", str(mounted.primary))
    mounted.refused(AbsentDrive, "primary", str(mounted.primary))  # it is taken over already
    mounted.plug_in()
    mounted.pair.run_quiet()
    assert mounted.pair.differences() == []


def test_a_secondary_mounted_read_only_is_enough(mounted: World) -> None:
    mounted.lose_the_primary()
    _read_only(mounted)
    assert mounted.take_over().action == "adopt"
    with mounted.pair.manifest() as manifest:
        assert manifest.entries.find(KYRIE.encode()) is not None


def test_with_both_drives_a_secondary_mounted_read_only_is_enough_too(mounted: World) -> None:
    mounted.pair.state_dir = mounted.new_box
    _read_only(mounted)
    assert mounted.take_over().primary is not None


def test_a_new_empty_drive_in_the_primary_s_place(mounted: World, drives: DriveFactory) -> None:
    mounted.lose_the_primary()
    blank = drives("ext4", 32 * MIB)
    mounted.pair.set(primary=blank.root)
    before = footprint(blank.root)
    assert mounted.take_over().primary is None
    assert footprint(blank.root) == before
    mounted.night_is_refused("no identity card")
    mounted.refused(WrongDrive, "is not its primary", "nightferry restore recordings --new-primary")


def test_what_is_known_is_said(world: World) -> None:
    with world.pair.manifest(writable=True) as manifest:
        manifest.runs.find_damage(KYRIE.encode(), "secondary", "decayed", "verify", 3, 1_777_777_777.0, "one byte")
        manifest.runs.hold(3, 30, 2, "too many")
    world.pair.run()
    world.lose_the_primary()
    found = world.take_over().found
    assert found is not None
    assert (found.open_damage, found.is_held) in ((1, True), (0, False), (1, False), (0, True))
    with world.pair.manifest() as manifest:
        hold = manifest.runs.open_hold()
        assert found.open_damage == len(manifest.runs.damage())
        assert found.is_held == (hold is not None and hold.released_s is None)
        assert all(isinstance(each, Damage) for each in manifest.runs.damage())


def test_nothing_is_written_where_a_person_says_no(world: World) -> None:
    world.lose_the_primary()
    before = footprint(world.secondary)
    assert make_pair(world.pair.settings, world.new_box, lambda _: False) is None
    assert footprint(world.secondary) == before
    assert not world.new_box.exists()


def test_the_secondary_changed_while_a_person_was_asked(world: World) -> None:
    world.lose_the_primary()

    def agree(_: Proposal) -> bool:
        alter(sealed(world)[0], "UPDATE meta SET value = value + 1 WHERE key = 'generation'")
        return True

    with pytest.raises(Busy, match="meanwhile"):
        make_pair(world.pair.settings, world.new_box, agree)
    assert not (world.folder / FILE_NAME).exists()


def test_a_damaged_state_is_replaced_also_without_the_primary(world: World) -> None:
    world.unplug()
    damage(world.folder / FILE_NAME)
    assert world.take_over().action == "adopt"
    assert len(list(world.folder.glob("manifest.corrupt-*.sqlite3"))) == 1
    world.plug_in()
    world.pair.run_quiet()


# --- what is no secondary of this pair


def test_a_pair_of_another_name(world: World) -> None:
    world.lose_the_primary()
    world.pair.set(name="videos")
    world.refused(WrongDrive, 'the secondary of the pair "recordings"', "that name in the configuration")


def test_without_a_card_the_primary_is_what_is_missing(world: World, tmp_path: Path) -> None:
    world.lose_the_primary()
    (tmp_path / "blank").mkdir()
    world.pair.set(secondary=tmp_path / "blank")
    world.refused(AbsentDrive, str(world.primary))


def test_the_drives_swapped(world: World) -> None:
    """The secondary is where the configuration has the primary, and the primary is away."""
    world.lose_the_primary()
    world.pair.set(primary=world.primary.with_name("nothing"), secondary=world.primary.with_name("away"))
    with pytest.raises(AbsentDrive, match="nothing"):
        world.pair.pair()
    assert not world.new_box.exists()


def test_both_away(mounted: World) -> None:
    mounted.lose_the_primary()
    assert mounted.drives is not None
    mounted.drives[1].unmount()
    with pytest.raises(AbsentDrive, match=str(mounted.primary)):
        mounted.pair.pair()
    assert not mounted.new_box.exists()


def test_a_card_copied_from_another_drive(world: World, tmp_path: Path) -> None:
    world.lose_the_primary()
    shutil.copytree(world.secondary, tmp_path / "saved", symlinks=True)
    world.pair.set(secondary=tmp_path / "saved")
    world.refused(WrongDrive, "copied there from another drive")


# --- an old state


def test_a_state_from_an_old_image_gives_way_to_the_newer_one(world: World, tmp_path: Path) -> None:
    shutil.copytree(world.state, tmp_path / "image")
    with world.pair.manifest() as manifest:
        old = manifest.generation
    world.pair.write(GLORIA, b"a new gloria" * 100)
    world.pair.run_well()
    shutil.rmtree(world.state)
    (tmp_path / "image").rename(world.state)
    world.night_is_refused("older", "nightferry pair recordings", "keeps this one aside")
    proposal = world.take_over()
    assert (proposal.action, proposal.older) == ("adopt", old)
    assert proposal.generation is not None
    assert proposal.generation > old
    (aside,) = world.folder.glob("manifest.older-*.sqlite3")
    with Manifest.look(aside, Effects(), in_use=False) as manifest:
        last = manifest.runs.last()
        assert (manifest.generation, last and last.number) == (old, 3)
    world.pair.run_quiet()
    with world.pair.manifest() as manifest:
        assert [run.number for run in manifest.runs.all()] == [5, 4, 3, 2, 1]  # the history of the newer one


def test_an_old_state_keeps_what_was_only_in_its_log(world: World, tmp_path: Path) -> None:
    working = Manifest.open(world.folder / FILE_NAME, Effects())
    working.runs.leave_out(3, [("unreadable", b"in the log", "")])  # type: ignore[list-item]
    shutil.copytree(world.state, tmp_path / "image")
    working.close()
    assert (tmp_path / "image/recordings" / (FILE_NAME + "-wal")).stat().st_size
    world.pair.run_well()
    shutil.rmtree(world.state)
    (tmp_path / "image").rename(world.state)
    assert world.take_over().older is not None
    (aside,) = world.folder.glob("manifest.older-*.sqlite3")
    with Manifest.look(aside, Effects(), in_use=False) as manifest:
        assert [left.path for left in manifest.runs.left_out(3)] == [b"in the log"]
    assert not list(world.folder.glob("*-wal"))
    world.pair.run_quiet()


def test_an_old_state_without_the_primary_too(world: World, tmp_path: Path) -> None:
    shutil.copytree(world.state, tmp_path / "image")
    world.pair.run_well()
    shutil.rmtree(world.state)
    (tmp_path / "image").rename(world.state)
    world.unplug()
    assert world.take_over().older is not None


def test_a_state_as_new_as_the_secondary_stays(world: World) -> None:
    before = (world.folder / FILE_NAME).read_bytes()
    assert world.take_over().action == "none"
    alter(world.folder / FILE_NAME, "UPDATE meta SET value = value + 1 WHERE key = 'generation'")
    assert world.take_over().action == "none"
    assert (world.folder / FILE_NAME).read_bytes() != before  # by the line above alone
    assert not list(world.folder.glob("manifest.older-*"))


def test_the_state_of_another_pair_of_this_name_stays(world: World) -> None:
    alter(world.folder / FILE_NAME, "UPDATE meta SET value = 'other' WHERE key = 'pair_id'")
    world.refused(WrongDrive, "another pair of the same name", "move that folder")


# --- what is sealed there cannot be trusted

EVIL = (
    "UPDATE entry SET name = CAST('../../../../etc/cron.d/evil' AS BLOB)"
    " WHERE id = (SELECT max(id) FROM entry WHERE kind = 2)"
)
HARMS: dict[str, Callable[[Path], None]] = {
    "damaged": damage,
    "cut short": lambda path: os.truncate(path, os.stat(path).st_size // 2),
    "altered": lambda path: alter(path, EVIL),
    "held outside": lambda path: alter(path, "UPDATE past SET held = CAST('/etc/shadow' AS BLOB)"),
    "with a trigger": lambda path: alter(
        path, "CREATE TRIGGER evil AFTER DELETE ON intent BEGIN DELETE FROM past; END"
    ),
}


@pytest.mark.parametrize(("harm", "alone"), [*((harm, True) for harm in HARMS), ("altered", False), ("damaged", False)])
def test_rule_I_the_one_before_is_taken_over_instead(world: World, harm: str, alone: bool) -> None:
    HARMS[harm](sealed(world)[0])
    if alone:
        world.lose_the_primary()
    else:
        world.pair.state_dir = world.new_box
    proposal = world.take_over()
    assert (proposal.action, proposal.is_previous) == ("adopt", True)
    assert proposal.found is not None
    with world.pair.manifest() as manifest:
        paths = {path for path, _ in manifest.entries.below(1, b"") if path}
        assert paths == {b"2026-05 spring concert", KYRIE.encode(), b"2026-05 spring concert/opening"}
    if alone:
        world.plug_in()
    world.pair.run_well()
    assert world.pair.differences() == []


@pytest.mark.parametrize("harm", ["damaged", "altered"])
def test_rule_I_nothing_is_taken_over_where_neither_is_sound(world: World, harm: str) -> None:
    for path in sealed(world):
        HARMS[harm](path)
    world.lose_the_primary()
    assert world.take_over().action == "rebuild"  # by reading the secondary alone
    with world.pair.manifest() as manifest:
        paths = {path for path, _ in manifest.entries.below(1, b"") if path}
        assert paths == {b"2026-05 spring concert", KYRIE.encode(), b"2026-05 spring concert/opening"}
    held = {each.content for each in world.pair.held().values()}
    assert held == {b"kyrie" * 1000, b"gloria" * 1000}
    world.night_is_refused("primary")
    world.plug_in()
    world.pair.run_well()
    assert world.pair.differences() == []


def test_rule_I_a_damaged_working_state_is_not_replaced_by_an_altered_one(world: World) -> None:
    """The night itself takes a sealed one where its own is damaged: with the same care."""
    for path in sealed(world):
        alter(path, EVIL)
    damage(world.folder / FILE_NAME)
    before = footprint(world.primary, world.secondary)
    with pytest.raises(Failed, match="no sound one in records/"):
        world.pair.run()
    assert footprint(world.primary, world.secondary) == before


def test_rule_I_a_journal_on_the_drive_is_never_carried_out(world: World) -> None:
    """A sealed manifest has an empty one. What an altered one has would be renamed and removed by the next night."""
    alter(
        sealed(world)[0],
        "INSERT INTO intent (run, action, path) SELECT 3, 'expire', held FROM past WHERE held IS NOT NULL LIMIT 1",
        "INSERT INTO intent (run, action, path) VALUES (3, 'expire', CAST('../copy' AS BLOB))",
        "INSERT INTO intent (run, action, path, source, kind, size_bytes, mtime_ns, ctime_ns)"
        " VALUES (3, 'move', CAST('a' AS BLOB), CAST('../records' AS BLOB), 1, 0, 0, 0)",
    )
    world.lose_the_primary()
    assert world.take_over().is_previous is False
    with world.pair.manifest() as manifest:
        assert manifest.journal.read() == []
    world.plug_in()
    world.pair.run_quiet()
    assert len(world.pair.held()) == 2


def test_a_newer_one_is_neither_passed_over_nor_built_anew(world: World) -> None:
    alter(sealed(world)[0], "UPDATE meta SET value = '99' WHERE key = 'schema'")
    world.lose_the_primary()
    with pytest.raises(Failed, match="install that version"):
        world.pair.pair()
    assert not world.new_box.exists()
    world.plug_in()
    with pytest.raises(Failed, match="install that version"):
        world.pair.pair()


def test_a_symlink_in_place_of_a_sealed_one_is_not_followed(world: World, tmp_path: Path) -> None:
    first = sealed(world)[0]
    shutil.copyfile(first, tmp_path / "elsewhere.sqlite3")
    first.unlink()
    first.symlink_to(tmp_path / "elsewhere.sqlite3")
    world.lose_the_primary()
    assert world.take_over().is_previous


def test_a_full_system_disk_leaves_the_old_state(world: World, drives: DriveFactory) -> None:
    small: Drive = drives("ext4", 16 * MIB)
    (small.root / "state/recordings").mkdir(parents=True)
    working = small.root / "state/recordings" / FILE_NAME
    shutil.copyfile(world.folder / FILE_NAME, working)
    alter(working, "UPDATE meta SET value = '1' WHERE key = 'generation'")
    with open(small.root / "filler", "wb", buffering=0) as filler, pytest.raises(OSError, match="No space"):
        while True:
            filler.write(bytes(4096))
    before = working.read_bytes()
    world.pair.state_dir = small.root / "state"
    with pytest.raises(Failed):
        world.pair.pair()
    assert working.read_bytes() == before
    (small.root / "filler").unlink()
    assert world.take_over().older == 1
    world.pair.run_quiet()
