"""The secondary alone: opened with nothing but the drive, read-only, whatever was done to it.

What stands on the drives is known from the drives themselves, by ordinary means (compare.py, hashlib, xxhash).
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest
import xxhash
from harness import Pair, contents

from drives import MIB, DriveFactory, run
from effects_faults import CountingEffects, FailingEffects
from nightferry.errors import AbsentDrive, Busy, NightferryError, WrongDrive, WrongUse
from nightferry.manifest.untrusted import NewerFormatError, generation_of
from nightferry.recovery.alone import Secondary, open_secondary
from nightferry.tree.effects import Effects
from nightferry.volumes.lock import lock_drive

KYRIE = "2026-05 spring concert/01 kyrie.wav"
NEWLINE = b"2026-05 spring concert/07 agnus\ndei.wav"
STRANGE = b"2026-05 spring concert/08 h\xe4ndel \\ \xff.wav"
CARD = ".nightferry-volume.toml"


@pytest.fixture
def pair(tmp_path: Path) -> Pair:
    """Two nights over recordings with hostile names; the second replaced one file."""
    made = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")
    fill(made)
    return made


def fill(pair: Pair) -> None:
    pair.write(KYRIE, os.urandom(30_000))
    pair.write("programme.txt", "first")
    for name in (NEWLINE, STRANGE):
        with open(os.fsencode(pair.primary) + b"/" + name, "wb") as file:
            file.write(os.urandom(500))
    os.symlink("01 kyrie.wav", pair.at("2026-05 spring concert/opening"))
    pair.run_well()
    pair.write("programme.txt", "second")
    pair.run_well()


def damage(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(bytes(os.fstat(file.fileno()).st_size - 4096))


def opened(path: Path, pair: str | None = None) -> Secondary:
    """What is found, closed again."""
    with open_secondary(path, Effects(), pair=pair) as secondary:
        return secondary


def test_rule_K_a_drive_mounted_read_only_is_enough(drives: DriveFactory, tmp_path: Path) -> None:
    primary, secondary = drives("ext4", 64 * MIB), drives("ext4", 96 * MIB)
    pair = Pair(primary, secondary, tmp_path / "state")
    fill(pair)
    expected = pair.entries()
    primary.unmount()
    secondary.remount(read_only=True)
    before = run("sha256sum", secondary.device)
    with open_secondary(secondary.root, Effects()) as found:
        assert found.manifest is not None
        assert dict(found.manifest.entries.below(1, b"")) == expected
        assert (found.which, found.generation, found.pair.name, found.notes) == (
            "manifest",
            generation_of(pair.records / "manifest.sqlite3"),
            "recordings",
            [],
        )
        assert found.sealed_at is not None
        assert abs(found.sealed_at - pair.clock.now_s()) < 3600
        assert found.kernel_enforced
        with pytest.raises(OSError, match="Read-only"):
            found.root.create(b"trace")
        with pytest.raises(sqlite3.Error):
            found.manifest.database.connection.execute("DELETE FROM entry")
    assert run("sha256sum", secondary.device) == before


def test_nothing_on_a_drive_mounted_for_writing_changes(pair: Pair) -> None:
    def state() -> dict[str, tuple[int, ...]]:
        found = {}
        for folder, _, names in os.walk(pair.secondary):
            for name in ("", *names):
                status = os.lstat(os.path.join(folder, name))
                found[os.path.join(folder, name)] = (status.st_size, status.st_mtime_ns, status.st_ctime_ns)
        return found

    before = state()
    with open_secondary(pair.secondary, Effects()) as secondary:
        list(secondary.files())
    assert state() == before


def test_through_a_symlink_to_the_mount_point(pair: Pair, tmp_path: Path) -> None:
    (tmp_path / "shortcut").symlink_to(pair.secondary)
    assert opened(tmp_path / "shortcut").which == "manifest"


def test_the_one_before_serves_where_the_last_is_damaged(pair: Pair) -> None:
    damage(pair.records / "manifest.sqlite3")
    found = opened(pair.secondary)
    assert (found.which, found.generation) == ("previous", generation_of(pair.records / "manifest.previous.sqlite3"))
    (note,) = found.notes
    assert note.startswith("records/manifest.sqlite3 cannot be used, and was passed over: ")
    assert "it does not hold together" in note or "pages are not as they were sealed" in note
    (pair.records / "manifest.sqlite3").unlink()
    found = opened(pair.secondary)
    assert (found.which, found.notes) == ("previous", ["There is no records/manifest.sqlite3 on the drive."])


def test_while_a_night_has_the_drive_its_manifest_is_not_read(pair: Pair) -> None:
    """Read before the lock is there, it could be the one that the night is about to replace."""

    class Opening(Effects):
        def __init__(self) -> None:
            super().__init__()
            self.names: list[bytes] = []

        def open(self, path: Any, flags: int, *args: Any, **kwargs: Any) -> int:
            self.names.append(os.path.basename(os.fsencode(path)) if isinstance(path, str | bytes) else b"")
            return super().open(path, flags, *args, **kwargs)

    effects = Opening()
    fd = os.open(pair.secondary, os.O_RDONLY)
    try:
        with (
            lock_drive(fd, Effects(), "the drive"),
            pytest.raises(Busy),
            open_secondary(pair.secondary, effects, lock=True),
        ):
            pass
    finally:
        os.close(fd)
    assert effects.names and b"records" not in effects.names
    with open_secondary(pair.secondary, effects, lock=True) as secondary:
        assert secondary.which == "manifest"
    assert b"records" in effects.names


def test_a_newer_manifest_is_not_passed_over(pair: Pair) -> None:
    """By the one before it, older files would be taken for the newest."""
    connection = sqlite3.connect(pair.records / "manifest.sqlite3")
    connection.execute("UPDATE meta SET value = '99' WHERE key = 'schema'")
    connection.commit()
    connection.close()
    with pytest.raises(NewerFormatError, match="install that version"):
        opened(pair.secondary)


def test_the_manifest_of_another_pair_is_passed_over(pair: Pair, tmp_path: Path) -> None:
    other = Pair(tmp_path / "other primary", tmp_path / "other", tmp_path / "other state")
    fill(other)
    for name in ("manifest.sqlite3", "manifest.previous.sqlite3"):
        shutil.copyfile(other.records / name, pair.records / name)
    found = opened(pair.secondary)
    assert found.manifest is None
    assert all("it is that of another pair" in note for note in found.notes)


def test_rule_I_symlinks_in_place_of_records_are_not_followed(pair: Pair, tmp_path: Path) -> None:
    away = tmp_path / "away"
    for name in ("manifest.sqlite3", "manifest.previous.sqlite3"):
        path = pair.records / name
        path.rename(tmp_path / name)
        path.symlink_to(tmp_path / name)
    found = opened(pair.secondary)
    assert found.which == "none"
    assert len(found.notes) == 2
    for name in ("manifest.sqlite3", "manifest.previous.sqlite3"):
        os.replace(tmp_path / name, pair.records / name)
    assert opened(pair.secondary).which == "manifest"
    pair.records.rename(away)
    pair.records.symlink_to(away)
    found = opened(pair.secondary)
    assert (found.which, found.notes) == ("none", ["There is no folder records/ on the drive."])
    with open_secondary(pair.secondary, Effects()) as secondary:
        assert all(digest == b"" for _, _, digest in secondary.files())  # the lists are not read there either


def test_rule_I_a_fifo_in_place_of_a_manifest_does_not_block(pair: Pair) -> None:
    (pair.records / "manifest.sqlite3").unlink()
    os.mkfifo(pair.records / "manifest.sqlite3")
    assert opened(pair.secondary).which == "previous"


# --- what is no secondary


def _refused(path: Path, kind: type[NightferryError], *parts: str, pair: str | None = None) -> None:
    with pytest.raises(kind) as refused:
        opened(path, pair)
    said = str(refused.value)
    assert "\n" not in said
    for part in (str(path), *parts):
        assert part in said, said


def test_a_folder_inside_the_drive(pair: Pair) -> None:
    for folder in (pair.copy, pair.records, pair.copy / "2026-05 spring concert"):
        _refused(folder, WrongDrive, "a folder inside the drive", f"give {pair.secondary}.")


def test_the_primary(pair: Pair) -> None:
    _refused(pair.primary, WrongDrive, 'the primary of "recordings"', "holds no copy")


def test_nothing_there(tmp_path: Path) -> None:
    _refused(tmp_path / "none", AbsentDrive, "There is no drive")
    (tmp_path / "file").touch()
    _refused(tmp_path / "file", AbsentDrive, "There is no drive")
    (tmp_path / "empty").mkdir()
    _refused(tmp_path / "empty", AbsentDrive, "No drive is mounted")


def test_a_drive_without_a_card(drives: DriveFactory) -> None:
    drive = drives("ext4", 16 * MIB)
    _refused(drive.root, WrongDrive, "no identity card")
    (drive.root / "copy").mkdir()
    _refused(drive.root, WrongDrive, "lost its identity card", f"{drive.root}/copy")
    (drive.root / CARD).write_text("format = 99\n")
    _refused(drive.root, WrongDrive, "newer nightferry")


def test_an_unmounted_drive(drives: DriveFactory, tmp_path: Path) -> None:
    primary, secondary = drives("ext4", 16 * MIB), drives("ext4", 16 * MIB)
    Pair(primary, secondary, tmp_path / "state")
    place = secondary.root
    secondary.unmount()
    _refused(place, AbsentDrive, "No drive is mounted")


def test_another_pair_than_asked_for(pair: Pair) -> None:
    assert opened(pair.secondary, "recordings").pair.name == "recordings"
    _refused(pair.secondary, WrongUse, 'the secondary of "recordings", not of "videos"', pair="videos")


def test_a_card_copied_from_another_drive_is_said(pair: Pair, tmp_path: Path) -> None:
    """Somebody saved a failing secondary onto another drive, file by file: it can still be restored from."""
    run("cp", "-a", pair.secondary, tmp_path / "saved")
    found = opened(tmp_path / "saved")
    assert found.which == "manifest"
    assert any("copied there from another drive" in note for note in found.notes)


# --- without a manifest


def _expected(pair: Pair, algorithm: str) -> dict[bytes, bytes]:
    """Files of the primary with their checksums, by the libraries that define them."""
    make = {"xxh3_128": xxhash.xxh3_128, "sha256": hashlib.sha256, "blake2b": hashlib.blake2b}[algorithm]
    root = os.fsencode(pair.primary)
    found = {}
    for path in contents(pair.primary):
        whole = os.path.join(root, path)
        if not path.startswith(b".nightferry") and not os.path.islink(whole):
            with open(whole, "rb") as file:
                found[path] = make(file.read()).digest()
    assert len(found) == 4
    return found


@pytest.mark.parametrize(("algorithm", "number"), [("xxh3_128", 1), ("sha256", 2), ("blake2b", 3)])
def test_rule_K_with_both_manifests_gone_the_lists_tell(tmp_path: Path, algorithm: str, number: int) -> None:
    pair = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state", hash=algorithm)
    fill(pair)
    damage(pair.records / "manifest.sqlite3")
    (pair.records / "manifest.previous.sqlite3").unlink()
    with open_secondary(pair.secondary, Effects()) as secondary:
        assert secondary.manifest is None
        found = list(secondary.files())
    assert {path: digest for path, _, digest in found if digest} == _expected(pair, algorithm)
    assert {of for _, of, digest in found if digest} == {number}
    # A list has no line for a symlink.
    assert [path for path, of, digest in found if (of, digest) == (0, b"")] == [b"2026-05 spring concert/opening"]
    assert len({path for path, _, _ in found}) == len(found)


def test_names_that_no_list_has(pair: Pair) -> None:
    (pair.copy / "new").mkdir()
    (pair.copy / "new" / "late.wav").write_bytes(b"late")
    os.mkfifo(pair.copy / "new" / "pipe")
    (pair.copy / "programme.txt").unlink()
    with open_secondary(pair.secondary, Effects()) as secondary:
        found = {path: digest for path, _, digest in secondary.files()}
    assert found[b"new/late.wav"] == b""
    assert b"new/pipe" not in found
    assert found[b"programme.txt"] == xxhash.xxh3_128(b"second").digest()  # whoever restores finds it missing


def test_without_lists_too(pair: Pair) -> None:
    for name in os.listdir(pair.records):
        if not (pair.records / name).is_dir():
            (pair.records / name).unlink()
    with open_secondary(pair.secondary, Effects()) as secondary:
        found = list(secondary.files())
    assert {path for path, _, _ in found} == set(contents(pair.copy))
    assert {(of, digest) for _, of, digest in found} == {(0, b"")}
    shutil.rmtree(pair.copy)
    with open_secondary(pair.secondary, Effects()) as secondary:
        assert list(secondary.files()) == []
        assert "There is no folder copy/ on the drive." in secondary.notes


HOSTILE = (
    b"../../etc/cron.d/evil", b"/etc/passwd", b"a/../../b", b"..", b".", b"a//b", b"a/", b"", b"nul\0l", b"x" * 4096,
)  # fmt: skip


def test_rule_I_lines_that_lead_elsewhere_are_passed_over(pair: Pair) -> None:
    digest = b"0" * 32
    lines = [digest + b"  " + path for path in HOSTILE]
    lines += [
        b"zz" * 16 + b"  a",
        b"00  a",
        digest,
        b"",
        b"no line",
        digest + b" a",
        os.urandom(300).replace(b"\n", b""),
    ]
    with (pair.records / "checksums.xxh128").open("ab") as file:
        file.write(b"\n".join(lines) + b"\n" + digest + b"  cut o")
    (pair.records / "checksums.sha256").write_bytes(b"\\" + b"0" * 64 + b"  wrong \\x escape\n" + b"\xff" * 70 + b"\n")
    with (pair.records / "checksums.left-out.jsonl").open("ab") as file:
        for line in (
            b'{"path": "../x", "algorithm": "xxh3_128", "checksum": "' + digest + b'"}',
            b'{"path": "a", "algorithm": "md5", "checksum": "' + digest + b'"}',
            b'{"path": "a", "path_bytes": "!", "algorithm": "xxh3_128", "checksum": "' + digest + b'"}',
            b'{"path": "\\ud800", "algorithm": "xxh3_128", "checksum": "' + digest + b'"}',
            b'{"path": 5, "algorithm": [], "checksum": null}', b"[]", b"5", b"null", b"{", b"[" * 100_000,
            b'{"path": "a", "algorithm": "xxh3_128", "checksum": "00"}', b"\xff",
        ):  # fmt: skip
            file.write(line + b"\n")
    with open_secondary(pair.secondary, Effects()) as secondary:
        found = {path: digest for path, _, digest in secondary.files()}
        notes = " ".join(secondary.notes)
    assert found.pop(b"cut o") == bytes(16)  # a name may be cut off and be one: whoever restores finds it missing
    assert found.pop(b"2026-05 spring concert/opening") == b""
    assert found == _expected(pair, "xxh3_128")
    for name in ("checksums.xxh128", "checksums.sha256", "checksums.left-out.jsonl"):
        assert f"records/{name} has lines that cannot be understood" in notes


def test_rule_I_a_line_without_end_does_not_fill_the_memory(pair: Pair) -> None:
    with (pair.records / "checksums.xxh128").open("ab") as file:
        file.truncate(1 << 34)  # sparse: zeros to the end
    with open_secondary(pair.secondary, Effects()) as secondary:
        assert {path for path, _, digest in secondary.files() if digest} == set(_expected(pair, "xxh3_128"))
        assert any("beyond any length" in note for note in secondary.notes)


def test_rule_I_another_drive_mounted_in_the_copy_is_not_entered(pair: Pair, drives: DriveFactory) -> None:
    drive = drives("ext4", 16 * MIB)
    (drive.root / "private.txt").write_text("private")
    place = pair.copy / "mounted"
    place.mkdir()
    run("mount", "--bind", drive.root, place)
    try:
        with open_secondary(pair.secondary, Effects()) as secondary:
            assert not any(b"private" in path for path, _, _ in secondary.files())
    finally:
        run("umount", place)


def test_rule_G_any_call_that_fails_is_said_or_passed_over(pair: Pair) -> None:
    """An input/output error of each call to the drive in turn: opened all the same, or refused in one sentence."""
    counting = CountingEffects(reads=True)
    with open_secondary(pair.secondary, counting) as secondary:
        opening = counting.count
        list(secondary.files())
    assert counting.count > opening > 5
    opened_anyhow = 0
    for number in range(1, counting.count + 1):
        failing = FailingEffects(number, errno.EIO, reads=True)
        fds = len(os.listdir("/proc/self/fd"))
        try:
            with open_secondary(pair.secondary, failing) as secondary:
                opened_anyhow += 1
                found = list(secondary.files())
                assert len(found) == 5 or secondary.notes
        except NightferryError as error:
            assert "\n" not in str(error)
            assert str(error).endswith(".")
        assert len(os.listdir("/proc/self/fd")) == fds
    assert opened_anyhow > 1
