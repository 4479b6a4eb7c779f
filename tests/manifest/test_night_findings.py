"""What is out of the ordinary about a night, asked of real nights."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from box import CONCERT, Box
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.night_findings import (
    changed_under_old_date,
    damage_around,
    damage_ended,
    damage_left,
    damage_since,
    drive_damage,
    ending_of,
    endings_never_seen,
)
from nightferry.manifest.nights_between import last_complete_up_to, nights_between, nights_up_to
from nightferry.planning.recurring_damage import DriveDamage
from nightferry.tree.effects import Effects


@pytest.fixture
def box(tmp_path: Path) -> Box:
    box = Box(tmp_path)
    box.ok("pair", "--yes", "recordings")
    return box


def opened(box: Box) -> Manifest:
    return Manifest.open(box.folder() / FILE_NAME, Effects())


def test_content_that_changed_under_its_old_date_is_found_whatever_came_later(box: Box) -> None:
    concert = box.fill(files=3)
    box.ok("run")
    dates = [os.stat(concert / f"{number:02} kyrie.wav").st_mtime_ns for number in (1, 2, 3)]
    (concert / "01 kyrie.wav").write_bytes(b"other")
    os.utime(concert / "01 kyrie.wav", ns=(0, dates[0]))
    (concert / "02 kyrie.wav").write_bytes(b"older")
    os.utime(concert / "02 kyrie.wav", ns=(0, -(10**9)))
    (concert / "03 kyrie.wav").write_bytes(b"newer, as it should be")
    box.ok("run")
    (concert / "01 kyrie.wav").write_bytes(b"once more, and today")
    concert.rename(box.primary() / "renamed since")
    box.ok("run")
    manifest = opened(box)
    found = list(changed_under_old_date(manifest, 2))
    assert [(each.path, each.before_ns, each.after_ns, each.size_bytes) for each in found] == [
        (f"{CONCERT}/01 kyrie.wav".encode(), dates[0], dates[0], 3000),
        (f"{CONCERT}/02 kyrie.wav".encode(), dates[1], -(10**9), 3000),
    ]
    assert list(changed_under_old_date(manifest, 1)) == list(changed_under_old_date(manifest, 3)) == []
    manifest.close()


def test_endings_that_no_earlier_night_met(box: Box) -> None:
    concert = box.fill(files=2)
    (concert / "gone.FLAC").write_bytes(b"x")
    box.ok("run")
    (concert / "gone.FLAC").unlink()
    box.ok("run")
    manifest = opened(box)
    assert endings_never_seen(manifest, 3, {b"wav", b"flac", b"psd"}) == {b"psd"}
    assert endings_never_seen(manifest, 1, {b"wav"}) == {b"wav"}
    manifest.close()


@pytest.mark.parametrize(
    ("name", "ending"),
    [(b"01 kyrie.WAV", b"wav"), (b"a.tar.gz", b"gz"), (b".profile", None), (b"plain", None), (b"dot.", None),
     (b"v1.2", None), (b"Mr. Handel and friends", None), (b"x.\xff\x1b", b"\xff\x1b"), (b"", None)],
)  # fmt: skip
def test_ending_of_a_name(name: bytes, ending: bytes | None) -> None:
    assert ending_of(name) == ending


def test_damage_is_told_of_the_nights_it_touched(box: Box) -> None:
    for _ in range(4):
        box.ok("run")
    manifest = opened(box)
    manifest.runs.find_damage(b"a", "secondary", "decayed", "verify", 2, 1.0, "bits")
    manifest.runs.close_damage(b"a", "secondary", 3, "mended")
    manifest.runs.find_damage(b"b", "primary", "decayed", "verify", 3, 1.0, "bits")
    told = {run: [each.path for each in damage_around(manifest, run, 10)[1]] for run in (1, 2, 3, 4)}
    assert told == {1: [], 2: [b"a"], 3: [b"b", b"a"], 4: [b"b"]}
    count, first = damage_around(manifest, 3, 1)
    assert count == 2
    assert [each.path for each in first] == [b"b"]  # what is open comes first
    assert damage_ended(manifest, 2, 10) == (0, [])
    count, ended = damage_ended(manifest, 3, 10)
    assert (count, [(each.path, each.became) for each in ended]) == (1, [(b"a", "mended")])
    manifest.close()


def test_what_a_night_left_open_is_told_apart_from_what_became_of_it(box: Box) -> None:
    for _ in range(3):
        box.ok("run")
    manifest = opened(box)
    runs = manifest.runs
    second = runs.by_number(2)
    assert second is not None and second.ended_s is not None
    ended_s = second.ended_s
    for name, side, closed, became in (
        (b"by the next night", "secondary", 3, "mended from the primary; the bad bytes are in retired/"),
        (b"by hand", "primary", 2, "mended: put back from the copy"),
        (b"accepted", "primary", 2, "accepted as it is"),
        (b"by itself", "secondary", 2, "mended from the primary; the bad bytes are in retired/"),
        (b"still", "primary", None, ""),
        # `verify` by hand read it, after night 2 had left it open: no work of that night.
        (b"read by day", "secondary", 2, "reads back right again, as a command found"),
        (b"read by night", "secondary", 2, "reads back right again"),
    ):
        found_run = 1 if name.startswith(b"read by") else 2
        runs.find_damage(name, side, "decayed", "verify", found_run, ended_s - 1, "bits")
        if closed is not None:
            runs.close_damage(name, side, closed, became)
    runs.find_damage(b"later", "primary", "decayed", "verify", 2, ended_s + 1, "bits")  # by `verify`, by day
    runs.close_damage(b"later", "primary", 2, "reads back right again")
    still, left = damage_left(manifest, 2, ended_s, 10)
    assert still == 1
    assert {each.path: (each.closed_run, each.by_hand) for each in left} == {
        b"still": (None, False), b"by the next night": (3, False), b"by hand": (2, True), b"accepted": (2, True),
        b"read by day": (2, True),
    }  # fmt: skip
    assert [each.path for each in damage_ended(manifest, 2, 10)[1]] == [b"by itself", b"read by night"]
    assert [each.path for each in damage_since(manifest, 2, ended_s, 10)[1]] == [b"later"]
    assert damage_left(manifest, 1, ended_s - 100, 10) == (0, [])
    manifest.close()


def test_damage_of_a_drive_is_counted_over_the_last_months(box: Box) -> None:
    for _ in range(3):
        box.ok("run")
    manifest = opened(box)
    runs = manifest.runs
    last = runs.last()
    assert last is not None and last.ended_s is not None
    ended_s = last.ended_s
    for name, side, verdict, run, at_s in (
        (b"a", "secondary", "decayed", 3, ended_s - 1),
        (b"b", "secondary", "unreadable", 1, ended_s - 80 * 86_400),
        (b"c", "retired", "decayed", 1, ended_s - 80 * 86_400),
        (b"long ago", "secondary", "decayed", 1, ended_s - 91 * 86_400),
        (b"removed by somebody", "secondary", "missing", 3, ended_s - 1),
        (b"afterwards", "secondary", "decayed", 3, ended_s + 1),
        (b"d", "primary", "decayed", 2, ended_s - 3),
    ):
        runs.find_damage(name, side, verdict, "verify", run, at_s, "bits")
    runs.close_damage(b"a", "secondary", 3, "mended from the primary; the bad bytes are in retired/")
    assert drive_damage(manifest, 3, ended_s) == [
        DriveDamage("primary", 0, 0, 1, 1), DriveDamage("secondary", 1, 1, 3, 2)
    ]  # fmt: skip
    assert [each.is_sign for each in drive_damage(manifest, 3, ended_s)] == [False, True]
    manifest.close()


def test_rows_of_nights(box: Box) -> None:
    for _ in range(4):
        box.ok("run")
    manifest = opened(box)
    assert [run.number for run in nights_between(manifest, 2, 3)] == [2, 3]
    assert [run.number for run in nights_between(manifest, None, None)] == [1, 2, 3, 4]
    assert [run.number for run in nights_up_to(manifest, 3, 2)] == [2, 3]
    manifest.runs.end(3, 1.0, "failed", "{}")
    complete = last_complete_up_to(manifest, 3)
    assert complete is not None and complete.number == 2
    assert last_complete_up_to(manifest, 0) is None
    manifest.close()
