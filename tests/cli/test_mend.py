"""``nightferry mend``: shows, asks, and does what a person said."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import sys
from pathlib import Path

from box import CONCERT, Box, everything

sys.path.insert(0, str(Path(__file__).parent))

from test_json_keys import check

NAME = f"{CONCERT}/01 kyrie.wav"


def decay(box: Box, name: str = NAME) -> bytes:
    """As if it had decayed: other bytes, while the manifest's ctime says that nobody wrote. The good bytes."""
    path = box.primary() / name
    good, before = path.read_bytes(), os.stat(path)
    path.write_bytes(bytes(each ^ 0xFF for each in good[:3]) + good[3:])
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    with contextlib.closing(sqlite3.connect(box.folder() / "manifest.sqlite3")) as manifest, manifest:
        ctime_ns = os.stat(path).st_ctime_ns
        manifest.execute("UPDATE entry SET ctime_ns = ? WHERE inode = ?", (ctime_ns, before.st_ino))
        manifest.execute("UPDATE entry SET listing = NULL")
    return good


def test_nothing_damaged(paired: Box) -> None:
    paired.ok("run")
    assert "Nothing in recordings is damaged" in paired.ok("mend", "recordings")


def test_it_shows_and_changes_nothing_then_restores(paired: Box) -> None:
    paired.ok("run")
    good = decay(paired)
    paired.ok("verify", "--all", code=1)
    before = everything(paired.primary(), paired.secondary())
    shown = paired.ok("mend", "recordings", code=1)
    assert NAME in shown and "the right content" in shown and "differ in bytes 0-2" in shown and "--restore" in shown
    done = paired.run("mend", "recordings", "--restore")
    assert done.returncode == 2 and "add --yes" in done.stderr  # nobody there to be asked
    assert everything(paired.primary(), paired.secondary()) == before
    assert "no damage is open" in paired.ok("mend", "recordings", "--restore", "--yes")
    assert (paired.primary() / NAME).read_bytes() == good
    paired.ok("run")


def test_both_bad_is_one_name_shown_with_the_bytes_that_differ(paired: Box) -> None:
    paired.ok("run")
    decay(paired)
    copy = paired.copy() / NAME
    content = bytearray(copy.read_bytes())
    content[2000] ^= 1
    copy.write_bytes(bytes(content))
    decay(paired, f"{CONCERT}/02 kyrie.wav")
    assert "2 names are damaged" in paired.ok("verify", "--all", code=1)
    shown = paired.ok("mend", "recordings", NAME, code=1)
    assert "Primary and copy differ in bytes 0-2, 2,000 (counted from 0)." in shown
    assert "Neither drive has the right content any more" in shown and "--from secondary" in shown
    assert "recordings: 1 name is still damaged." in paired.ok(
        "mend", "recordings", f"{CONCERT}/02 kyrie.wav", "--restore", "--yes", code=1
    )
    told = paired.ok("mend", "recordings", NAME, "--salvage", "--yes", code=1)
    assert "can be read whole; there is nothing to read around" in told
    assert "no damage is open" in paired.ok("mend", "recordings", NAME, "--from", "secondary", "--yes")
    assert (paired.primary() / NAME).read_bytes() == bytes(content)
    paired.ok("run")


def test_wrong_use_is_2(paired: Box) -> None:
    paired.ok("run")
    for args in (("--restore", "--accept"), ("--from", "secondary"), ("nothing here",)):
        assert paired.run("mend", "recordings", *args, "--yes").returncode == 2, args
    assert paired.run("mend").returncode == 2


def test_the_keys_of_json(paired: Box) -> None:
    paired.ok("run")
    (paired.primary() / NAME).write_bytes(b"another take, which is kept")
    paired.ok("run")
    decay(paired)
    paired.ok("verify", "--all", code=1)
    shown = paired.json("mend", "recordings", code=1)
    assert [place["right"] for place in shown["damage"][0]["places"]] == [False, True, False]
    done = paired.json("mend", "recordings", "--restore", "--yes")
    assert done["damage"][0]["done"] and done["open_damage"] == 0
    check("mend", shown, done, never=("damage[].salvaged.",))
