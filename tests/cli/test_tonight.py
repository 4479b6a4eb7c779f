"""``nightferry tonight``: says what a run would do, and leaves no trace."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from box import CONCERT, Box, everything, wait_for
from drives import MIB


@pytest.fixture
def changed(paired: Box) -> Box:
    """A pair with a night behind it and one change of each kind."""
    paired.ok("run")
    concert = paired.primary() / CONCERT
    (concert / "07 agnus dei.wav").write_bytes(b"n" * 5000)
    (concert / "01 kyrie.wav").write_bytes(b"another take")
    (concert / "02 kyrie.wav").rename(concert / "02 gloria.wav")
    (concert / "03 kyrie.wav").unlink()
    (concert / "04 kyrie.wav").chmod(0o600)
    os.mkfifo(paired.primary() / "a pipe")
    return paired


def test_it_says_what_the_run_then_does(changed: Box) -> None:
    expected = changed.json("tonight", "--all")["pairs"][0]
    counts = {kind: each["files"] for kind, each in expected["counts"].items()}
    assert counts == {"added": 1, "changed": 1, "moved": 1, "removed": 1, "metadata": 0, "undecided": 1}
    assert expected["counts"]["added"]["bytes"] == 5000
    assert expected["not_copied"] == {"unsupported": 1}
    assert expected["fits"] and not expected["would_be_held"]
    done = changed.json("run")["pairs"][0]
    for kind in ("added", "changed", "moved", "removed"):
        assert done["counts"][kind] == expected["counts"][kind], kind
    assert done["counts"]["metadata"]["files"] == expected["counts"]["undecided"]["files"]
    after = changed.json("lastnight", "--all")["pairs"][0]
    names = {(each["kind"], each["path"]) for each in expected["changes"] if each["kind"] != "undecided"}
    assert names == {(each["kind"], each["path"]) for each in after["changes"] if each["kind"] != "metadata"}


@pytest.mark.parametrize("arguments", [[], ["--all"], ["--json"], ["--json", "--all"]])
def test_it_leaves_every_file_as_it_was(changed: Box, arguments: list[str]) -> None:
    before = everything(changed.root)
    accessed = everything(changed.primary(), with_access=True)
    assert changed.run("tonight", *arguments).returncode == 0
    assert everything(changed.root) == before
    if os.geteuid() == 0:  # the kernel's read-only view needs root
        assert everything(changed.primary(), with_access=True) == accessed


def test_it_leaves_everything_as_it_was_before_the_first_night(paired: Box) -> None:
    before = everything(paired.root)
    done = paired.run("tonight")
    assert done.returncode == 0
    assert "first copy" in done.stdout and "not known yet: no night has run" in done.stdout
    assert everything(paired.root) == before


def test_it_leaves_everything_as_it_was_after_a_crash(paired: Box) -> None:
    with (paired.primary() / "whole concert.wav").open("wb") as file:
        for _ in range(300):
            file.write(os.urandom(MIB))
    process = paired.start("run")

    def copies() -> bool:
        path = paired.folder() / "status.json"
        return path.exists() and (paired.status()["run"] or {}).get("phase") == "copy"

    wait_for(copies)
    process.kill()
    process.communicate(timeout=30)
    log = paired.folder() / "manifest.sqlite3-wal"
    assert log.stat().st_size > 0, "the crash left nothing in the log, so this would test nothing"
    before = everything(paired.root)
    done = paired.run("tonight")
    assert done.returncode == 0, done.stderr
    assert "cut off" in done.stdout and "to be added" in done.stdout
    assert "without an end" in paired.ok("lastnight")
    assert everything(paired.root) == before


def test_a_pair_that_was_never_made_is_3_and_nothing_is_written(box: Box) -> None:
    before = everything(box.root)
    done = box.run("tonight")
    assert done.returncode == 3 and "nightferry pair recordings" in done.stderr
    assert everything(box.root) == before


def test_it_says_that_a_night_would_be_held(paired: Box) -> None:
    paired.fill(files=20)
    paired.ok("run")
    for path in (paired.primary() / CONCERT).iterdir():
        path.unlink()
    found = paired.json("tonight", code=1)["pairs"][0]
    assert found["would_be_held"] and "hold_share" in found["hold_reasons"][1]
    assert "It would be held" in paired.ok("tonight", code=1)
    paired.ok("run", code=1)
    paired.ok("release", "recordings")
    found = paired.json("tonight")["pairs"][0]
    assert found["released"] and not found["would_be_held"]


def test_files_to_be_looked_at_again_do_not_count_as_replaced(paired: Box) -> None:
    paired.fill(files=20)
    paired.ok("run")
    for path in (paired.primary() / CONCERT).iterdir():
        path.chmod(0o600)
    found = paired.json("tonight")["pairs"][0]
    assert (found["counts"]["undecided"]["files"], found["would_be_held"], found["may_be_held"]) == (20, False, True)
    assert paired.json("run")["pairs"][0]["outcome"] == "complete"


def test_it_says_that_it_would_not_fit(tmp_path: Path) -> None:
    box = Box(tmp_path, settings='keep_free = "7EiB"')
    box.fill()
    box.ok("pair", "--yes", "recordings")
    found = box.json("tonight", code=1)["pairs"][0]
    assert not found["fits"] and found["missing_bytes"] >= 6 * 3000
    assert "It would not fit" in box.ok("tonight", code=1)


def test_how_long_it_takes_comes_from_earlier_nights(paired: Box) -> None:
    assert paired.json("tonight")["pairs"][0]["takes_s"] is None
    first = paired.json("run")["pairs"][0]
    assert paired.json("tonight")["pairs"][0]["takes_s"] < 60
    # Ten times the files of the first night take ten times as long to copy.
    for number in range(60):
        (paired.primary() / f"{number:02} take.wav").write_bytes(os.urandom(3000))
    takes_s = paired.json("tonight")["pairs"][0]["takes_s"]
    assert takes_s >= round(10 * first["phase_s"]["copy"], 1) - 0.1


def test_where_the_changes_are(paired: Box) -> None:
    for folder, size in (("2025-12 advent/rehearsal/first", 10), ("2026-05 spring concert/scans", 90_000)):
        (paired.primary() / folder).mkdir(parents=True)
        (paired.primary() / folder / "a.png").write_bytes(b"x" * size)
    found = paired.json("tonight")["pairs"][0]
    assert [(each["path"], each["bytes"]) for each in found["folders"]] == [
        ("2026-05 spring concert/scans", 90_000), ("2026-05 spring concert", 18_000), ("2025-12 advent/rehearsal", 10),
    ]  # fmt: skip


def test_several_pairs_and_one_that_cannot_be_looked_at(tmp_path: Path) -> None:
    box = Box(tmp_path, ("recordings", "scores"))
    box.fill("scores")
    box.ok("pair", "--yes", "recordings", "scores")
    box.secondary("recordings").rename(tmp_path / "unplugged")
    found = box.json("tonight", code=3)["pairs"]
    assert "is not there" in found[0]["error"] and found[1]["counts"]["added"]["files"] == 6
    assert "scores: what tonight would do" in box.ok("tonight", code=3)
