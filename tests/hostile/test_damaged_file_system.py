"""What a drive leaves that lies (tests/power/test_lying_drives.py): a file system that contradicts itself, old names.

The first is made with debugfs on a real ext4, and put right by e2fsck, both of e2fsprogs.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from harness import Pair, contents
from world import World

from counts import count_case
from drives import MIB, Drive, DriveFactory, run
from effects_faults import KILLED, Call, CountingEffects, in_child
from nightferry.night.run import Result

KYRIE = "2026-05 spring concert/01 kyrie.wav"
PROGRAMME = "programme.txt"


class Box:
    def __init__(self, drives: DriveFactory, tmp_path: Path) -> None:
        self.secondary: Drive = drives("ext4", 64 * MIB)
        self.pair = Pair(drives("ext4", 32 * MIB), self.secondary, tmp_path / "state", verify_cycle="1d")
        self.pair.write(KYRIE, b"kyrie " * 1000)
        self.pair.write(PROGRAMME, "Kyrie\n")
        self.pair.run_well()
        self.pair.clock.pass_days(1.1)

    def debugfs(self, request: str) -> None:
        self.secondary.unmount()
        run("debugfs", "-w", "-R", request, self.secondary.device)
        self.secondary.mount()

    def check_file_system(self) -> None:
        """As a person does who is told to. e2fsck ends with 1 where it put something right, then with 0."""
        self.secondary.unmount()
        run("e2fsck", "-f", "-y", self.secondary.device, check=False)
        run("e2fsck", "-f", "-n", self.secondary.device)
        self.secondary.mount()

    def check_right_again(self) -> None:
        """Within two nights: one looks and may find damage, and what it mended is no damage in the next."""
        for _ in range(2):
            self.pair.run()
            self.pair.clock.pass_days(1.1)
        self.pair.run_quiet()
        assert self.pair.differences() == []


@pytest.fixture
def box(drives: DriveFactory, tmp_path: Path) -> Box:
    count_case("file systems that contradict themselves")
    return Box(drives, tmp_path)


def _is_told(box: Box) -> Result:
    """The one name is, all else is done, and what to do about it is said."""
    result = box.pair.run()
    assert (result.outcome, result.state) == ("partial", "attention")
    with box.pair.manifest() as manifest:
        (left,) = manifest.runs.left_out(result.number)
    assert (left.path, left.detail) == (KYRIE.encode(), "the secondary's file system is damaged there")
    (note,) = [note for note in result.notes if "file system is damaged" in note]
    assert "e2fsck" in note and "Unmount" in note
    assert (box.pair.copy / PROGRAMME).read_text() == "Kyrie, Gloria\n"
    return result


def test_rule_G_a_name_that_leads_to_a_file_deleted_while_it_is_mounted(box: Box) -> None:
    """Two names with a count of one: when the one in staging/ goes, as at the start of each night, the file goes too.

    No second name can be given to it then (link(2): ENOENT), so the old content cannot be kept. Night after night ended
    so, without a word of what it was.
    """
    box.debugfs(f'link "/copy/{KYRIE}" /staging/1-1')  # which leaves the count as it is
    assert (box.pair.copy / KYRIE).stat().st_nlink == 1
    box.pair.write(KYRIE, b"kyrie, mastered " * 1000)
    box.pair.write(PROGRAMME, "Kyrie, Gloria\n")
    _is_told(box)
    assert (box.pair.copy / KYRIE).stat().st_nlink == 0
    box.pair.clock.pass_days(1.1)
    _is_told(box)
    box.check_file_system()
    box.check_right_again()


def test_rule_G_a_name_that_leads_to_a_deleted_file(box: Box) -> None:
    """Nothing can be done with such a name: EUCLEAN."""
    box.debugfs(f'set_inode_field "/copy/{KYRIE}" links_count 0')
    with pytest.raises(OSError, match="needs cleaning"):
        (box.pair.copy / KYRIE).stat()
    box.pair.write(KYRIE, b"kyrie, mastered " * 1000)
    box.pair.write(PROGRAMME, "Kyrie, Gloria\n")
    counted = [note for note in _is_told(box).notes if "The file system of the secondary noticed" in note]
    assert len(counted) == 1, "ext4 counts each time that it meets such a name"
    box.check_file_system()
    box.check_right_again()


class EndingBeforeNames(CountingEffects):
    """Ends the process before the first name of the copy is replaced: the old content has its second name by then."""

    def _perform(self, call: object, what: Call) -> object:
        if what.name == "rename" and what.args[1] == os.path.basename(KYRIE).encode():
            os._exit(KILLED)
        return super()._perform(call, what)  # type: ignore[arg-type]


def test_rule_B_an_old_version_counted_once_is_not_deleted_under_its_second_name(box: Box) -> None:
    """The name in retired/ was kept, and the count that goes with it lost."""
    box.pair.write(KYRIE, b"kyrie, mastered " * 1000)
    assert not in_child(lambda: box.pair.run(effects=EndingBeforeNames()))
    (held,) = box.pair.retired.rglob("*.wav")
    assert held.stat().st_nlink == 2
    box.debugfs(f'set_inode_field "/copy/{KYRIE}" links_count 1')
    box.pair.run()
    box.secondary.unmount()
    box.secondary.mount()
    assert b"kyrie " * 1000 in {path.read_bytes() for path in box.pair.retired.rglob("*.wav")}
    assert (box.pair.copy / KYRIE).read_bytes() == b"kyrie, mastered " * 1000
    box.check_file_system()
    box.check_right_again()
    assert contents(box.pair.retired)


# --- a name that came back


@pytest.mark.parametrize("found_by", ["pair", "counters", "verify"])
def test_rule_E_an_expired_version_whose_name_came_back(tmp_path: Path, found_by: str) -> None:
    """Taking stock knows it for what it was, once and not twice, and it is let go again; verify names it."""
    world = World(
        Pair(tmp_path / "p", tmp_path / "s", tmp_path / "state", keep_retired="3d", keep_retired_at_least="0d")
    )
    pair = world.pair
    pair.write(PROGRAMME, "first")
    pair.run_well()
    pair.write(PROGRAMME, "second")
    pair.run_well()
    run("cp", "-a", pair.retired, tmp_path / "before")
    _nights(pair, 5)
    assert (contents(pair.retired), _versions(pair)) == ({}, [(1, 2, False)])
    run("cp", "-a", f"{tmp_path / 'before'}/.", pair.retired)
    if found_by == "verify":
        world.verify()
        (held,) = contents(pair.retired)
        assert world.open() == [(held, "retired", "unlisted")]
        return
    if found_by == "pair":
        run("rm", "-r", pair.state_dir)
        pair.pair()
    else:
        (name,) = pair.records.glob("changes-*")
        name.rename(pair.records / f"changes-{99:012d}-{99:012d}")
        result = pair.run()
        assert any("1 retired versions stood otherwise than known" in note for note in result.notes)
    assert _versions(pair) in ([(1, 2, True)], [(1, 2, False)])  # that night may have let it go already
    _nights(pair, 5)
    assert (contents(pair.retired), _versions(pair)) == ({}, [(1, 2, False)])


def _nights(pair: Pair, count: int) -> None:
    for _ in range(count):
        pair.clock.pass_days(1)
        pair.run_well()


def _versions(pair: Pair) -> list[tuple[int, int, bool]]:
    """Of all that is past: since, until, and whether it is held."""
    with pair.manifest() as manifest:
        rows = manifest.database.connection.execute("SELECT since, until, held IS NOT NULL FROM past").fetchall()
    return [(since, until, bool(is_held)) for since, until, is_held in rows]
