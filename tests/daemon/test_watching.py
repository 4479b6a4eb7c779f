"""The day watched, on real folders and drives with a real inotify(7)."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from box import wait_for
from drives import DriveFactory, requires_root_and_loops
from nightferry.daemon.folders import Folders
from nightferry.daemon.watching import DayWatch
from nightferry.night.excluding import excluder
from nightferry.planning.day import Day

# The library warns of a folder that is watched already; here that is how one is found again after a move.
pytestmark = pytest.mark.filterwarnings("ignore:Callback with id:RuntimeWarning")

Make = Callable[..., DayWatch]


@pytest.fixture
def watching() -> Iterator[Make]:
    made = []

    def make(root: Path, *, folders: int = 1, **given: object) -> DayWatch:
        """Watches, once ``folders`` are watched."""
        wanted = {"require_mount": False, "most_folders": 10_000, "limit": 100, "excludes": excluder(("*.part",))[0]}
        watch = DayWatch(root, **{**wanted, "tell": lambda reasons: None, **given})
        made.append(watch)
        watch.start()
        wait_for(lambda: watch.watched >= folders)
        return watch

    yield make
    for each in made:
        each.stop()


def settled(watch: DayWatch, root: Path) -> Day:
    """Events come in order: once the last one is noted, those before are too."""
    last = root / "last.wav"
    last.write_bytes(b"")
    before = watch.look()
    wait_for(lambda: before.is_new(b"last.wav"))
    return before


def test_what_happens_is_noted(tmp_path: Path, watching: Make) -> None:
    (tmp_path / "spring").mkdir()
    (tmp_path / "spring/old.wav").write_bytes(b"old")
    (tmp_path / "spring/older.wav").write_bytes(b"older")
    watch = watching(tmp_path, folders=2)
    (tmp_path / "spring/new.wav").write_bytes(b"new")
    (tmp_path / "spring/old.wav").write_bytes(b"changed")
    (tmp_path / "spring/older.wav").unlink()
    (tmp_path / "spring/old.wav").rename(tmp_path / "moved.wav")
    for take in (b"once", b"more"):
        (tmp_path / "spring/new.wav").write_bytes(take)
    (tmp_path / "spring/x.part").write_bytes(b"not copied")
    (tmp_path / "spring/x.part").unlink()
    day = settled(watch, tmp_path)
    assert (day.created, day.changed, day.deleted, day.moved) == (2, 1, 1, 1)
    assert day.gone_count == 0
    assert [path for path, _ in day.busiest(1)] == [b"spring"]
    assert day.incomplete == []


def test_what_came_and_went_is_named(tmp_path: Path, watching: Make) -> None:
    name = b"\xff\n\x1b[31m.wav"
    watch = watching(tmp_path)
    os.mkdir(tmp_path / "folder")
    wait_for(lambda: watch.watched == 2)
    path = os.fsencode(tmp_path) + b"/folder/" + name
    with open(path, "wb") as file:
        file.write(b"take 1")
    os.unlink(path)
    # Under another name first, as programs save; then gone.
    (tmp_path / "take.tmp").write_bytes(b"take 2")
    (tmp_path / "take.tmp").rename(tmp_path / "take.wav")
    (tmp_path / "take.wav").unlink()
    # Kept: named nowhere.
    (tmp_path / "kept.wav").write_bytes(b"kept")
    # Moved away, out of what is watched.
    (tmp_path / "away.wav").write_bytes(b"away")
    (tmp_path / "away.wav").rename(tmp_path.parent / f"{tmp_path.name}-away.wav")
    day = settled(watch, tmp_path)
    wait_for(lambda: day.gone_count == 3)
    assert {each.path for each in day.gone} == {b"folder/" + name, b"take.wav", b"away.wav"}
    assert all(each.came_s <= each.went_s for each in day.gone)


def test_folders_that_appear_move_and_vanish(tmp_path: Path, watching: Make) -> None:
    (tmp_path / "spring").mkdir()
    watch = watching(tmp_path, folders=2)
    (tmp_path / "new/deep/deeper").mkdir(parents=True)
    wait_for(lambda: watch.watched == 5)
    (tmp_path / "new").rename(tmp_path / "spring/renamed")
    (tmp_path / "spring/renamed/deep/deeper/a.wav").write_bytes(b"a")
    day = settled(watch, tmp_path)
    wait_for(lambda: day.is_new(b"spring/renamed/deep/deeper/a.wav"))
    (tmp_path / "spring").rename(tmp_path.parent / f"{tmp_path.name}-elsewhere")
    wait_for(lambda: watch.watched == 1)


def test_a_symlink_is_not_followed(tmp_path: Path, watching: Make) -> None:
    root, outside = tmp_path / "root", tmp_path / "outside"
    (root / "in").mkdir(parents=True)
    (outside / "deep").mkdir(parents=True)
    (root / "link").symlink_to(outside)
    watch = watching(root, folders=2)
    (root / "later").symlink_to(outside)
    (outside / "a.wav").write_bytes(b"a")
    day = settled(watch, root)
    assert watch.watched == 2
    assert not day.is_new(b"link/a.wav")
    assert day.created == 2, "the second link, and the last file"


def test_rule_A_watching_leaves_no_access_time(drives: DriveFactory, watching: Make) -> None:
    drive = drives("ext4", options="strictatime")
    for name in ("a/b", "c"):
        (drive.root / name).mkdir(parents=True)
    paths = [drive.root, *(path for path in drive.root.rglob("*") if path.is_dir() and path.name != "lost+found")]
    before = {path: os.stat(path).st_atime_ns for path in paths}
    watch = watching(drive.root, folders=4, require_mount=True)
    assert watch.watched >= 4
    assert {path: os.stat(path).st_atime_ns for path in paths} == before


@requires_root_and_loops
def test_a_drive_can_be_unmounted_under_it_and_comes_back(drives: DriveFactory, watching: Make) -> None:
    drive = drives("ext4")
    (drive.root / "a").mkdir()
    all_folders = 3  # with lost+found
    watch = watching(drive.root, folders=all_folders, require_mount=True)
    subprocess.run(["umount", drive.root], check=True)  # a watch keeps no drive busy
    wait_for(lambda: watch.watched == 0)
    assert any("unmounted" in why for why in watch.look().incomplete)
    (drive.root / "written-into-the-empty-folder.wav").write_bytes(b"x")
    drive.mount()
    wait_for(lambda: watch.watched >= all_folders)
    (drive.root / "a/new.wav").write_bytes(b"new")
    wait_for(lambda: watch.look().is_new(b"a/new.wav"))
    assert watch.look().created == 1


def test_no_more_folders_than_allowed(tmp_path: Path, watching: Make) -> None:
    for n in range(50):
        (tmp_path / f"{n:02}").mkdir()
    watch = watching(tmp_path, folders=10, most_folders=10)
    wait_for(lambda: bool(watch.look().incomplete))
    assert watch.watched == 10
    assert "watch_folders" in watch.look().incomplete[0]


@requires_root_and_loops
def test_the_kernels_limits_are_told(tmp_path: Path) -> None:
    """max_user_watches is counted for each user namespace too (user_namespaces(7)): lowered in one of our own."""
    for n in range(40):
        (tmp_path / f"{n:02}").mkdir()
    code = """
        import sys, time
        from pathlib import Path
        from nightferry.daemon.watching import DayWatch
        Path("/proc/sys/user/max_inotify_watches").write_text("15")
        watch = DayWatch(Path(sys.argv[1]), require_mount=False, most_folders=1000, limit=None,
                         excludes=lambda path, is_folder: False, tell=print)
        watch.start()
        end = time.monotonic() + 60
        while not watch.look().incomplete and time.monotonic() < end:
            time.sleep(0.05)
        time.sleep(0.5)
        print(watch.watched, watch.look().incomplete)
        watch.stop()
        """
    command = ["unshare", "--user", "--map-root-user", "--mount", sys.executable, "-c", textwrap.dedent(code), tmp_path]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("15 ["), done.stdout
    assert "max_user_watches" in done.stdout


def test_a_full_queue_is_told_and_the_tree_walked_again(tmp_path: Path, watching: Make) -> None:
    """Its real size (fs.inotify.max_queued_events) is filled while the reader is held back by the lock."""
    limit = int(Path("/proc/sys/fs/inotify/max_queued_events").read_text())
    watch = watching(tmp_path)
    with watch._lock:
        (tmp_path / "first.wav").write_bytes(b"")
        for n in range(limit // 4 + 5_000):  # each makes: created, closed, deleted, and once more half of that
            path = tmp_path / f"{n}.wav"
            path.write_bytes(b"x")
            path.rename(tmp_path / f"{n}.flac")
        (tmp_path / "unseen").mkdir()
    wait_for(lambda: bool(watch.look().incomplete), 120)
    assert "max_queued_events" in watch.look().incomplete[0]
    wait_for(lambda: watch.watched == 2, 120)


@pytest.mark.parametrize("what", ["deleted", "changed", "renamed"])
def test_a_surge_is_told_once(tmp_path: Path, watching: Make, what: str) -> None:
    files = [tmp_path / f"{n:02} kyrie.wav" for n in range(40)]
    for file in files:
        file.write_bytes(b"x")
    told: list[list[str]] = []
    watch = watching(tmp_path, limit=30, tell=told.append)
    for file in files[:15]:
        _do(what, file)
    day = settled(watch, tmp_path)
    watch._attend()
    assert told == []
    for file in files[15:]:
        _do(what, file)
    wait_for(lambda: day.happened >= 41)
    wait_for(lambda: bool(told))
    watch._attend()
    assert len(told) == 1
    assert {"deleted": "were deleted", "changed": "were changed", "renamed": '".locked"'}[what] in told[0][0]


def _do(what: str, file: Path) -> None:
    if what == "deleted":
        file.unlink()
    elif what == "changed":
        file.write_bytes(b"y")
    else:
        file.rename(file.with_name(file.name + ".locked"))


def test_a_night_turns_the_day(tmp_path: Path, watching: Make) -> None:
    watch = watching(tmp_path)
    (tmp_path / "a.wav").write_bytes(b"a")
    first = settled(watch, tmp_path)
    assert watch.turn() is first
    (tmp_path / "a.wav").unlink()
    second = watch.look()
    wait_for(lambda: second.deleted == 1)
    assert second.gone_count == 0, "the night has seen it"
    assert first.created == 2


def test_a_primary_that_is_not_there_is_waited_for(tmp_path: Path, watching: Make) -> None:
    root = tmp_path / "not yet"
    watch = watching(root, folders=0)
    wait_for(lambda: bool(watch.look().incomplete))
    root.mkdir()
    wait_for(lambda: watch.watched == 1)


def test_folders_know_their_paths() -> None:
    folders = Folders()
    folders.put(1, -1, b"")
    folders.put(2, 1, b"a")
    folders.put(3, 2, b"b")
    assert [folders.path(n) for n in (1, 2, 3, 4)] == [b"", b"a", b"a/b", None]
    folders.put(2, 1, b"renamed")
    assert folders.path(3) == b"renamed/b"
    assert set(folders.below(1, b"renamed")) == {2, 3}
    folders.put(1, 3, b"loop")
    assert folders.path(3) is None, "a loop ends"
