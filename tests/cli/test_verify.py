"""``nightferry verify``, as a person and a monitor meet it."""

from __future__ import annotations

import contextlib
import os
import signal
import sqlite3
import sys
from pathlib import Path

from box import CONCERT, Box, everything, wait_for

sys.path.insert(0, str(Path(__file__).parent))

from test_json_keys import WORDS, check

NAME = f"{CONCERT}/01 kyrie.wav"


def copied(box: Box) -> dict[str, tuple[object, ...]]:
    """All of both drives but the morning report, which `verify` brings up to date, and where such files are written."""
    folders = (box.secondary() / "records" / "reports", box.secondary() / "staging")
    found = everything(box.primary(), box.secondary(), with_access=False)
    return {path: says for path, says in found.items() if not path.startswith(tuple(map(str, folders)))}


def test_all_intact(paired: Box) -> None:
    paired.ok("run")
    before = copied(paired)
    assert "read within the last 12 hours" in paired.ok("verify")
    shown = paired.ok("verify", "--all", "recordings")
    assert "12 intact." in shown and "primary" in shown and "100% of 17.6 KiB" in shown
    assert copied(paired) == before


def test_a_bad_copy_is_1_and_in_the_status_until_a_night_mended_it(paired: Box) -> None:
    paired.ok("run")
    (paired.copy() / NAME).write_bytes(b"rot")
    (paired.copy() / "stray \x1b[31m.txt").write_bytes(b"x")
    shown = paired.ok("verify", "--all", code=1)
    assert "1 decayed on the secondary" in shown and "1 unlisted on the secondary" in shown
    assert "nightferry mend recordings" in shown and "\x1b" not in shown
    status = paired.status()
    assert status["state"] == "attention"
    assert [reason["code"] for reason in status["reasons"]] == ["damage"]
    covered = status["coverage"]["secondary"]
    assert covered["files"] == covered["files_total"] - 1, "what was found is no longer told as read and right"
    told = " ".join(paired.ok("lastnight").split())
    assert f"Found after this night: {NAME}: decayed on the secondary" in told and "nightferry mend recordings" in told
    paired.ok("run", code=1)
    earlier = " ".join(paired.ok("lastnight", "--night", "1").split())
    assert "(since then, in night 2: mended from the primary; the bad bytes are in retired/)" in earlier
    told = " ".join(paired.ok("lastnight").split())
    assert "(in this night: mended from the primary; the bad bytes are in retired/)" in told
    assert "1 file on the secondary had gone bad, and the night mended it" in told
    assert "one alone says little of a drive" in " ".join(paired.status()["notes"])
    found = paired.json("mend", "recordings", code=1)
    assert [each["found"][0]["verdict"] for each in found["damage"]] == ["unlisted"]
    paired.ok("mend", "recordings", "--accept", "--yes")
    paired.ok("verify", "--all")
    paired.ok("run")
    assert paired.status()["state"] == "sound"


def test_what_is_read_is_what_the_options_say(paired: Box) -> None:
    paired.ok("run")
    (paired.primary() / NAME).write_bytes(b"another take")
    paired.ok("run")

    def read(*options: str) -> list[int]:
        found = paired.json("verify", "--all", "recordings", *options)["pairs"][0]["read"]
        return [found[side]["files"] if side in found else -1 for side in ("primary", "secondary")]

    assert read() == [6, 7]
    assert read("--no-retired") == [6, 6]
    assert read("--side", "secondary") == [-1, 7]
    assert read("--path", f"{CONCERT}/02 kyrie.wav") == [1, 1]
    found = paired.json("verify", "--all", "--for", "1h")["pairs"][0]
    assert (found["stopped"], found["looked_for_unlisted"]) == (None, False)  # the time given is for reading
    assert paired.json("verify", "--all")["pairs"][0]["looked_for_unlisted"]


def test_wrong_use_is_2(paired: Box) -> None:
    assert paired.run("verify").returncode == 2  # no night yet
    paired.ok("run")
    for args in (("--path", "nothing here"), ("--for", "soon"), ("--side", "left")):
        assert paired.run("verify", *args).returncode == 2, args


def test_an_absent_drive_is_3(paired: Box) -> None:
    paired.ok("run")
    paired.secondary().rename(paired.root / "away")
    assert paired.run("verify").returncode == 3


def _is_open(name: str) -> bool:
    """Whether any process has a file of this name open."""
    for link in Path("/proc").glob("[0-9]*/fd/*"):
        with contextlib.suppress(OSError):
            if os.readlink(link).endswith(f"/{name}"):
                return True
    return False


def test_sigterm_stops_it_cleanly(paired: Box) -> None:
    paired.ok("run")
    with (paired.primary() / "long.wav").open("wb") as file:
        file.truncate(1 << 40)  # a hole: hours of hashing
    paired.fill(files=8)
    with contextlib.closing(sqlite3.connect(paired.folder() / "manifest.sqlite3")) as manifest, manifest:
        # as if a night had copied it
        manifest.execute(
            "INSERT INTO entry SELECT NULL, 1, CAST('long.wav' AS BLOB), kind, 1 << 40, mtime_ns, ctime_ns, 7, mode,"
            " uid, gid, 1, algorithm, digest, target, xattrs, born, since, 0, 0, dirty, listing FROM entry"
            " WHERE kind = 2 LIMIT 1"
        )
    process = paired.start("verify", "--all", "--side", "primary")
    wait_for(lambda: _is_open("long.wav"), 90)
    process.send_signal(signal.SIGTERM)
    out, error = process.communicate(timeout=60)
    assert process.returncode == 1, (out, error)
    assert "stopped after" in out and "Left to read" in out


def test_the_keys_of_json(paired: Box) -> None:
    paired.ok("run")
    (paired.copy() / NAME).write_bytes(b"rot")
    bad = paired.json("verify", "--all", code=1)
    (paired.copy() / NAME).write_bytes((paired.primary() / NAME).read_bytes())
    WORDS.update(read="SIDE")  # keys that are words of the report
    check("verify", bad, paired.json("verify", "--all"))
