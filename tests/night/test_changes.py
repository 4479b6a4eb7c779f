"""One change on the primary, one night: the copy is the primary again, and what was displaced is held, as it was."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from harness import Pair, checksum_tool, contents, explain, night_that_keeps_everything

from drives import MIB, DriveFactory, requires_root_and_loops, run
from trees import COMPOSED, DECOMPOSED, tree_with_everything

pytestmark = requires_root_and_loops

KYRIE, GLORIA = "2026-05 spring concert/01 kyrie.wav", "2026-05 spring concert/02 gloria.wav"
TAKE = b"".join(b"bar %06d\n" % n for n in range(20_000))


@pytest.fixture
def choir(pair: Pair) -> Pair:
    """A small choir, copied once."""
    pair.write(KYRIE, TAKE)
    pair.write(GLORIA, TAKE[::-1])
    pair.write("2026-05 spring concert/scans/programme.txt", b"Kyrie, Gloria, Credo\n")
    pair.write("2025-12 advent/rehearsal/05 credo.wav", b"credo" * 1000)
    pair.write("2025-12 advent/rehearsal/06 sanctus.wav", b"sanctus" * 1000)
    pair.write("members.txt", b"soprano\nalto\n")
    (pair.primary / "favourite").symlink_to(KYRIE)
    os.link(pair.at(GLORIA), pair.at("best of.wav"))
    pair.run_well()
    assert pair.differences() == []
    return pair


def _held(pair: Pair, run_number: int = 2) -> dict[str, bytes]:
    return {os.fsdecode(path): each.content for path, each in pair.held(run_number).items()}


def _inodes(root: Path) -> dict[str, int]:
    return {os.fsdecode(path): os.lstat(os.fsencode(root) + b"/" + path).st_ino for path in contents(root)}


def _append(pair: Pair) -> None:
    with pair.at(KYRIE).open("ab") as file:
        file.write(b"coda")


def _rewrite(pair: Pair) -> None:
    pair.at(KYRIE).write_bytes(b"another take")


def _rewrite_one_byte(pair: Pair) -> None:
    with pair.at(KYRIE).open("r+b") as file:
        file.seek(100_000)
        file.write(b"?")


def _save_as_editors_do(pair: Pair) -> None:
    pair.write(KYRIE + ".new", b"edited")
    pair.at(KYRIE + ".new").rename(pair.at(KYRIE))


CONTENT_CHANGES: dict[str, Callable[[Pair], None]] = {
    "rewritten": _rewrite,
    "one byte": _rewrite_one_byte,
    "appended": _append,
    "truncated": lambda pair: os.truncate(pair.at(KYRIE), 1000),
    "emptied": lambda pair: os.truncate(pair.at(KYRIE), 0),
    "saved as editors do": _save_as_editors_do,
}


@pytest.mark.parametrize("change", CONTENT_CHANGES)
def test_rule_B_changed_content_is_copied_and_the_old_is_held(choir: Pair, change: str) -> None:
    CONTENT_CHANGES[change](choir)
    result = night_that_keeps_everything(choir)
    assert (result.tally.changed, result.tally.added, result.tally.removed) == (1, 0, 0)
    assert choir.differences() == []
    assert _held(choir) == {KYRIE: TAKE}
    assert result.tally.put_back_dates == 0
    choir.run_quiet()


def test_rule_C_other_content_under_the_same_size_and_date_is_for_a_person_to_judge(choir: Pair) -> None:
    """In the same inode: nothing tells an edit whose date was put back from decay of a file whose ctime moved."""
    before = choir.at(KYRIE).stat()
    _rewrite_one_byte(choir)
    os.utime(choir.at(KYRIE), ns=(before.st_atime_ns, before.st_mtime_ns))
    assert (choir.at(KYRIE).stat().st_size, choir.at(KYRIE).stat().st_mtime_ns) == (before.st_size, before.st_mtime_ns)
    result = night_that_keeps_everything(choir, choir.run)
    assert (result.outcome, result.state, result.tally.changed, result.tally.damage) == ("partial", "attention", 0, 1)
    assert (choir.copy / KYRIE).read_bytes() == TAKE
    with choir.manifest() as manifest:
        assert [each[:3] for each in manifest.runs.open_damage()] == [(KYRIE.encode(), "primary", "decayed")]


def test_same_size_and_date_in_another_inode_is_another_file(choir: Pair) -> None:
    before = choir.at(KYRIE).stat()
    choir.write("new", TAKE.replace(b"bar 000007", b"bar 000008"))
    os.utime(choir.at("new"), ns=(before.st_atime_ns, before.st_mtime_ns))
    choir.at("new").rename(choir.at(KYRIE))
    result = night_that_keeps_everything(choir)
    assert result.tally.changed == 1
    assert _held(choir) == {KYRIE: TAKE}
    assert choir.differences() == []
    choir.run_quiet()


def test_the_same_content_in_another_inode_is_no_change(choir: Pair) -> None:
    shutil.copy2(choir.at(KYRIE), choir.at("new"))
    choir.at("new").rename(choir.at(KYRIE))
    result = night_that_keeps_everything(choir)
    assert (result.tally.changed, result.tally.written_bytes, _held(choir)) == (0, 0, {})
    assert choir.differences() == []
    choir.run_quiet()


def _touch(pair: Pair) -> None:
    os.utime(pair.at(KYRIE), ns=(1, 1_700_000_000_123_456_789))


def _acl(pair: Pair) -> None:
    run("setfacl", "-m", "u:1234:rw-", pair.at(KYRIE))


def _folder_acl(pair: Pair) -> None:
    run("setfacl", "-m", "d:u:1234:rwx", pair.at("2026-05 spring concert"))


METADATA_CHANGES: dict[str, Callable[[Pair], object]] = {
    "touched": _touch,
    "mode": lambda pair: pair.at(KYRIE).chmod(0o4711),
    "mode zero": lambda pair: pair.at(KYRIE).chmod(0),
    "owner": lambda pair: os.chown(pair.at(KYRIE), 1234, 2345),
    "setuid and owner": lambda pair: (os.chown(pair.at(KYRIE), 1, 2), pair.at(KYRIE).chmod(0o6755)),
    "xattr": lambda pair: os.setxattr(pair.at(KYRIE), b"user.x \xff\n", b"\0\xff"),
    "xattrs of root": lambda pair: os.setxattr(pair.at(KYRIE), "trusted.x", b"1"),
    "acl": _acl,
    "symlink owner": lambda pair: os.lchown(pair.at("favourite"), 1234, 2345),
    "symlink date": lambda pair: os.utime(pair.at("favourite"), ns=(5, 5), follow_symlinks=False),
    "symlink xattr": lambda pair: os.setxattr(pair.at("favourite"), "trusted.x", b"1", follow_symlinks=False),
    "folder mode": lambda pair: pair.at("2025-12 advent").chmod(0o2775),
    "folder owner": lambda pair: os.chown(pair.at("2025-12 advent"), 1234, 2345),
    "folder xattr": lambda pair: os.setxattr(pair.at("2025-12 advent"), "user.x", b"1"),
    "folder date": lambda pair: os.utime(pair.at("2025-12 advent"), ns=(5, 1_600_000_000_000_000_001)),
    "folder acl": _folder_acl,
    "mode of linked names": lambda pair: pair.at(GLORIA).chmod(0o640),
}


@pytest.mark.parametrize("change", METADATA_CHANGES)
def test_metadata_alone_is_put_right_without_a_copy(choir: Pair, change: str) -> None:
    before = _inodes(choir.copy)
    METADATA_CHANGES[change](choir)
    result = night_that_keeps_everything(choir)
    assert (result.tally.changed, result.tally.added, _held(choir)) == (0, 0, {})
    if change != "touched":  # a new date alone says that it may have been written to: read once, staged meanwhile
        assert result.tally.written_bytes == 0
    assert choir.differences() == []
    assert _inodes(choir.copy) == before
    choir.run_quiet()


def test_attributes_and_acls_go_when_the_primary_drops_them(choir: Pair) -> None:
    os.setxattr(choir.at(KYRIE), "user.composer", b"anonymous")
    os.setxattr(choir.at(KYRIE), "user.key", b"d minor")
    _acl(choir)
    _folder_acl(choir)
    os.setxattr(choir.at("favourite"), "trusted.x", b"1", follow_symlinks=False)
    choir.run_well()
    assert choir.differences() == []
    os.removexattr(choir.at(KYRIE), "user.composer")
    os.setxattr(choir.at(KYRIE), "user.key", b"f major")
    os.removexattr(choir.at("favourite"), "trusted.x", follow_symlinks=False)
    run("setfacl", "-b", "-k", choir.at(KYRIE), choir.at("2026-05 spring concert"))
    result = night_that_keeps_everything(choir)
    assert result.tally.written_bytes == 0
    assert choir.differences() == []
    choir.run_quiet()


# --- names


def test_a_renamed_file_is_renamed(choir: Pair) -> None:
    before = _inodes(choir.copy)
    choir.at(KYRIE).rename(choir.at("2025-12 advent/01 kyrie, moved.wav"))
    result = night_that_keeps_everything(choir)
    assert (result.tally.moved, result.tally.written_bytes, result.tally.removed, _held(choir)) == (1, 0, 0, {})
    assert choir.differences() == []
    after = _inodes(choir.copy)
    assert after["2025-12 advent/01 kyrie, moved.wav"] == before[KYRIE]
    choir.run_quiet()


def test_a_renamed_file_with_other_metadata_is_renamed_and_put_right(choir: Pair) -> None:
    choir.at(KYRIE).rename(choir.at("kyrie.wav"))
    choir.at("kyrie.wav").chmod(0o600)
    os.setxattr(choir.at("kyrie.wav"), "user.x", b"1")
    result = night_that_keeps_everything(choir)
    assert (result.tally.moved, result.tally.written_bytes) == (1, 0)
    assert choir.differences() == []
    choir.run_quiet()


def test_a_renamed_and_changed_file_is_copied_and_the_old_is_held(choir: Pair) -> None:
    choir.at(KYRIE).rename(choir.at("kyrie.wav"))
    _size = choir.at("kyrie.wav").write_bytes(b"another take")
    night_that_keeps_everything(choir)
    assert _held(choir) == {KYRIE: TAKE}
    assert choir.differences() == []
    choir.run_quiet()


def test_a_renamed_folder_is_one_rename(choir: Pair) -> None:
    before = _inodes(choir.copy)
    choir.at("2026-05 spring concert").rename(choir.at("2026-05 concert in spring"))
    result = night_that_keeps_everything(choir)
    assert (result.tally.folders_moved, result.tally.moved, result.tally.written_bytes) == (1, 0, 0)
    assert (result.tally.added, result.tally.removed, result.tally.read_bytes, _held(choir)) == (0, 0, 0, {})
    assert choir.differences() == []
    after = _inodes(choir.copy)
    assert {p.replace("2026-05 spring concert", "2026-05 concert in spring"): i for p, i in before.items()} == after
    choir.run_quiet()


def test_a_new_folder_with_the_number_of_a_removed_one_is_new(drives: DriveFactory, tmp_path: Path) -> None:
    pair = Pair(drives("ext4", 32 * MIB), drives("ext4", 32 * MIB), tmp_path / "state")
    pair.write("concerts/advent/06 sanctus.wav", b"sanctus")
    pair.run_well()
    number = pair.at("concerts/advent").stat().st_ino
    shutil.rmtree(pair.at("concerts/advent"))
    pair.at("concerts/spring").mkdir()  # ext4 with a journal gives the lowest number that is free
    assert pair.at("concerts/spring").stat().st_ino == number
    pair.write("concerts/spring/01 kyrie.wav", b"kyrie")
    result = pair.run_well()
    assert (result.tally.folders_moved, result.tally.folders_added, result.tally.folders_removed) == (0, 1, 1)
    assert (result.tally.added, result.tally.removed) == (1, 1)
    pair.at("concerts/spring").rename(pair.at("summer"))
    result = pair.run_well()
    assert (result.tally.folders_moved, result.tally.moved, result.tally.added) == (1, 0, 0)


def test_a_folder_moved_into_another_with_changes_inside(choir: Pair) -> None:
    choir.at("2026-05 spring concert").rename(choir.at("2025-12 advent/spring"))
    choir.write("2025-12 advent/spring/01 kyrie.wav", b"another take")
    choir.write("2025-12 advent/spring/03 new.wav", b"new")
    choir.at("2025-12 advent/spring/scans/programme.txt").unlink()
    result = night_that_keeps_everything(choir)
    assert (result.tally.folders_moved, result.tally.changed, result.tally.added, result.tally.removed) == (1, 1, 1, 1)
    assert {os.path.basename(path): content for path, content in _held(choir).items()} == {
        "01 kyrie.wav": TAKE,
        "programme.txt": b"Kyrie, Gloria, Credo\n",
    }
    assert choir.differences() == []
    choir.run_quiet()


def test_nested_folders_renamed_in_one_night(choir: Pair) -> None:
    choir.write("a/b/c/d/deep.wav", b"deep")
    choir.run_well()
    before = _inodes(choir.copy)["a/b/c/d/deep.wav"]
    choir.at("a/b/c/d").rename(choir.at("a/b/c/d2"))
    choir.at("a/b/c").rename(choir.at("a/b/c2"))
    choir.at("a/b").rename(choir.at("a/b2"))
    choir.at("a").rename(choir.at("a2"))
    result = night_that_keeps_everything(choir)
    assert (result.tally.folders_moved, result.tally.written_bytes) == (4, 0)
    assert choir.differences() == []
    assert _inodes(choir.copy)["a2/b2/c2/d2/deep.wav"] == before
    choir.run_quiet()


def test_a_folder_tree_turned_inside_out(choir: Pair) -> None:
    choir.write("outer/inner/part.wav", b"part")
    choir.run_well()
    choir.at("outer/inner").rename(choir.at("inner"))
    choir.at("outer").rename(choir.at("inner/outer"))
    result = night_that_keeps_everything(choir)
    assert result.tally.written_bytes == 0
    assert choir.differences() == []
    choir.run_quiet()


def test_a_renamed_folder_whose_folders_went_one_into_another(choir: Pair) -> None:
    """Below the renamed one, a folder stands in a new one of its own old name."""
    choir.write("concert/encores/part.wav", b"part")
    choir.run_well()
    choir.at("concert").rename(choir.at("concerts"))
    choir.at("concerts/encores").rename(choir.at("concerts/between"))
    choir.at("concerts/encores").mkdir()
    choir.at("concerts/between").rename(choir.at("concerts/encores/older"))
    night_that_keeps_everything(choir)
    assert choir.differences() == []
    choir.run_quiet()


def test_two_folders_swap_their_names(choir: Pair) -> None:
    choir.at("2025-12 advent").rename(choir.at("between"))
    choir.at("2026-05 spring concert").rename(choir.at("2025-12 advent"))
    choir.at("between").rename(choir.at("2026-05 spring concert"))
    night_that_keeps_everything(choir)
    assert choir.differences() == []
    choir.run_quiet()


def test_a_folder_moves_and_a_new_one_takes_its_name(choir: Pair) -> None:
    choir.at("2025-12 advent").rename(choir.at("2024-12 advent"))
    choir.write("2025-12 advent/rehearsal/05 credo.wav", b"this year's credo")
    result = night_that_keeps_everything(choir)
    assert choir.differences() == []
    choir.run_quiet()
    assert result.outcome == "complete"


def test_two_files_swap_their_names(choir: Pair) -> None:
    choir.at(KYRIE).rename(choir.at("between"))
    choir.at(GLORIA).rename(choir.at(KYRIE))
    choir.at("between").rename(choir.at(GLORIA))
    night_that_keeps_everything(choir)
    assert choir.differences() == []
    assert choir.at(KYRIE).read_bytes() == (choir.copy / KYRIE).read_bytes() == TAKE[::-1]
    choir.run_quiet()


def test_two_files_of_one_size_and_date_swap_their_names(choir: Pair) -> None:
    for name, content in (("one", b"soprano"), ("two", b"mezzo..")):
        choir.write(name, content)
        os.utime(choir.at(name), ns=(1_700_000_000, 1_700_000_000))
    choir.run_well()
    choir.at("one").rename(choir.at("between"))
    choir.at("two").rename(choir.at("one"))
    choir.at("between").rename(choir.at("two"))
    night_that_keeps_everything(choir)
    assert choir.differences() == []
    assert (choir.copy / "one").read_bytes() == b"mezzo.."
    choir.run_quiet()


def test_a_chain_of_renames(choir: Pair) -> None:
    for number in range(1, 6):
        choir.write(f"take {number}.wav", b"take %d" % number * 100 * number)
    choir.run_well()
    choir.at("take 5.wav").unlink()
    for number in (4, 3, 2, 1):
        choir.at(f"take {number}.wav").rename(choir.at(f"take {number + 1}.wav"))
    choir.write("take 1.wav", b"the newest")
    night_that_keeps_everything(choir)
    assert choir.differences() == []
    choir.run_quiet()


def test_a_log_is_rotated(choir: Pair) -> None:
    """The old file keeps its content under a new name, and a new one stands under the old."""
    choir.at(KYRIE).rename(choir.at(KYRIE + ".bak"))
    choir.write(KYRIE, b"a new take")
    result = night_that_keeps_everything(choir)
    assert choir.differences() == []
    assert result.tally.written_bytes < len(TAKE)
    assert (choir.copy / (KYRIE + ".bak")).read_bytes() == TAKE
    choir.run_quiet()


def test_a_renamed_file_and_the_same_content_under_its_old_name_stay_apart(choir: Pair) -> None:
    """The renamed one is linked from the copy of the old name, whose own file has other dates and rights."""
    choir.at(KYRIE).rename(choir.at("kyrie, original.wav"))
    choir.at("kyrie, original.wav").chmod(0o600)
    choir.write(KYRIE, TAKE)
    os.chown(choir.at(KYRIE), 1234, 2345)
    night_that_keeps_everything(choir)
    assert choir.differences() == []
    assert len({_inodes(choir.copy)[name] for name in (KYRIE, "kyrie, original.wav")}) == 2
    choir.run_quiet()


def test_the_same_with_a_hold_in_between(choir: Pair) -> None:
    choir.set(hold_count=1)
    choir.at(KYRIE).rename(choir.at("kyrie, original.wav"))
    choir.write(KYRIE, TAKE)
    choir.at("members.txt").unlink()
    assert choir.run().outcome == "held"
    choir.at(KYRIE).chmod(0o600)
    choir.release()
    night_that_keeps_everything(choir)
    assert choir.differences() == []
    choir.run_quiet()


def test_names_that_change_in_case_or_unicode_form_only(choir: Pair) -> None:
    choir.at(KYRIE).rename(choir.at(KYRIE.upper().replace("2026-05 SPRING CONCERT", "2026-05 spring concert")))
    folder = os.fsencode(choir.primary) + b"/"
    with open(folder + COMPOSED, "wb") as file:
        file.write(b"H\xc3\xa4ndel")
    choir.run_well()
    os.rename(folder + COMPOSED, folder + DECOMPOSED)
    choir.at("2025-12 advent").rename(choir.at("2025-12 Advent"))
    result = night_that_keeps_everything(choir)
    assert (result.tally.moved, result.tally.folders_moved, result.tally.written_bytes) == (1, 1, 0)
    assert choir.differences() == []
    assert DECOMPOSED in os.listdir(os.fsencode(choir.copy))
    assert COMPOSED not in os.listdir(os.fsencode(choir.copy))
    choir.run_quiet()


# --- kinds


def _to_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()
    (path / "inside.wav").write_bytes(b"inside")


def _to_file(path: Path) -> None:
    shutil.rmtree(path)
    path.write_bytes(b"a file now")


def _to_symlink(path: Path) -> None:
    shutil.rmtree(path) if path.is_dir() and not path.is_symlink() else path.unlink()
    path.symlink_to("members.txt")


def _symlink_to_file(path: Path) -> None:
    path.unlink()
    path.write_bytes(b"a file now")


KIND_CHANGES: dict[str, tuple[str, Callable[[Path], None], dict[str, bytes]]] = {
    "file to folder": (KYRIE, _to_folder, {KYRIE: TAKE}),
    "folder to file": (
        "2025-12 advent/rehearsal",
        _to_file,
        {
            "2025-12 advent/rehearsal/05 credo.wav": b"credo" * 1000,
            "2025-12 advent/rehearsal/06 sanctus.wav": b"sanctus" * 1000,
        },
    ),
    "file to symlink": (KYRIE, _to_symlink, {KYRIE: TAKE}),
    "symlink to file": ("favourite", _symlink_to_file, {"favourite": KYRIE.encode()}),
    "symlink to folder": ("favourite", _to_folder, {"favourite": KYRIE.encode()}),
    "folder to symlink": (
        "2026-05 spring concert/scans",
        _to_symlink,
        {"2026-05 spring concert/scans/programme.txt": b"Kyrie, Gloria, Credo\n"},
    ),
    "symlink to elsewhere": ("favourite", _to_symlink, {"favourite": KYRIE.encode()}),
}


@pytest.mark.parametrize("change", KIND_CHANGES)
def test_rule_B_another_kind_of_thing_under_a_known_name(choir: Pair, change: str) -> None:
    path, make, held = KIND_CHANGES[change]
    make(choir.at(path))
    night_that_keeps_everything(choir)
    assert _held(choir) == held
    assert choir.differences() == []
    choir.run_quiet()


def test_kinds_change_there_and_back(choir: Pair) -> None:
    for _ in range(2):
        _to_folder(choir.at(KYRIE))
        night_that_keeps_everything(choir)
        assert choir.differences() == []
        _to_file(choir.at(KYRIE))
        night_that_keeps_everything(choir)
        assert choir.differences() == []
    choir.run_quiet()


def test_a_file_becomes_a_fifo(choir: Pair) -> None:
    choir.at(KYRIE).unlink()
    os.mkfifo(choir.at(KYRIE))
    result = night_that_keeps_everything(choir)
    assert (result.tally.removed, result.tally.unsupported) == (1, 1)
    assert _held(choir) == {KYRIE: TAKE}
    assert choir.differences() == []


# --- hard links


def test_links_made_and_broken(choir: Pair) -> None:
    os.link(choir.at(KYRIE), choir.at("kyrie again.wav"))  # made
    choir.at("best of.wav").unlink()  # broken: one name left
    result = night_that_keeps_everything(choir)
    assert result.tally.written_bytes == 0
    assert choir.differences() == []
    choir.run_quiet()
    shutil.copy2(choir.at("kyrie again.wav"), choir.at("new"))
    choir.at("new").rename(choir.at("kyrie again.wav"))  # the same bytes, no link any more
    night_that_keeps_everything(choir)
    assert choir.differences() == []
    choir.run_quiet()


def test_a_linked_file_that_becomes_one_of_another_set(choir: Pair) -> None:
    os.link(choir.at(KYRIE), choir.at("new"))
    choir.at("new").rename(choir.at("best of.wav"))  # from gloria's set into kyrie's
    night_that_keeps_everything(choir)
    assert choir.differences() == []
    assert (choir.copy / "best of.wav").read_bytes() == TAKE
    choir.run_quiet()


def test_links_regrouped_across_folders(choir: Pair) -> None:
    for number in range(4):
        choir.write(f"voices/{number}/part.wav", b"the same bytes" * 1000)
    choir.run_well()
    for number in range(4):  # four files of equal content become two pairs of links, then others
        choir.at(f"voices/{number}/part.wav").unlink()
    for number in (0, 2):
        choir.write(f"voices/{number}/part.wav", b"the same bytes" * 1000)
        os.link(choir.at(f"voices/{number}/part.wav"), choir.at(f"voices/{number + 1}/part.wav"))
    night_that_keeps_everything(choir)
    assert choir.differences() == []
    choir.run_quiet()
    os.link(choir.at("voices/0/part.wav"), choir.at("new"))
    choir.at("new").rename(choir.at("voices/3/part.wav"))
    night_that_keeps_everything(choir)
    assert choir.differences() == []
    choir.run_quiet()


def test_content_changed_through_one_of_the_names(choir: Pair) -> None:
    with choir.at("best of.wav").open("r+b") as file:
        file.write(b"changed through a link")
    result = night_that_keeps_everything(choir)
    assert choir.differences() == []
    assert _held(choir) == {GLORIA: TAKE[::-1], "best of.wav": TAKE[::-1]}
    assert result.tally.written_bytes == len(TAKE)  # one of two names is written, the other linked
    choir.run_quiet()


def test_a_linked_name_moves_and_another_goes(choir: Pair) -> None:
    choir.at("best of.wav").rename(choir.at("2025-12 advent/best of.wav"))
    choir.at(GLORIA).unlink()
    result = night_that_keeps_everything(choir)
    assert result.tally.written_bytes == 0
    assert choir.differences() == []
    choir.run_quiet()


def test_many_names_of_one_file(choir: Pair) -> None:
    for number in range(300):
        folder = choir.at(f"by voice/{number % 7}")
        folder.mkdir(parents=True, exist_ok=True)
        os.link(choir.at(KYRIE), folder / f"{number}.wav")
    result = night_that_keeps_everything(choir)
    assert result.tally.written_bytes == 0
    assert choir.differences() == []
    choir.run_quiet()
    with choir.at(KYRIE).open("ab") as file:
        file.write(b"coda")
    result = night_that_keeps_everything(choir)
    assert result.tally.written_bytes == len(TAKE) + 4
    assert choir.differences() == []
    choir.run_quiet()


# --- holes


def _blocks(path: Path) -> int:
    return path.stat().st_blocks


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs"])
def test_sparse_files_stay_sparse(drives: DriveFactory, tmp_path: Path, kind: str) -> None:
    pair = Pair(drives("ext4", 100 * MIB), drives(kind, 128 * MIB), tmp_path / "state")
    sparse = pair.at("session.wav")
    with sparse.open("wb") as file:
        file.write(b"RIFF" * 1024)
        file.truncate(300 * MIB)  # would not fit as written bytes
    pair.run_well()
    assert pair.differences() == []
    assert _blocks(pair.copy / "session.wav") * 512 < MIB
    with sparse.open("r+b") as file:
        file.seek(200 * MIB)
        file.write(os.urandom(256 * 1024))
    result = night_that_keeps_everything(pair)
    assert result.tally.changed == 1
    assert pair.differences() == []
    for root in (pair.copy / "session.wav", Path(os.fsdecode(pair.held(2)[b"session.wav"].path))):
        assert _blocks(root) * 512 < MIB
    subprocess.run(["fallocate", "--punch-hole", "--offset", "0", "--length", "4096", sparse], check=True)
    night_that_keeps_everything(pair)
    assert pair.differences() == []
    pair.run_quiet()


# --- folders


def test_the_dates_of_folders_stand_after_changes_below_them(choir: Pair) -> None:
    choir.write("2026-05 spring concert/scans/new.txt", b"new")
    choir.at("2025-12 advent/rehearsal/05 credo.wav").unlink()
    choir.at(GLORIA).rename(choir.at("2025-12 advent/gloria.wav"))
    for path in ("2026-05 spring concert/scans", "2025-12 advent/rehearsal", "2026-05 spring concert", "."):
        os.utime(choir.at(path), ns=(7, 1_111_111_111_000_000_000 + len(path)))
    night_that_keeps_everything(choir)
    assert choir.differences() == []  # compares all mtimes in nanoseconds; the root's own is not among them
    assert choir.copy.stat().st_mtime_ns == choir.primary.stat().st_mtime_ns
    choir.run_quiet()


def test_a_deep_tree_goes(choir: Pair) -> None:
    path = "deep"
    for number in range(60):
        path += f"/level {number}"
        choir.write(f"{path}/part.wav", b"%d" % number)
        choir.at(f"{path}/empty").mkdir()
    choir.run_well()
    shutil.rmtree(choir.at("deep"))
    result = night_that_keeps_everything(choir)
    assert (result.tally.removed, result.tally.folders_removed) == (60, 121)
    assert len(_held(choir, 3)) == 60
    assert choir.differences() == []
    choir.run_quiet()


def test_rule_H_paths_beyond_4096_bytes_come_and_go(pair: Pair) -> None:
    pair.write("members.txt", b"soprano")
    name = "a" * 200
    fd = os.open(pair.primary, os.O_RDONLY | os.O_DIRECTORY)
    for _ in range(30):
        os.mkdir(name, dir_fd=fd)
        below = os.open(name, os.O_RDONLY | os.O_DIRECTORY, dir_fd=fd)
        os.close(fd)
        fd = below
    deep = os.open("deep.wav", os.O_WRONLY | os.O_CREAT, 0o644, dir_fd=fd)
    os.write(deep, b"deep")
    os.close(deep)
    os.close(fd)
    result = pair.run_well()
    assert (result.tally.added, result.tally.folders_added) == (2, 30)
    assert run("find", pair.copy, "-name", "deep.wav", "-printf", "%s") == b"4"
    pair.run_quiet()
    run("rm", "-r", pair.primary / name)  # find and rm go by descriptors
    result = pair.run_well()
    assert (result.tally.removed, result.tally.folders_removed) == (1, 30)
    assert os.listdir(pair.copy) == ["members.txt"]
    assert run("find", pair.retired, "-name", "deep.wav", "-printf", "%s") == b"4"
    pair.run_quiet()


# --- what is left out


def test_what_is_excluded_is_not_copied(make: Callable[..., Pair]) -> None:
    pair = make(exclude=("*.part", "/cache/", "*.tmp", "!keep.tmp"))
    for name in ("a.wav", "b.part", "cache/x", "music/cache/y", "c.tmp", "keep.tmp", "music/d.part/e"):
        pair.write(name, name)
    pair.run_well()
    files = run("find", pair.copy, "-type", "f", "-printf", "%P\n").decode().split("\n")[:-1]
    assert sorted(files) == ["a.wav", "keep.tmp", "music/cache/y"]
    pair.run_quiet()


def test_rule_B_what_is_newly_excluded_is_retired(choir: Pair) -> None:
    choir.set(exclude=("*.wav",))
    result = night_that_keeps_everything(choir)
    assert result.tally.removed == 5
    assert _held(choir)[KYRIE] == TAKE
    assert run("find", choir.copy, "-name", "*.wav") == b""
    choir.run_quiet()
    choir.set(exclude=())
    result = night_that_keeps_everything(choir)
    assert result.tally.added == 5
    assert choir.differences() == []
    choir.run_quiet()


# --- settings


def test_another_hash_copies_nothing_again(choir: Pair) -> None:
    choir.set(hash="sha256")
    choir.run_quiet()
    assert {row.content.algorithm for row in choir.entries().values() if row.content.digest} == {1}
    choir.at(KYRIE).write_bytes(b"another take")
    choir.at(GLORIA).chmod(0o600)
    result = night_that_keeps_everything(choir)
    assert (result.tally.changed, result.tally.written_bytes) == (1, len(b"another take"))
    files = {os.fsdecode(path): row.content for path, row in choir.entries().items() if row.content.digest}
    algorithms = {path: content.algorithm for path, content in files.items()}
    assert algorithms.pop(KYRIE) != 1
    assert set(algorithms.values()) == {1}
    lists = {path.name for path in choir.records.iterdir() if path.name.startswith("checksums.")}
    assert lists == {"checksums.xxh128", "checksums.sha256"}
    choir.run_quiet()
    _save_same_with_new_date(choir, "2025-12 advent/rehearsal/05 credo.wav")
    result = night_that_keeps_everything(choir)
    assert (result.tally.changed, _held(choir, 5)) == (0, {})
    choir.run_quiet()


def _save_same_with_new_date(pair: Pair, path: str) -> None:
    """Written again with the same bytes: date and inode are new, the content is not."""
    content = pair.at(path).read_bytes()
    pair.at(path).unlink()
    pair.at(path).write_bytes(content)


def test_everything_at_once_on_the_tree_with_everything(drives: DriveFactory, tmp_path: Path) -> None:
    pair = Pair(drives("ext4", 200 * MIB), drives("ext4", 200 * MIB), tmp_path / "state")
    tree_with_everything(pair.primary / "choir")
    pair.run_well()
    rehearsal = pair.primary / "choir/2025-12 advent/rehearsal"
    for name in os.listdir(os.fsencode(rehearsal)):
        full = os.fsencode(rehearsal) + b"/" + name
        if os.path.isfile(full):
            os.rename(full, full[:-6] + b"+") if len(name) > 200 else os.rename(full, full + b"+")
    run("mv", pair.primary / "choir/2025-12 advent", pair.primary / "choir/2026-12 advent")
    shutil.rmtree(pair.primary / "choir/sparse")
    result = night_that_keeps_everything(pair)
    assert result.tally.written_bytes == 0, explain(pair, result)
    assert pair.differences() == []
    pair.run_quiet()


def test_rule_K_a_night_stopped_before_its_end_still_leaves_a_whole_checksum_list(pair: Pair) -> None:
    from nightferry.night.context import Stop, Unwatched

    for number in range(20):
        pair.write(f"take {number:02d}.wav", b"la" * number)
    stop = Stop(pair.clock)

    class StopAfterCopying(Unwatched):
        def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
            if name == "retire":
                stop.request("asked to stop")

    pair.write("removed.wav", b"x")
    result = pair.run(stop=stop, progress=StopAfterCopying())
    assert result.outcome in ("interrupted", "complete")
    listed = (pair.records / "checksums.xxh128").read_bytes().splitlines()
    assert len(listed) == 21
    pair.run()
    assert checksum_tool(pair, "xxhsum", "checksums.xxh128").returncode == 0
