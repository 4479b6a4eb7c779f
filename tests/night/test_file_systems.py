"""A night between every two file systems, looked at afterwards with ordinary tools (compare.py, checksum tools)."""

from __future__ import annotations

import base64
import hashlib
import json
import os
from collections.abc import Sequence
from pathlib import Path

import pytest
from harness import OWN_NAMES, Pair, big_tree, checksum_tool, content_of, explain, run

from compare import differences
from drives import MIB, DriveFactory, Kind, need_tools, requires_root_and_loops
from sweeps import some
from trees import DECOMPOSED, RAW_NAMES, tree_with_everything

pytestmark = requires_root_and_loops

BETWEEN_LINUX = [("ext4", "ext4"), ("ext4", "xfs"), ("ext4", "btrfs"), ("xfs", "ext4"), ("btrfs", "ext4")]


@pytest.mark.parametrize(("kind", "other"), BETWEEN_LINUX)
def test_rule_H_a_tree_with_everything_arrives_whole(
    drives: DriveFactory, tmp_path: Path, kind: Kind, other: Kind
) -> None:
    pair = Pair(drives(kind, 300 * MIB), drives(other, 300 * MIB), tmp_path / "state")
    skipped = tree_with_everything(pair.primary / "choir")
    result = pair.run_well()
    assert pair.differences() == []
    assert sorted(pair.left_out(1)) == sorted(b"choir/" + path for path in skipped)
    assert result.tally.unsupported == len(skipped) == 3
    assert not any(os.path.lexists(os.fsencode(pair.copy) + b"/choir/" + path) for path in skipped)
    sparse = [pair.primary / "choir/sparse", pair.copy / "choir/sparse"]
    apparent = sum(file.stat().st_size for file in sparse[0].iterdir())
    taken = [sum(file.stat().st_blocks * 512 for file in folder.iterdir()) for folder in sparse]
    assert taken[1] <= taken[0] + 64 * 1024 < apparent / 4
    pair.run_quiet()
    assert pair.differences() == []


def test_a_real_tree_of_30_000_entries_on_ext4_xfs_and_btrfs(drives: DriveFactory, tmp_path: Path) -> None:
    primary = drives("ext4", 1500 * MIB)
    entries = big_tree(primary.root / "share")
    tree_with_everything(primary.root / "choir")
    others: Sequence[Kind] = some(["ext4", "xfs", "btrfs"], 3)
    for other in others:  # three pairs that share a primary: one `cp -a` serves all
        pair = Pair(primary, drives(other, 1500 * MIB), tmp_path / "state", name=f"recordings-{other}")
        result = pair.run_well()
        assert result.tally.added + result.tally.folders_added >= entries
        assert pair.differences() == []
        second = pair.run_quiet()
        assert second.tally.scanned_files == result.tally.scanned_files
        _xxhsum_reads_the_list(pair)


def _xxhsum_reads_the_list(pair: Pair) -> None:
    """xxhsum 0.8.1 (Debian's xxhash) has no escapes: names with a line end stand in the list of those left out."""
    need_tools("xxhsum")
    done = checksum_tool(pair, "xxhsum", "checksums.xxh128")
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    listed = (pair.records / "checksums.xxh128").read_bytes().count(b"\n")
    assert done.stdout.count(b": OK\n") == listed
    left_out = {}
    for line in (pair.records / "checksums.left-out.jsonl").read_bytes().splitlines():
        record = json.loads(line)
        assert record["algorithm"] == "xxh3_128"
        left_out[_name_of(record)] = record["checksum"]
    files = run("find", pair.copy, "-type", "f", "-printf", "%P\\0").split(b"\0")[:-1]
    assert set(left_out) == {path for path in files if b"\n" in path or b"\r" in path}
    assert listed + len(left_out) == len(files)
    for path, checksum in left_out.items():
        said = run("xxhsum", "-H2", os.fsencode(pair.copy) + b"/" + path)
        assert checksum.encode() in said


def _name_of(record: dict[str, str]) -> bytes:
    return base64.b64decode(record["path_bytes"]) if "path_bytes" in record else record["path"].encode()


def test_attributes_larger_than_ext4_has_room_for_do_not_cost_the_file(drives: DriveFactory, tmp_path: Path) -> None:
    """ext4 keeps the attributes of a file in its inode and one block of 4 KiB; XFS takes 64 KiB for each (xattr(7))."""
    pair = Pair(drives("xfs"), drives("ext4", 64 * MIB), tmp_path / "state")
    file = pair.write("2026-05 spring concert/01 kyrie.wav", b"kyrie")
    os.setxattr(file, "user.score", b"s" * 20_000)
    os.setxattr(file, "user.composer", b"anonymous")
    result = pair.run_well()
    assert any("attributes" in note for note in result.notes)
    assert pair.differences(xattrs=False) == []
    with pair.manifest() as manifest:
        row = manifest.entries.find(b"2026-05 spring concert/01 kyrie.wav")
        kept = dict(manifest.entries.xattrs(row.xattrs))
    assert kept == {b"user.score": b"s" * 20_000, b"user.composer": b"anonymous"}
    pair.run_quiet()


def test_rule_K_xxhsum_reads_the_list(drives: DriveFactory, tmp_path: Path) -> None:
    pair = Pair(drives("ext4", 100 * MIB), drives("ext4", 100 * MIB), tmp_path / "state")
    tree_with_everything(pair.primary)
    pair.run_well()
    _xxhsum_reads_the_list(pair)


@pytest.mark.parametrize(
    ("setting", "tool", "name"),
    [("sha256", "sha256sum", "checksums.sha256"), ("blake2b", "b2sum", "checksums.blake2b")],
)
def test_rule_K_the_list_carries_every_name(
    drives: DriveFactory, tmp_path: Path, setting: str, tool: str, name: str
) -> None:
    pair = Pair(drives("ext4", 100 * MIB), drives("ext4", 100 * MIB), tmp_path / "state", hash=setting)
    tree_with_everything(pair.primary)
    pair.run_well()
    done = checksum_tool(pair, tool, name)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    files = run("find", pair.copy, "-type", "f", "-printf", "x").count(b"x")
    assert done.stdout.count(b": OK\n") == (pair.records / name).read_bytes().count(b"\n") == files
    found = sorted(path.name for path in pair.records.iterdir() if path.is_file())
    expected = ["changes", *sorted([name, "manifest.000000000001.pages", "manifest.sqlite3"])]
    assert [each.partition("-")[0] for each in found] == expected


def test_rule_K_the_list_finds_rot(pair: Pair) -> None:
    pair.write("2026-05 spring concert/01 kyrie.wav", b"kyrie" * 100)
    pair.write("2026-05 spring concert/02 gloria.wav", b"gloria" * 100)
    pair.run_well()
    (pair.copy / "2026-05 spring concert/02 gloria.wav").write_bytes(b"Gloria" + b"gloria" * 99)
    done = checksum_tool(pair, "xxhsum", "checksums.xxh128")
    assert done.returncode != 0
    assert b"gloria.wav: FAILED" in done.stdout
    assert b"kyrie.wav: OK" in done.stdout


# --- file systems that hold less

# Names that FAT, exFAT and NTFS cannot hold: Microsoft, "Naming Files, Paths, and Namespaces"; exFAT file system
# specification, 7.7.3. NTFS through ntfs-3g takes the special characters (its option windows_names forbids them).
_NOT_IN_EXFAT = {"newline", "invalid UTF-8", "terminal escape", "HTML", "backslash", "quotes", "carriage return"}


@pytest.mark.parametrize("other", ["exfat", "ntfs"])
def test_rule_G_a_secondary_that_holds_less_takes_what_it_can(
    drives: DriveFactory, tmp_path: Path, other: Kind
) -> None:
    pair = Pair(drives("ext4", 100 * MIB), drives(other, 200 * MIB), tmp_path / "state")
    # what both can hold as files; the manifest has to hold the rest
    tree_with_everything(pair.primary / "choir", raw_names=False, case_pairs=False, special=False, far_times=False)
    (pair.primary / "choir/2026-05 spring concert/odd target").unlink()  # not UTF-8: NTFS cannot hold it
    result = pair.run_well()
    assert any("does not keep everything" in note for note in result.notes)
    flags = dict.fromkeys(("owners", "modes", "xattrs", "acls", "links", "times"), False)
    can_symlink = other == "ntfs"
    found = differences(pair.primary, pair.copy, exclude=OWN_NAMES, special=False, **flags)
    symlinks = run("find", pair.primary / "choir", "-type", "l", "-printf", "%P\\0").split(b"\0")[:-1]
    if can_symlink:
        assert found == []
    else:
        left = [line for line in found if not any(repr(path)[2:-1] in line for path in symlinks)]
        assert [line for line in left if not line.startswith("diff: ")] == []
        assert not any(os.path.lexists(os.fsencode(pair.copy / "choir") + b"/" + path) for path in symlinks)
    _same_files(pair)
    _rows_hold_the_metadata(pair)
    pair.run_quiet()


def _same_files(pair: Pair) -> None:
    files = run("find", pair.primary / "choir", "-type", "f", "-printf", "%P\\0").split(b"\0")[:-1]
    assert len(files) > 10
    for path in files:
        one, other = (os.fsencode(root / "choir") + b"/" + path for root in (pair.primary, pair.copy))
        assert content_of(one) == content_of(other), path
        assert abs(os.stat(one).st_mtime - os.stat(other).st_mtime) < 2, path


def _rows_hold_the_metadata(pair: Pair) -> None:
    """Each row against what stat(2) and listxattr(2) say of the primary."""
    rows = pair.entries()
    with pair.manifest() as manifest:
        top = os.fsencode(pair.primary)
        seen = 0
        found = run("find", pair.primary / "choir", "-mindepth", "1", "-printf", "choir/%P\\0")
        for path in found.split(b"\0")[:-1]:
            row, full = rows[path], top + b"/" + path
            now = os.lstat(full)
            is_folder = os.path.isdir(full) and not os.path.islink(full)
            assert (row.stat.mode, row.stat.uid, row.stat.gid) == (now.st_mode & 0o7777, now.st_uid, now.st_gid), path
            assert row.stat.mtime_ns == now.st_mtime_ns, path
            if not is_folder:
                assert (row.stat.size_bytes, row.stat.nlink, row.stat.inode) == (
                    now.st_size, now.st_nlink, now.st_ino
                ), path  # fmt: skip
            if os.path.islink(full):
                assert row.content.target == os.readlink(full), path
            names = os.listxattr(full, follow_symlinks=False)
            expected = sorted((os.fsencode(name), os.getxattr(full, name, follow_symlinks=False)) for name in names)
            assert list(manifest.entries.xattrs(row.xattrs)) == expected, path
            seen += 1
        assert seen > 20


@pytest.mark.parametrize("other", ["exfat", "ntfs"])
def test_rule_G_names_that_the_secondary_cannot_hold_are_named(
    drives: DriveFactory, tmp_path: Path, other: Kind
) -> None:
    pair = Pair(drives("ext4", 100 * MIB), drives(other, 200 * MIB), tmp_path / "state")
    tree_with_everything(pair.primary / "choir", owners=False, acls=False, far_times=False, special=False)
    pair.write("choir/Tenors/part.wav", b"upper")
    pair.write("choir/tenors/other part.wav", b"lower")
    result = pair.run()
    assert result.outcome == "partial", explain(pair, result)
    left_out = pair.left_out(1)
    files = run("find", pair.primary / "choir", "-type", "f", "-printf", "choir/%P\\0").split(b"\0")[:-1]
    rows = pair.entries()
    for path in files:
        full = os.fsencode(pair.copy) + b"/" + path
        if path in rows:
            # compared by the name as listed, since `open` finds the other name of a pair that differs in case only
            assert os.path.basename(full) in os.listdir(os.path.dirname(full)), path
            assert content_of(full) == content_of(os.fsencode(pair.primary) + b"/" + path), path
        else:
            folder = os.path.dirname(path)
            assert path in left_out or folder in left_out, f"{path!r} is neither in the copy nor named"
    for kind, name in (("f", b"choir.txt"), ("d", b"tenors")):
        look = ["-type", kind, "-iname", name, "-printf", "x"]
        assert run("find", pair.primary / "choir", *look) == b"xx"
        assert run("find", pair.copy / "choir", *look) == (b"xx" if other == "ntfs" else b"x")
    refused = {os.path.basename(path) for path in left_out}
    if other == "exfat":
        assert {RAW_NAMES[name] for name in _NOT_IN_EXFAT} <= refused
        assert len({b"Choir.txt", b"choir.txt"} & refused) == len({b"Tenors", b"tenors"} & refused) == 1
    assert b"choir/2025-12 advent/rehearsal/" + DECOMPOSED in rows
    again = pair.run()
    assert again.outcome == "partial"
    assert (again.tally.written_bytes, again.tally.added, again.tally.changed, again.tally.removed) == (0, 0, 0, 0)
    assert set(pair.left_out(2)) == set(left_out)


@pytest.mark.parametrize("other", ["exfat", "ntfs"])
def test_rule_B_a_secondary_that_holds_less_keeps_what_a_night_displaces(
    drives: DriveFactory, tmp_path: Path, other: Kind
) -> None:
    pair = Pair(drives("ext4", 100 * MIB), drives(other, 100 * MIB), tmp_path / "state")
    for number in range(8):
        pair.write(f"2026-05 spring concert/{number:02} part.wav", f"take {number}\n" * 1000)
    pair.run_well()
    concert = pair.primary / "2026-05 spring concert"
    (concert / "00 part.wav").write_bytes(b"another take")
    (concert / "01 part.wav").unlink()
    (concert / "02 part.wav").rename(concert / "02 moved.wav")
    (concert / "03 part.wav").unlink()
    (concert / "03 part.wav").mkdir()
    pair.write("2026-05 spring concert/03 part.wav/inside.wav", b"inside")
    (concert / "04 part.wav").rename(concert / "04 PART.wav")
    result = pair.run_well()
    assert (result.tally.moved, result.tally.changed) == (2, 1), explain(pair, result)
    held = {path: each.content for path, each in pair.held(2).items()}
    expected = {f"2026-05 spring concert/{n:02} part.wav".encode(): f"take {n}\n".encode() * 1000 for n in (0, 1, 3)}
    assert held == expected
    flags = dict.fromkeys(("owners", "modes", "xattrs", "acls", "links", "times"), False)
    assert pair.differences(**flags) == []
    concert.rename(pair.primary / "2026-05 Spring Concert")
    result = pair.run_well()
    assert (result.tally.folders_moved, result.tally.written_bytes) == (1, 0), explain(pair, result)
    assert os.listdir(pair.copy) == ["2026-05 Spring Concert"]
    assert pair.differences(**flags) == []
    pair.run_quiet()


def test_digests_in_the_manifest_are_those_of_the_files(pair: Pair) -> None:
    """Against hashlib's SHA-256 (FIPS 180-4), so that a list cannot agree with itself only."""
    pair.set(hash="sha256")
    tree_with_everything(pair.primary / "choir")
    pair.run_well()
    rows = {path: row for path, row in pair.entries().items() if row.content.digest is not None}
    assert len(rows) > 20
    for path, row in rows.items():
        assert hashlib.sha256(content_of(os.fsencode(pair.copy) + b"/" + path)).digest() == row.content.digest
