"""Trees that break what is written carelessly: huge folders, endless paths, shifting links, names that cannot be, files
that change while they are read, and things on the secondary that others put or keep there. Rules B, F, G, H and I.

HYPOTHESIS_PROFILE=long makes them large: 500,000 names in a folder, a file of 8 TiB.
"""

from __future__ import annotations

import os
import random
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from harness import Pair, contents, explain, footprint, night_that_keeps_everything

from counts import count_case
from drives import MIB, DriveFactory, requires_root_and_loops, run
from nightferry.errors import NightferryError
from nightferry.night.run import Result
from nightferry.tree.effects import Effects
from sweeps import ALL, LONG, some

KYRIE = "2026-05 spring concert/01 kyrie.wav"


def test_rule_H_a_folder_with_a_great_many_names(pair: Pair) -> None:
    count = 500_000 if LONG else 21_000 if ALL else 3_000  # beyond what a scan sorts in memory
    pair.set(read_back="off")
    folder = pair.at("takes")
    folder.mkdir()
    for number in range(count):
        os.close(os.open(folder / f"{number:06}", os.O_CREAT | os.O_WRONLY, 0o644))
    (folder / "000007").write_bytes(b"seven")
    assert pair.run_well().tally.added == count
    assert len(os.listdir(pair.copy / "takes")) == count
    (folder / "000008").write_bytes(b"eight")
    (folder / "000009").unlink()
    (folder / "000010").rename(folder / "ten")
    tally = pair.run_well().tally
    assert (tally.changed, tally.removed + tally.moved, tally.added) == (1, 2, 0), tally
    assert (pair.copy / "takes/000008").read_bytes() == b"eight"
    assert sorted(os.listdir(folder)) == sorted(os.listdir(pair.copy / "takes"))
    pair.run_quiet()


def _in(root: Path, parts: list[str], action: Callable[[], object]) -> None:
    """Does something within a folder that no path leads to."""
    here = os.open(".", os.O_RDONLY)
    try:
        os.chdir(root)
        for part in parts:
            os.chdir(part)
        action()
    finally:
        os.fchdir(here)
        os.close(here)


def _put(name: str, content: bytes) -> Callable[[], None]:
    def write() -> None:
        with open(name, "wb") as file:
            file.write(content)

    return write


def test_rule_H_paths_beyond_path_max_all_through_their_life(make: Callable[..., Pair]) -> None:
    pair = make(keep_retired="1d", keep_retired_at_least="0d")
    parts = ["d" * 250] * 40  # 10,000 bytes: PATH_MAX is 4,096
    for depth in range(len(parts)):
        _in(pair.primary, parts[:depth], lambda: os.mkdir("d" * 250))
    _in(pair.primary, parts, _put("kyrie.wav", b"kyrie"))
    found: list[bytes] = []

    def look() -> None:
        found[:] = [Path(name).read_bytes() for name in sorted(os.listdir("."))]

    pair.run_well()
    _in(pair.copy, parts, look)
    assert found == [b"kyrie"]
    _in(pair.primary, parts, _put("kyrie.wav", b"second take"))
    _in(pair.primary, parts, _put("gloria.wav", b"gloria"))
    pair.run_well()
    _in(pair.copy, parts, look)
    assert found == [b"gloria", b"second take"]
    _in(pair.primary, parts, lambda: os.rename("gloria.wav", "credo.wav"))
    assert pair.run_well().tally.moved == 1
    os.rename(pair.primary / ("d" * 250), pair.primary / "short")
    assert pair.run_well().tally.folders_moved == 1
    _in(pair.copy, ["short", *parts[1:]], look)
    assert found == [b"gloria", b"second take"]
    run("rm", "-rf", pair.primary / "short")
    pair.set(hold_count=None, hold_share=None)
    pair.write(KYRIE, b"so that the primary is not empty")
    assert pair.run_well().tally.removed == 2
    for _ in range(3):
        pair.clock.pass_days(2)
        pair.run_well()
    assert contents(pair.retired) == {}
    pair.run_quiet()


@pytest.mark.parametrize("seed", range(60 if LONG else 3 if ALL else 1))
def test_rule_B_link_groups_that_change_their_members(pair: Pair, seed: int) -> None:
    numbers = random.Random(seed)
    folders = [pair.at(name) for name in ("a", "b/c", "d")]
    for folder in folders:
        folder.mkdir(parents=True)
    for number in range(6):
        (folders[number % 3] / f"{number}.wav").write_bytes(b"content %d" % number)
    for night in range(6):
        for _ in range(8):
            files = sorted(path for folder in folders for path in folder.iterdir())
            one = numbers.choice(files)
            other = numbers.choice(folders) / f"{numbers.randrange(12)}.wav"
            action = numbers.choice(["link", "link", "unlink", "rename", "write", "replace"])
            if action == "link" and not other.exists():
                os.link(one, other)
            elif action == "unlink" and len(files) > 3:
                one.unlink()
            elif action == "rename":
                one.rename(other)
            elif action == "write":
                one.write_bytes(b"night %d, %d" % (night, numbers.randrange(10**6)))
            elif action == "replace":
                new = one.with_suffix(".new")
                new.write_bytes(b"replaced in night %d" % night)
                new.replace(one)
        night_that_keeps_everything(pair)
        assert pair.differences() == []
    pair.run_quiet()


# --- races


@contextmanager
def meanwhile(action: Callable[[], object]) -> Iterator[list[int]]:
    """Does something over and over, as fast as it can, while the block runs; gives how often."""
    done = [0]
    stop = threading.Event()

    def work() -> None:
        while not stop.is_set():
            with suppress(OSError):
                action()
                done[0] += 1

    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield done
    finally:
        stop.set()
        thread.join()


def _swap(folder: Path, one: str, other: str) -> None:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        Effects.exchange(one.encode(), other.encode(), src_dir_fd=fd, dst_dir_fd=fd)
    finally:
        os.close(fd)


@pytest.mark.parametrize("side", ["primary", "secondary"])
def test_rule_I_a_symlink_swapped_in_for_a_folder_leads_nowhere(pair: Pair, tmp_path: Path, side: str) -> None:
    """Raced for real: nothing outside is read into the copy, nothing outside is written, removed or marked."""
    canary = tmp_path / "outside"
    (canary / "deep").mkdir(parents=True)
    for number in range(20):
        pair.write(f"folder/{number}.wav", b"take %d" % number)
        pair.write(f"folder/deep/{number}.wav", b"deep %d" % number)
        (canary / f"{number}.wav").write_bytes(b"CANARY %d" % number)
        (canary / "deep" / f"{number}.wav").write_bytes(b"CANARY deep %d" % number)
    pair.run_well()
    before = footprint(canary)
    racing = pair.primary if side == "primary" else pair.copy
    # Beside the folder, so that an exchange swaps the two; the night meets either under either name.
    (racing / "link").symlink_to(canary)
    swaps = nights = 0
    for number in range(150 if LONG else 15 if ALL else 5):
        for each in range(0, 20, 3):
            (pair.primary / "still").mkdir(exist_ok=True)
            pair.write(f"still/{each}.wav", b"take %d of night %d" % (each, number))
            with suppress(OSError):
                pair.write(f"folder/{each}.wav" if side == "secondary" else f"still/{each}b.wav", b"new %d" % number)
        pair.clock.pass_days(1.01)
        if not os.path.islink(racing / "folder") and not os.path.islink(racing / "link"):
            # A night met the symlink under the folder's name, moved it away, and made the folder again.
            shutil.rmtree(racing / "link")
            (racing / "link").symlink_to(canary)
        with meanwhile(lambda: _swap_with_link(racing, "folder", "link")) as done, suppress(NightferryError):
            pair.run()
        swaps += done[0]
        nights += 1
        assert footprint(canary) == before
        for place in (pair.copy, pair.retired):
            assert not any(content.startswith(b"CANARY") for content in _files(place))
    count_case("nights raced against a symlink swapped in for a folder", nights)
    count_case("swaps of the two in those nights", swaps)
    assert swaps > nights
    if os.path.islink(racing / "folder"):
        _swap(racing, "folder", "link")
    if os.path.islink(racing / "link"):
        (racing / "link").unlink()
    else:
        shutil.rmtree(racing / "link", ignore_errors=True)
    for _ in range(3):
        pair.clock.pass_days(40)  # so that all of the copy is due to be read
        pair.run()
    assert pair.differences() == []
    assert footprint(canary) == before
    with pair.manifest() as manifest:
        # Where both names were folders for an instant, a version of the one may have been retired as the other's. That
        # is found, and said; nothing else is left open.
        assert {damage.side for damage in manifest.runs.damage()} <= {"retired"}


def _swap_with_link(folder: Path, one: str, other: str) -> None:
    if os.path.islink(folder / one) or os.path.islink(folder / other):
        _swap(folder, one, other)


def _files(root: Path) -> Iterator[bytes]:
    for folder, _, names in os.walk(root):
        for name in names:
            path = os.path.join(folder, name)
            if not os.path.islink(path):
                with open(path, "rb") as file:
                    yield file.read(64)


def test_rule_C_a_file_that_changes_while_it_is_read_is_never_copied_half(pair: Pair) -> None:
    """Overwritten, cut short, grown and replaced: whatever the copy holds is one state of the file."""
    size = 3 * MIB
    states = {}

    def state(number: int) -> bytes:
        return states.setdefault(number % 7, bytes([65 + number % 7]) * (size + 4096 * (number % 7)))

    pair.write("replaced.wav", state(0))
    pair.write("overwritten.wav", state(0))
    pair.run_well()
    count = 0

    def change() -> None:
        nonlocal count
        count += 1
        new = pair.at("replaced.wav.part")
        new.write_bytes(state(count))
        new.replace(pair.at("replaced.wav"))
        with pair.at("overwritten.wav").open("r+b") as file:  # in place, in two pieces with a pause in between
            file.write(state(count)[: size // 2])
            file.flush()
            time.sleep(0.002)
            file.write(state(count)[size // 2 :])
            file.truncate()

    pair.set(exclude=("*.part",))
    for _ in range(60 if LONG else 10):
        with meanwhile(change):
            result = pair.run()
        assert result.outcome in ("complete", "partial"), explain(pair, result)
        copied = (pair.copy / "replaced.wav").read_bytes()
        assert copied in states.values(), f"{len(copied)} bytes of {set(copied)}"
        with pair.manifest() as manifest:
            assert manifest.runs.open_damage() == []
    pair.at("replaced.wav.part").unlink(missing_ok=True)
    pair.run_well()
    assert pair.differences() == []


# --- what the secondary keeps, and what others do there


@pytest.fixture
def marked(drives: DriveFactory, tmp_path: Path) -> Iterator[Pair]:
    """On ext4, which has the attributes of chattr(1); all of them are taken off at the end."""
    pair = Pair(
        drives("ext4", 64 * MIB),
        drives("ext4", 64 * MIB),
        tmp_path / "state",
        keep_retired="2d",
        keep_retired_at_least="0d",
    )
    for name in ("replaced", "removed", "moved", "with new date", "stays"):
        pair.write(f"choir/{name}.wav", name)
        pair.write(f"others/{name}.wav", name)
    pair.write("folder/inside.wav", "inside")
    pair.run_well()
    yield pair
    run("chattr", "-R", "-f", "-i", "-a", pair.secondary, check=False)


@pytest.mark.parametrize("attribute", ["i", "a"], ids=["immutable", "append-only"])
def test_rule_G_files_of_the_copy_that_nobody_may_change(marked: Pair, attribute: str) -> None:
    pair = marked
    for name in ("replaced", "removed", "moved", "with new date"):
        run("chattr", f"+{attribute}", pair.copy / f"choir/{name}.wav")
    before = contents(pair.copy)
    for folder in ("choir", "others"):
        pair.write(f"{folder}/replaced.wav", "second take")
        pair.at(f"{folder}/removed.wav").unlink()
        pair.at(f"{folder}/moved.wav").rename(pair.at(f"{folder}/moved away.wav"))
        os.utime(pair.at(f"{folder}/with new date.wav"), (1, 1))
    result = pair.run()
    assert result.outcome == "partial", explain(pair, result)
    assert {os.path.dirname(path) for path in pair.left_out(2)} == {b"choir"}
    after = contents(pair.copy)
    assert (pair.copy / "others/replaced.wav").read_bytes() == b"second take"
    assert not (pair.copy / "others/removed.wav").exists()
    for path, digest in before.items():
        if path.startswith(b"choir/"):
            assert after[path] == digest  # not one of them lost or half done
    again = pair.run()
    assert again.outcome == "partial"
    run("chattr", "-R", f"-{attribute}", pair.secondary)
    for _ in range(2):
        last = pair.run()
    assert last.outcome == "complete", explain(pair, last)
    assert pair.differences() == []


@pytest.mark.parametrize(
    "where", some(["copy/choir", "copy", "retired", "staging", "records", "records/manifest.sqlite3"], 3)
)
def test_rule_B_folders_and_records_that_nobody_may_change(marked: Pair, where: str) -> None:
    pair = marked
    before = set(contents(pair.copy).values())
    run("chattr", "+i", pair.secondary / where)
    pair.write("choir/replaced.wav", "second take")
    pair.write("new.wav", "new")
    shutil.rmtree(pair.at("folder"))
    try:
        result: Result | NightferryError = pair.run()
    except NightferryError as error:
        result = error
    if isinstance(result, Result):
        assert result.outcome in ("partial", "failed"), explain(pair, result)
        assert result.outcome != "failed" or result.failure
    else:
        assert result.exit_code in (3, 4)
    assert before <= {*contents(pair.copy).values(), *contents(pair.retired).values()}
    run("chattr", "-R", "-i", pair.secondary)
    for _ in range(2):
        last = pair.run()
    assert last.outcome == "complete", explain(pair, last)
    assert pair.differences() == []
    assert before <= {*contents(pair.copy).values(), *contents(pair.retired).values()}


def test_rule_B_a_retired_version_that_nobody_may_remove_does_not_keep_the_others(marked: Pair) -> None:
    pair = marked
    pair.write("choir/replaced.wav", "second take")
    pair.write("others/replaced.wav", "second take")
    pair.run_well()
    (stuck,) = (each.path for path, each in pair.held().items() if path.startswith(b"choir/"))
    run("chattr", "+i", stuck)
    for _ in range(4):
        pair.clock.pass_days(1.5)
        pair.run()
    assert set(contents(pair.retired)) == {stuck.removeprefix(os.fsencode(pair.retired) + b"/")}
    run("chattr", "-i", stuck)
    for _ in range(2):
        pair.clock.pass_days(1.5)
        pair.run_well()
    assert contents(pair.retired) == {}


def test_rule_I_a_folder_bound_into_the_copy_is_not_written_to(drives: DriveFactory, tmp_path: Path) -> None:
    """A bind mount of the same file system has the same device number: only the mount tells it apart."""
    other = drives("ext4", 48 * MIB)
    pair = Pair(drives("ext4", 48 * MIB), other, tmp_path / "state")
    for number in range(4):
        pair.write(f"choir/{number}.wav", b"take %d" % number)
    pair.write("stays.wav", "stays")
    pair.run_well()
    elsewhere = other.root / "not ours"
    elsewhere.mkdir()
    for number in range(4):
        (elsewhere / f"{number}.wav").write_bytes(b"not ours %d" % number)
    before = footprint(elsewhere)
    run("mount", "--bind", elsewhere, pair.copy / "choir")
    try:
        for number in range(2):
            pair.write(f"choir/{number}.wav", b"second take %d" % number)
        pair.at("choir/2.wav").unlink()
        pair.at("choir").chmod(0o700)
        pair.write("stays.wav", "goes on")
        for _ in range(2):
            pair.clock.pass_days(40)
            try:
                result = pair.run()
                assert result.state != "sound", explain(pair, result)
            except NightferryError as error:
                assert error.exit_code in (3, 4)
            assert footprint(elsewhere) == before
    finally:
        run("umount", pair.copy / "choir")
    for _ in range(3):
        pair.clock.pass_days(1.01)
        last = pair.run()
    assert last.outcome == "complete", explain(pair, last)
    assert pair.differences() == []
    assert footprint(elsewhere) == before


# --- full


def _fill(root: Path) -> None:
    """To the last block, as somebody else may: blocks that were just given back can be had once that is durable."""
    with (root / "holiday.mkv").open("wb", buffering=0) as file:
        full_at = -1
        while full_at < (full_at := file.tell()):
            for size in (MIB, 65536, 4096, 512, 1):
                with suppress(OSError):
                    while True:
                        file.write(b"\0" * size)
            os.sync()


def _use_up_inodes(root: Path) -> None:
    (root / "holiday").mkdir()
    with suppress(OSError):
        for number in range(1 << 20):
            os.close(os.open(root / "holiday" / str(number), os.O_CREAT | os.O_WRONLY))


# xfs and btrfs make inodes as they need them: they run out of blocks only.
@pytest.mark.parametrize(
    ("kind", "what"), some([("ext4", "blocks"), ("ext4", "inodes"), ("xfs", "blocks"), ("btrfs", "blocks")], 2)
)
def test_rule_B_a_drive_filled_by_others_still_has_its_night(
    drives: DriveFactory, tmp_path: Path, kind: str, what: str
) -> None:
    """Retired versions that are old enough go for the room, so that the night gets to its end."""
    options = ("-m", "0", "-N", "600") if kind == "ext4" else ()
    pair = Pair(
        drives("ext4", 64 * MIB), drives(kind, 48 * MIB, format_options=options), tmp_path / "state",
        keep_retired="30d", keep_retired_at_least="0d",
    )  # fmt: skip
    pair.write("big.wav", os.urandom(12 * MIB))
    for number in range(150):
        pair.write(f"small/{number}.wav", b"x" * 100)
    pair.write(KYRIE, b"kyrie")
    pair.run_well()
    pair.at("big.wav").unlink()
    shutil.rmtree(pair.at("small"))
    pair.run_well()
    for _ in range(3):
        pair.clock.pass_days(1.01)
        pair.run_well()
    assert b"big.wav" in pair.held()
    (_fill if what == "blocks" else _use_up_inodes)(pair.secondary)
    pair.write(KYRIE, b"second take")
    pair.clock.pass_days(1.01)
    result = pair.run()
    assert result.outcome == "complete", explain(pair, result)
    assert any("full to the last block" in note for note in result.notes)
    assert result.tally.expired >= 1
    assert (pair.copy / KYRIE).read_bytes() == b"second take"
    assert pair.held()[KYRIE.encode()].content == b"kyrie"
    pair.clock.pass_days(1.01)
    pair.run_well()


def test_a_full_drive_with_nothing_to_let_go_ends_clearly(drives: DriveFactory, tmp_path: Path) -> None:
    pair = Pair(drives("ext4", 48 * MIB), drives("ext4", 16 * MIB, format_options=("-m", "0")), tmp_path / "state")
    pair.write(KYRIE, b"kyrie")
    pair.run_well()
    _fill(pair.secondary)
    before = contents(pair.copy)
    pair.write(KYRIE, b"second take")
    result = pair.run()
    assert (result.state, result.exit_code) == ("failed", 4), explain(pair, result)
    assert "room" in (result.failure or "")
    assert contents(pair.copy) == before
    (pair.secondary / "holiday.mkv").unlink()
    pair.run_well()
    assert pair.differences() == []


# --- times and sizes

SECOND_NS = 1_000_000_000
TIMES_S = {
    "1900": -2_208_988_800, "1962": -240_000_000, "before 1970": -1, "1970": 0, "2038": 2_147_483_648,
    "2106": 4_294_967_296, "2107": 4_354_819_199, "2400": 13_569_465_600,
}  # fmt: skip


@pytest.mark.parametrize("kind", some(["ext4", "xfs", "btrfs", "exfat", "ntfs"], 3))
def test_rule_G_times_that_a_file_system_cannot_hold(drives: DriveFactory, tmp_path: Path, kind: str) -> None:
    pair = Pair(drives("btrfs"), drives(kind, 48 * MIB), tmp_path / "state")
    wanted = {}
    for name, time_s in TIMES_S.items():
        file = pair.write(f"{name}.wav", name)
        os.utime(file, ns=(0, time_s * SECOND_NS + 123_456_789))
        wanted[name] = file.stat().st_mtime_ns  # as the primary holds it
    result = pair.run()
    assert result.outcome == "complete", explain(pair, result)
    entries = pair.entries()
    for name, time_ns in wanted.items():
        assert (pair.copy / f"{name}.wav").read_bytes() == name.encode()
        assert entries[f"{name}.wav".encode()].stat.mtime_ns == time_ns
    pair.run_quiet()


@requires_root_and_loops
def test_a_sparse_file_larger_than_either_drive(drives: DriveFactory, tmp_path: Path) -> None:
    size = 8 << 40 if LONG else 8 << 30
    pair = Pair(drives("ext4", 64 * MIB), drives("ext4", 64 * MIB), tmp_path / "state")
    with pair.at("disk image.raw").open("wb") as file:
        file.truncate(size)
        file.seek(size // 2)
        file.write(b"in the middle")
        file.seek(size - 3)
        file.write(b"end")
    result = pair.run_well()
    copied = os.stat(pair.copy / "disk image.raw")
    assert (copied.st_size, copied.st_blocks * 512 < MIB) == (size, True)
    assert result.tally.written_bytes < MIB
    assert run("cmp", pair.at("disk image.raw"), pair.copy / "disk image.raw", "--bytes=1048576") == b""
    with (pair.copy / "disk image.raw").open("rb") as file:
        file.seek(size // 2)
        assert file.read(13) == b"in the middle"
        file.seek(size - 3)
        assert file.read() == b"end"
