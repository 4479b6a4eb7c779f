"""The changes of a run: streamed, under the names they had, whatever came later."""

from __future__ import annotations

import os
import tracemalloc
from pathlib import Path

import pytest

from box import Box
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.records import Content
from nightferry.reporting.audit.changes import Changes, counted, find_run, night_report, totals
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat

EFFECTS = Effects()
DAY_S = 86_400.0


@pytest.fixture
def box(tmp_path: Path) -> Box:
    box = Box(tmp_path)
    box.ok("pair", "--yes", "recordings")
    return box


def listed(box: Box, run: int) -> list[tuple[str, bytes, bytes | None, bool]]:
    with Manifest.look(box.folder() / FILE_NAME, EFFECTS, in_use=False) as manifest:
        return [(each.kind, each.path, each.source, each.is_folder) for each in Changes(manifest, run)]


def test_a_file_that_changed_every_night(box: Box) -> None:
    path = box.primary() / "score.txt"
    for text in ("a", "bb", "ccc"):
        path.write_text(text)
        box.ok("run")
    path.unlink()
    (box.primary() / "other.txt").write_text("x")
    box.ok("run")
    assert [listed(box, run)[-1][:2] for run in (1, 2, 3, 4)] == [
        ("added", b"score.txt"), ("changed", b"score.txt"), ("changed", b"score.txt"), ("removed", b"score.txt"),
    ]  # fmt: skip
    with Manifest.look(box.folder() / FILE_NAME, EFFECTS, in_use=False) as manifest:
        sizes = [[(each.size_bytes, each.before_bytes) for each in Changes(manifest, run)] for run in (1, 2, 3, 4)]
    # what stands there after the night, and of what changed also what stood there before; of what is gone, what it had
    assert sizes == [[(1, None)], [(2, 1)], [(3, 2)], [(1, None), (3, None)]]


def test_a_name_that_became_another_kind(box: Box) -> None:
    (box.primary() / "thing").write_text("file")
    box.ok("run")
    (box.primary() / "thing").unlink()
    (box.primary() / "thing").mkdir()
    (box.primary() / "thing" / "inside.txt").write_text("x")
    box.ok("run")
    assert listed(box, 2) == [
        ("added", b"thing", None, True),
        ("added", b"thing/inside.txt", None, False),
        ("removed", b"thing", None, False),
    ]


def test_a_file_moved_within_a_folder_that_moved_the_same_night(box: Box) -> None:
    (box.primary() / "old" / "deep").mkdir(parents=True)
    (box.primary() / "old" / "deep" / "a.wav").write_bytes(os.urandom(5000))
    box.ok("run")
    (box.primary() / "old").rename(box.primary() / "new")
    (box.primary() / "new" / "deep" / "a.wav").rename(box.primary() / "new" / "b.wav")
    box.ok("run")
    assert listed(box, 2) == [
        ("moved", b"new", b"old", True), ("moved", b"new/b.wav", b"old/deep/a.wav", False),
    ]  # fmt: skip


def test_memory_does_not_grow_with_the_changes(tmp_path: Path) -> None:
    manifest = Manifest.create(tmp_path / FILE_NAME, EFFECTS, pair_id="x", pair_name="recordings")
    stat = Stat(Kind.FOLDER, 0, 0, 0, 1, 0o755, 0, 0, 1, 0)

    def fill(files: int, run: int) -> int:
        with manifest.database.transaction():
            for number in range(files):
                name = b"%d-%08d" % (run, number)
                manifest.entries.insert(1, name, stat._replace(kind=Kind.FILE), Content(), None, run)
        tracemalloc.start()
        assert totals(manifest, run).files["added"] == files
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    with manifest.database.transaction():
        manifest.entries.insert(0, b"", stat, Content(), None, 1)
    small, large = fill(1_000, 2), fill(50_000, 3)
    manifest.close()
    assert large < small + 256 * 1024


def test_which_night(box: Box) -> None:
    with Manifest.look(box.folder() / FILE_NAME, EFFECTS, in_use=False) as manifest:
        assert find_run(manifest, "recordings", None) is None
    box.ok("run")
    box.ok("run")
    manifest = Manifest.open(box.folder() / FILE_NAME, EFFECTS)
    manifest.runs.start(3, "000003", 5e9)  # cut off: without an end
    newest = find_run(manifest, "recordings", None)
    asked = find_run(manifest, "recordings", "3")
    manifest.close()
    assert newest is not None and newest.number == 2
    assert asked is not None and asked.outcome is None


def test_kept_until_by_days_and_by_nights(tmp_path: Path) -> None:
    manifest = Manifest.create(tmp_path / FILE_NAME, EFFECTS, pair_id="x", pair_name="recordings")
    for number in range(1, 4):
        manifest.runs.start(number, f"{number:06}", number * DAY_S)
        manifest.runs.end(number, number * DAY_S + 100, "complete", "{}")
    run = manifest.runs.by_number(1)
    assert run is not None
    report = night_report(manifest, "recordings", run, keep_s=30 * DAY_S, floor_s=7 * DAY_S)
    assert report.kept is not None
    # Two of thirty nights have passed; the other 28, one a day, count from when the newest began, as the days do.
    assert report.kept.until_s == 3 * DAY_S + 28 * DAY_S
    assert (report.kept.at_least_until_s, report.kept.nights) == (8 * DAY_S, 30)

    manifest.runs.start(4, "000004", 20 * DAY_S)  # the box was off for weeks
    manifest.runs.end(4, 20 * DAY_S, "complete", "{}")
    report = night_report(manifest, "recordings", run, keep_s=30 * DAY_S, floor_s=7 * DAY_S)
    manifest.close()
    assert report.kept is not None and report.kept.until_s == 20 * DAY_S + 27 * DAY_S


def test_counted() -> None:
    assert [counted(1, "file"), counted(12_345, "file")] == ["1 file", "12,345 files"]
    assert counted(2, "has", "have") == "2 have"
