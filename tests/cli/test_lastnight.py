"""``nightferry lastnight``: the audit of any night."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest

from box import CONCERT, Box, everything


@pytest.fixture
def nights(paired: Box) -> Box:
    """Three nights: the first copy, one change of each kind, and a folder renamed twice since."""
    paired.ok("run")
    concert = paired.primary() / CONCERT
    (concert / "07 agnus dei.wav").write_bytes(b"n" * 5000)
    (concert / "01 kyrie.wav").write_bytes(b"another take")
    (concert / "02 kyrie.wav").rename(concert / "02 gloria.wav")
    (concert / "03 kyrie.wav").unlink()
    (concert / "04 kyrie.wav").chmod(0o600)
    paired.ok("run")
    concert.rename(paired.primary() / "2026-05 concert")
    paired.ok("run")
    return paired


def changes(box: Box, *args: str) -> list[tuple[str, str, str | None]]:
    found = box.json("lastnight", "--all", *args)["pairs"][0]["changes"]
    return [(each["kind"], each["path"], each["from"] and each["from"]["path"]) for each in found]


def test_any_night_under_the_names_that_it_had(nights: Box) -> None:
    """The folder was renamed in night 3: night 2 still speaks of it as it was."""
    assert changes(nights, "--night", "2") == [
        ("added", f"{CONCERT}/07 agnus dei.wav", None),
        ("changed", f"{CONCERT}/01 kyrie.wav", None),
        ("moved", f"{CONCERT}/02 gloria.wav", f"{CONCERT}/02 kyrie.wav"),
        ("removed", f"{CONCERT}/03 kyrie.wav", None),
        ("metadata", f"{CONCERT}/04 kyrie.wav", None),
    ]
    assert changes(nights) == [("moved", "2026-05 concert", CONCERT)]
    first = changes(nights, "--night", "1")
    assert first == [("added", CONCERT, None), *(("added", f"{CONCERT}/{n:02} kyrie.wav", None) for n in range(1, 7))]


def test_a_size_is_that_after_the_night_everywhere(nights: Box) -> None:
    """As `run` counts it; of a changed file the size before is said as well."""
    kyrie = nights.primary() / "2026-05 concert" / "01 kyrie.wav"
    kyrie.write_bytes(b"k" * 2048)
    ran = nights.json("run")["pairs"][0]["counts"]
    found = nights.json("lastnight", "--all")["pairs"][0]
    assert found["counts"] == ran and ran["changed"]["bytes"] == 2048
    (change,) = found["changes"]
    assert (change["bytes"], change["bytes_before"]) == (2048, len("another take"))
    assert "2.0 KiB  2026-05 concert/01 kyrie.wav  (was 12 B)" in nights.ok("lastnight", "--all")
    # and a later night changes nothing of what is said of that one
    kyrie.write_bytes(b"k" * 4096)
    nights.ok("run")
    (change,) = nights.json("lastnight", "--all", "--night", "4")["pairs"][0]["changes"]
    assert (change["bytes"], change["bytes_before"]) == (2048, len("another take"))
    assert all(
        each["bytes_before"] is None
        for each in nights.json("lastnight", "--all", "--night", "1")["pairs"][0]["changes"]
    )


def test_content_that_changed_under_its_old_date_is_named(nights: Box) -> None:
    """Another file, by its inode: a change, copied, the version before kept, and told by name."""
    kyrie = nights.primary() / "2026-05 concert" / "05 kyrie.wav"
    before = os.stat(kyrie)
    new = kyrie.with_name("new")
    new.write_bytes(b"another take".ljust(before.st_size))
    os.utime(new, ns=(before.st_atime_ns, before.st_mtime_ns))
    new.rename(kyrie)
    (nights.primary() / "2026-05 concert" / "06 kyrie.wav").write_bytes(b"today, as it should be")
    ran = nights.ok("run")
    shown = nights.ok("lastnight")
    for each in (ran, shown):
        told = each.split("under a date that is no newer, in 1 file; the version before is in retired/:")[1]
        assert told.split("\n")[1] == "    2026-05 concert/05 kyrie.wav"
        assert "06 kyrie.wav" not in each
    found = nights.json("lastnight")["pairs"][0]
    assert (found["old_dates_count"], found["counts"]["changed"]["files"]) == (1, 2)
    assert found["old_dates"] == [{"path": "2026-05 concert/05 kyrie.wav", "bytes_before": before.st_size}]
    assert "no newer" not in nights.ok("lastnight", "--night", "2")


def test_the_first_night_keeps_the_sizes_it_had(nights: Box) -> None:
    found = nights.json("lastnight", "--night", "1")["pairs"][0]
    assert found["counts"]["added"] == {"files": 6, "bytes": 18_000, "folders": 1}


def test_as_text(nights: Box) -> None:
    shown = nights.ok("lastnight", "--night", "2", "--all")
    assert f"{CONCERT}/02 kyrie.wav → {CONCERT}/02 gloria.wav" in shown
    assert "night 2, complete" in shown
    until = date.today() + timedelta(days=30)
    assert f"kept until {until} at the earliest" in shown
    assert f"{date.today() + timedelta(days=7)} on, should the secondary need room" in shown
    assert "30 completed nights after this one" in shown
    by_age = shown.split("last read")[1].splitlines()
    assert by_age[0].split() == ["primary", "secondary", "retired"]
    assert " ".join(by_age[1].split()) == "0 to 1 d ago 16.6 KiB 16.6 KiB 5.9 KiB"
    by_folder = nights.ok("lastnight", "--night", "2")
    assert "1 added, 1 changed, 1 moved, 1 removed, 1 metadata   2026-05 spring concert/" in by_folder


def test_by_date(nights: Box) -> None:
    with contextlib.closing(sqlite3.connect(nights.folder() / "manifest.sqlite3")) as manifest, manifest:
        then = datetime(2026, 5, 3, 2, 30).timestamp()
        manifest.execute("UPDATE run SET started_s = ?, ended_s = ? WHERE number = 2", (then, then + 60))
    assert nights.json("lastnight", "--night", "2026-05-03")["pairs"][0]["number"] == 2


@pytest.mark.parametrize("night", ["9", "2020-01-01"])
def test_an_unknown_night_says_which_there_are(nights: Box, night: str) -> None:
    done = nights.run("lastnight", "--night", night)
    assert done.returncode == 2
    assert f"3 ({date.today()})" in done.stderr and "1 (" in done.stderr


def test_neither_a_number_nor_a_date(nights: Box) -> None:
    done = nights.run("lastnight", "--night", "yester\x1bday")
    assert done.returncode == 2 and "neither" in done.stderr and "\x1b" not in done.stderr


def test_before_any_night(paired: Box) -> None:
    assert "no night has run yet" in paired.ok("lastnight")
    assert paired.json("lastnight")["pairs"][0]["number"] is None


def test_what_is_not_a_pair_yet_is_2(box: Box) -> None:
    done = box.run("lastnight")
    assert done.returncode == 2 and "nightferry pair recordings" in done.stderr


def test_what_was_not_copied(paired: Box) -> None:
    for number in range(25):
        os.mkfifo(paired.primary() / f"{number:02} pipe")
    paired.ok("run")
    shown = paired.ok("lastnight")
    assert "Not copied, unsupported: 25" in shown and "20 more" in shown
    assert paired.ok("lastnight", "--all").count("(unsupported: a FIFO has no content to copy)") == 25
    assert len(paired.json("lastnight")["pairs"][0]["not_copied_names"]) == 20
    assert len(paired.json("lastnight", "--all")["pairs"][0]["not_copied_names"]) == 25


def test_a_held_night_and_the_next(paired: Box) -> None:
    paired.fill(files=20)
    paired.ok("run")
    for path in (paired.primary() / CONCERT).iterdir():
        path.unlink()
    paired.ok("run", code=1)
    shown = paired.ok("lastnight")
    assert "night 2, held" in shown and "nightferry release recordings" in shown


def test_a_version_that_has_expired_is_no_longer_kept(paired: Box) -> None:
    paired.ok("run")
    (paired.primary() / CONCERT / "03 kyrie.wav").unlink()
    paired.ok("run")
    assert paired.json("lastnight", "--all")["pairs"][0]["changes"][0]["kept"] is True
    with contextlib.closing(sqlite3.connect(paired.folder() / "manifest.sqlite3")) as manifest, manifest:
        manifest.execute("UPDATE past SET held = NULL, expired = 3")
    assert paired.json("lastnight", "--all")["pairs"][0]["changes"][0]["kept"] is False
    assert "(no longer kept)" in paired.ok("lastnight", "--all")


def test_it_writes_nothing_and_needs_no_drive(nights: Box) -> None:
    nights.primary().rename(nights.root / "unplugged 1")
    nights.secondary().rename(nights.root / "unplugged 2")
    before = everything(nights.state)
    assert nights.run("lastnight", "--all").returncode == 0
    assert everything(nights.state) == before


def test_a_damaged_manifest_is_4_and_says_so(nights: Box) -> None:
    path = nights.folder() / "manifest.sqlite3"
    content = bytearray(path.read_bytes())
    content[4096:] = bytes(len(content) - 4096)
    path.write_bytes(content)
    done = nights.run("lastnight", "--all")
    assert done.returncode == 4 and "manifest" in done.stderr and "report it" not in done.stderr


def test_several_pairs_and_one_not_made(tmp_path: Path) -> None:
    box = Box(tmp_path, ("recordings", "scores"))
    box.fill("scores")
    box.ok("pair", "--yes", "scores")
    box.ok("run", "scores")
    found = box.json("lastnight", code=2)["pairs"]
    assert "not a pair yet" in found[0]["error"] and found[1]["counts"]["added"]["files"] == 6
