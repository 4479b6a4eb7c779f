"""``nightferry status``: by what the last run wrote, and by its age."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from box import CONCERT, Box, everything


def rewrite(box: Box, **fields: Any) -> None:
    path = box.folder() / "status.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), **fields}))


def test_sound(paired: Box) -> None:
    paired.ok("run")
    found = paired.json("status")
    assert (found["state"], found["pairs"][0]["state"], found["pairs"][0]["reasons"]) == ("sound", "sound", [])
    shown = paired.ok("status")
    assert "recordings: sound" in shown and "protected as of" in shown and "next report by" in shown


def test_it_needs_no_drive_and_writes_nothing(paired: Box) -> None:
    paired.ok("run")
    paired.primary().rename(paired.root / "unplugged 1")
    paired.secondary().rename(paired.root / "unplugged 2")
    before = everything(paired.state)
    assert paired.run("status").returncode == 0
    assert everything(paired.state) == before


def test_what_was_read_back_is_shown_by_place(paired: Box) -> None:
    paired.ok("run")
    (paired.primary() / CONCERT / "01 kyrie.wav").write_bytes(b"another take")
    shown = paired.ok("run")
    assert "Read back and found intact within 30 d, as of its end:" in shown
    assert "100% of 17.6 KiB" not in shown and "100% of 14.7 KiB" in shown  # 5 of 3,000 bytes, and 12
    for command in ("status", "run", "lastnight"):
        found = paired.json(command)["pairs"][0]
        assert found["verify_cycle_s"] == 30 * 86_400
        covered = {place: (each["files"], each["files_total"]) for place, each in found["coverage"].items()}
        assert covered == {"primary": (6, 6), "secondary": (6, 6), "retired": (1, 1)}
        assert found["coverage"]["retired"]["bytes_total"] == 3000
        assert found["coverage"]["primary"]["ages"][0] == {"younger_than_s": 86_400, "files": 6, "bytes": 15_012}
    rows = paired.ok("status").splitlines()
    (first,) = [number for number, row in enumerate(rows) if row.split() == ["read", "back", "within", "30", "d"]]
    below = [row.split()[:3] for row in rows[first + 1 : first + 4]]
    assert below == [[place, "100%", "of"] for place in ("primary", "secondary", "retired")]
    ages = paired.ok("lastnight")
    assert "last read" in ages and "0 to 1 d ago" in ages and "never" not in ages


def test_status_opens_no_manifest(paired: Box) -> None:
    """What it says of coverage is what the night summed up: it is cheap with any number of files."""
    paired.ok("run")
    (paired.folder() / "manifest.sqlite3").write_bytes(b"not a manifest")
    assert "100% of" in paired.ok("status")


def test_what_is_overdue_wants_attention_and_is_told(paired: Box) -> None:
    """Reading a hundredth of a thousandth of the time left: nothing comes round."""
    paired.ok("run")
    with contextlib.closing(sqlite3.connect(paired.folder() / "manifest.sqlite3")) as manifest, manifest:
        manifest.execute("UPDATE run SET started_s = started_s - 40 * 86400, ended_s = ended_s - 40 * 86400")
        manifest.execute("UPDATE entry SET read_primary_s = read_primary_s - 40 * 86400 WHERE kind = 2")
    for path in (paired.primary() / CONCERT).iterdir():
        path.write_bytes(b"x" * 3000)  # changed, so that no reading counts for the copy's content
        break
    paired.config.write_text(paired.config.read_text().replace("[defaults]", '[defaults]\nverify_share = "0.0000001%"'))
    shown = paired.ok("run", code=1)
    assert "Not read back within verify_cycle (30 d 00 h): 5 files (14.6 KiB) on the primary" in shown
    found = paired.json("status", code=1)["pairs"][0]
    assert [reason["code"] for reason in found["reasons"]] == ["overdue"]
    assert found["coverage"]["primary"]["overdue_files"] == 5
    paired.config.write_text(paired.config.read_text().replace('verify_share = "0.0000001%"', ""))
    paired.ok("run")
    assert paired.status()["state"] == "sound"


def test_a_cycle_that_cannot_be_kept_is_said_ahead_by_run_and_status(paired: Box) -> None:
    """With the numbers; a share so small that no night could read what is there."""
    paired.config.write_text(paired.config.read_text().replace("[defaults]", '[defaults]\nverify_share = "0.0000001%"'))
    paired.ok("run")
    with contextlib.closing(sqlite3.connect(paired.folder() / "manifest.sqlite3")) as manifest, manifest:
        # the night before read at 1,000 bytes a second, as a drive does that is about to fail
        manifest.execute(
            "UPDATE run SET summary = json_set(summary, '$.reading', json(?))",
            (
                json.dumps(
                    {"offered_s": 1e-5, **{side: {"bytes": 1000, "s": 1.0} for side in ("primary", "secondary")}}
                ),
            ),
        )
    for command in ("run", "status", "lastnight"):
        shown = " ".join(paired.ok(command).split())
        assert "17.6 KiB cannot be read back within 30 d 00 h at" in shown, shown
        assert "Lengthen the window (finish_by), raise verify_share, or lengthen verify_cycle" in shown


@pytest.mark.parametrize("side", ["primary", "secondary"])
def test_a_missing_drive_is_3_as_the_run_was(paired: Box, side: str) -> None:
    paired.ok("run")
    drive = getattr(paired, side)()
    drive.rename(paired.root / "unplugged")
    assert paired.run("run").returncode == 3
    found = paired.json("status", code=3)
    assert (found["state"], found["pairs"][0]["state"], found["pairs"][0]["exit_code"]) == ("failed", "failed", 3)
    assert found["pairs"][0]["coverage"]["primary"]["files"] == 6  # what the last night knew still stands
    (paired.root / "unplugged").rename(drive)
    paired.ok("run")
    assert paired.run("status").returncode == 0


def test_a_missing_drive_of_long_ago_is_4_since_nobody_has_reported(paired: Box) -> None:
    paired.ok("run")
    paired.secondary().rename(paired.root / "unplugged")
    paired.run("run")
    rewrite(paired, valid_until="2026-05-04T07:30:00Z", written="2026-05-03T01:00:00Z")
    assert [each["code"] for each in paired.json("status", code=4)["pairs"][0]["reasons"]] == [
        "stale_status", "absent_secondary",
    ]  # fmt: skip


def test_open_damage_is_shown_until_it_is_mended(paired: Box) -> None:
    """In run, status and lastnight. The manifest is told of other content than both sides have: what real decay of both
    leaves (tests/night/test_fixity.py has it) on a file system that cannot be made to rot here."""
    kyrie = f"{CONCERT}/01 kyrie.wav"
    paired.ok("run")

    def say(digest: str) -> None:
        with contextlib.closing(sqlite3.connect(paired.folder() / "manifest.sqlite3")) as manifest, manifest:
            manifest.execute(
                f"UPDATE entry SET digest = {digest}, read_primary_s = NULL, read_secondary_s = NULL"
                " WHERE name = CAST('01 kyrie.wav' AS BLOB)"
            )

    with contextlib.closing(sqlite3.connect(paired.folder() / "manifest.sqlite3")) as manifest:
        (right,) = manifest.execute(
            "SELECT hex(digest) FROM entry WHERE name = CAST('01 kyrie.wav' AS BLOB)"
        ).fetchone()
    say("zeroblob(16)")
    shown = paired.ok("run", code=1)
    assert f"{kyrie}: decayed on the primary" in shown and f"{kyrie}: decayed on the secondary" in shown
    for command, code in (("status", 1), ("lastnight", 0)):
        assert "1 file is damaged on both drives" in " ".join(paired.ok(command, code=code).split())
        assert paired.json(command, code=code)["pairs"][0]["reasons"][0]["code"] == "damage"
    assert paired.json("lastnight")["pairs"][0]["open_damage"] == 2
    say(f"X'{right}'")  # as after a cable was seen to
    with contextlib.closing(sqlite3.connect(paired.folder() / "manifest.sqlite3")) as manifest, manifest:
        # A reading counts from the next second on, and where it has the content that the damage is about.
        manifest.execute(f"UPDATE damage SET found_s = found_s - 60, digest = X'{right}'")
    paired.run("run")
    assert "damage" not in [each["code"] for each in paired.status()["reasons"]]
    assert "damaged" not in paired.ok("lastnight")
    assert f"{kyrie}: decayed on the secondary" in paired.ok("lastnight")
    ended = paired.json("lastnight")["pairs"][0]["damage_ended"]
    assert [(each["side"], each["became"]) for each in ended] == [
        (side, "reads back right again") for side in ("primary", "secondary")
    ]
    assert "2 names were damaged when it ended; all are mended or accepted since" in " ".join(
        paired.ok("lastnight", "--night", "2").split()
    )


def test_rule_M_a_missing_status_is_a_failure(paired: Box) -> None:
    found = paired.json("status", code=4)
    assert found["pairs"][0]["reasons"][0]["code"] == "no_status"
    assert "nightferry run recordings" in paired.ok("status", code=4)


def test_rule_M_an_old_status_is_a_failure(paired: Box) -> None:
    paired.ok("run")
    rewrite(paired, valid_until="2026-05-04T07:30:00Z", written="2026-05-03T01:00:00Z")
    found = paired.json("status", code=4)
    assert (found["state"], found["pairs"][0]["reasons"][0]["code"]) == ("failed", "stale_status")


def test_rule_M_a_status_from_the_future_is_a_failure(paired: Box) -> None:
    paired.ok("run")
    rewrite(paired, valid_until="2999-05-04T07:30:00Z", written="2999-05-03T01:00:00Z")
    assert paired.json("status", code=4)["pairs"][0]["reasons"][0]["code"] == "clock"


@pytest.mark.parametrize(
    "content",
    [b"", b"{", b"[]", b'{"state": "sound"}', b"\xff\xfe", b"[" * 100_000, b'"' + b"x" * (2 << 20), b"null"],
    ids=["empty", "half", "list", "little", "binary", "deep", "large", "null"],
)
def test_a_status_that_cannot_be_read_is_a_failure(paired: Box, content: bytes) -> None:
    paired.ok("run")
    (paired.folder() / "status.json").write_bytes(content)
    assert paired.json("status", code=4)["pairs"][0]["reasons"][0]["code"] == "bad_status"


@pytest.mark.parametrize("fields", [{"state": "splendid"}, {"written": "yesterday"}, {"reasons": [1]}, {"format": 99}])
def test_a_status_with_a_wrong_value_is_a_failure(paired: Box, fields: dict[str, Any]) -> None:
    paired.ok("run")
    rewrite(paired, **fields)
    assert paired.json("status", code=4)["pairs"][0]["reasons"][0]["code"] == "bad_status"


def test_the_worst_pair_counts(tmp_path: Path) -> None:
    box = Box(tmp_path, ("recordings", "scores"))
    box.fill("recordings", files=20)
    box.ok("pair", "--yes", "recordings", "scores")
    box.ok("run")
    assert box.json("status")["state"] == "sound"
    for path in (box.primary() / CONCERT).iterdir():
        path.unlink()
    box.ok("run", code=1)
    found = box.json("status", code=1)
    assert (found["state"], [each["state"] for each in found["pairs"]]) == ("attention", ["attention", "sound"])
    assert box.json("status", "scores")["state"] == "sound"


def test_hostile_text_in_a_status_is_harmless(paired: Box) -> None:
    paired.ok("run")
    rewrite(paired, state="attention", reasons=[{"code": "held", "sentence": "\x1b[2J\x9b31m gone"}], notes=["\x07"])
    done = paired.run("status")
    assert done.returncode == 1
    assert not {"\x1b", "\x9b", "\x07"} & set(done.stdout) and r"\x1b[2J" in done.stdout
