"""Questions to ``nightferry lastnight``: ranges, patterns, kinds, sizes, exports, what is new, the page."""

from __future__ import annotations

import base64
import contextlib
import csv
import io
import json
import os
import sqlite3
from datetime import datetime
from pathlib import Path

import pytest

from box import CONCERT, Box, everything
from nightferry.cli.main import main


@pytest.fixture
def nights(paired: Box, monkeypatch: pytest.MonkeyPatch) -> Box:
    """Three nights: the first copy, one change of each kind, and some large new files."""
    monkeypatch.setenv("XDG_STATE_HOME", str(paired.root / "of this user"))
    paired.ok("run")
    concert = paired.primary() / CONCERT
    (concert / "01 kyrie.wav").write_bytes(b"another take")
    (concert / "02 kyrie.wav").rename(concert / "02 gloria.wav")
    (concert / "03 kyrie.wav").unlink()
    (concert / "04 kyrie.wav").chmod(0o600)
    os.mkfifo(concert / "a pipe")
    paired.ok("run")
    (paired.primary() / "2026-06 tour" / "day 1").mkdir(parents=True)
    (paired.primary() / "2026-06 tour" / "day 1" / "01.flac").write_bytes(b"f" * 50_000)
    (paired.primary() / "2026-06 tour" / "notes.txt").write_bytes(b"n" * 10)
    paired.ok("run")
    return paired


def asked(box: Box, *args: str) -> list[tuple[int, str, str]]:
    found = box.json("lastnight", "--all", *args)["pairs"][0]["changes"]
    return [(each["night"], each["kind"], each["path"]) for each in found]


def test_a_range_of_nights_by_number_and_by_date(nights: Box) -> None:
    both = asked(nights, "--night", "2..3")
    assert [night for night, _, _ in both] == [2] * 4 + [3] * 4
    assert asked(nights, "--night", "2..") == both
    then = datetime(2026, 5, 3, 2, 30).timestamp()
    with contextlib.closing(sqlite3.connect(nights.folder() / "manifest.sqlite3")) as manifest, manifest:
        manifest.execute("UPDATE run SET started_s = ?, ended_s = ? WHERE number = 2", (then, then + 60))
    assert {night for night, _, _ in asked(nights, "--night", "2026-05-01..2026-05-07")} == {2}


def test_by_path_kind_and_size(nights: Box) -> None:
    assert asked(nights, "--night", "1..", "--path", "*.flac") == [(3, "added", "2026-06 tour/day 1/01.flac")]
    assert asked(nights, "--night", "2..", "--kind", "removed,moved") == [
        (2, "moved", f"{CONCERT}/02 gloria.wav"), (2, "removed", f"{CONCERT}/03 kyrie.wav"),
    ]  # fmt: skip
    assert asked(nights, "--night", "1..", "--path", f"{CONCERT}/02 kyrie.wav") == [
        (1, "added", f"{CONCERT}/02 kyrie.wav"), (2, "moved", f"{CONCERT}/02 gloria.wav"),
    ]  # fmt: skip
    assert asked(nights, "--larger", "40kB") == [(3, "added", "2026-06 tour/day 1/01.flac")]
    assert asked(nights, "--smaller", "10B") == [(3, "added", "2026-06 tour/notes.txt")]
    assert asked(nights, "--night", "2", "--kind", "unsupported") == [(2, "unsupported", f"{CONCERT}/a pipe")]


def test_totals_by_folder_are_of_what_was_asked(nights: Box) -> None:
    found = nights.json("lastnight", "--night", "1..", "--kind", "added", "--depth", "1")["pairs"][0]
    assert {each["path"]: each["files"] for each in found["folders"]} == {CONCERT: 6, "2026-06 tour": 2}
    assert found["counts"]["added"]["files"] == 8 and found["counts"]["removed"]["files"] == 0
    assert [night["number"] for night in found["nights"]] == [1, 2, 3]
    assert found["changes"] == []


def test_as_text(nights: Box) -> None:
    shown = nights.ok("lastnight", "--night", "2..3")
    assert "nights 2 to 3" in shown and "night 2     removed" in shown
    assert "Nothing that fits changed" in nights.ok("lastnight", "--path", "nothing of that name")


def test_csv_and_json_lines_say_the_same_as_the_document(nights: Box) -> None:
    wanted = asked(nights, "--night", "1..")
    rows = list(csv.DictReader(io.StringIO(nights.ok("lastnight", "--night", "1..", "--csv"), newline="")))
    assert [(int(row["night"]), row["kind"], row["path"].removeprefix("./")) for row in rows] == wanted
    lines = [json.loads(line) for line in nights.ok("lastnight", "--night", "1..", "--jsonl").splitlines()]
    assert [(each["night"], each["kind"], each["path"]) for each in lines] == wanted


def test_several_nights_are_told_with_how_they_ended(nights: Box) -> None:
    shown = nights.ok("lastnight", "--night", "1..")
    assert "3 complete." in shown and "Why it was not complete" not in shown
    for path in list(nights.primary().rglob("*")):
        if path.is_file() and not path.name.startswith("."):
            path.unlink()  # which came up empty: held
    nights.ok("run", code=1)
    shown = nights.ok("lastnight", "recordings", "--unseen")
    assert "Held." in shown and "`nightferry lastnight recordings --night 4`" in shown
    assert "3 complete, 1 held (night 4)." in nights.ok("lastnight", "--night", "1..")


def test_a_path_may_begin_with_where_the_drive_is_mounted(nights: Box) -> None:
    wanted = asked(nights, "--night", "1..", "--path", CONCERT)
    assert wanted
    for top in (nights.primary(), nights.copy()):
        assert asked(nights, "--night", "1..", "--path", str(top / CONCERT)) == wanted
    assert asked(nights, "--night", "1..", "--path", f"./{CONCERT}") == wanted


# What a spreadsheet takes for a formula, what breaks a line or a field, what acts on a terminal, what is no UTF-8, and
# what turns the direction of writing.
HOSTILE = [
    b"=cmd|'calc'!A0.wav", b"+1+1.wav", b"-2+3.wav", b"@SUM(A1).wav", b"\t=1+1.wav", b"\r=1+1.wav",
    b'new\nline, and "quotes".wav', b"h\xff\xfendel.wav", b"\x1b[2J\x1b]0;title\x07.wav", "\u202egnp.wav".encode(),
    b"<script>alert(1)<!--.wav", b"semi;colon.wav", "\ufeffmark.wav".encode(), "\u2028line.wav".encode(), b"x" * 255,
]  # fmt: skip


def test_rule_H_exports_of_hostile_names_are_whole_and_harmless(box: Box) -> None:
    box.ok("pair", "--yes", "recordings")
    top = os.fsencode(box.primary())
    for name in HOSTILE:
        with open(top + b"/" + name, "wb") as file:
            file.write(name)
        os.mkfifo(top + b"/=pipe " + name[:200])
    box.ok("run")
    table = box.ok("lastnight", "--kind", "added,unsupported", "--csv")
    rows = list(csv.DictReader(io.StringIO(table, newline=""), strict=True))
    assert len(table.splitlines()) == len(rows) + 1 == 2 * len(HOSTILE) + 1, "a name broke a line"
    assert all(each.isprintable() for each in table.splitlines())
    # OWASP, CSV Injection: cells that begin with these are computed.
    assert not [cell for row in rows for cell in row.values() if cell.startswith(("=", "+", "-", "@", "\t", "\r"))]
    added = [row for row in rows if row["kind"] == "added"]
    assert {base64.b64decode(row["path_base64"]) for row in added} == set(HOSTILE)
    lines = box.ok("lastnight", "--kind", "added", "--jsonl")
    assert lines.isascii() and lines.count("\n") == len(HOSTILE) and lines.replace("\n", "").isprintable()
    found = [json.loads(line) for line in lines.splitlines()]
    assert {
        base64.b64decode(each["path_bytes"]) if "path_bytes" in each else each["path"].encode() for each in found
    } == set(HOSTILE)


def test_what_changed_since_i_last_looked(nights: Box) -> None:
    assert {night for night, _, _ in asked(nights, "--unseen")} == {3}  # the first time, the last night
    assert "no night has ended since you last looked" in nights.ok("lastnight", "--unseen")
    for name in ("a", "b"):
        (nights.primary() / name).write_text(name)
        nights.ok("run")
    nights.ok("lastnight", "--night", "4..")  # looking in another way notes nothing
    assert asked(nights, "--unseen") == [(4, "added", "a"), (5, "added", "b")]
    assert asked(nights, "--unseen") == []


def test_somebody_else_has_seen_something_else(nights: Box, monkeypatch: pytest.MonkeyPatch) -> None:
    nights.ok("lastnight", "--unseen")
    monkeypatch.setenv("XDG_STATE_HOME", str(nights.root / "of another"))
    assert {night for night, _, _ in asked(nights, "--unseen")} == {3}


@pytest.mark.parametrize(
    ("args", "part"),
    [
        (("--night", "7..9"), "no night"),
        (("--night", "x..y"), "10..14"),
        (("--kind", "deleted"), "metadata"),
        (("--larger", "5"), "size"),
        (("--depth", "0"), "--depth"),
        (("--csv", "--jsonl"), "one of"),
        (("--unseen", "--night", "2"), "not both"),
        (("--html", "x.html", "--night", "1..2"), "one night"),
    ],
)
def test_a_wrong_question_is_2_and_says_what_is_allowed(
    paired: Box, args: tuple[str, ...], part: str, capsys: pytest.CaptureFixture[str]
) -> None:
    paired.ok("run")
    assert main(["--config", str(paired.config), "lastnight", *args]) == 2
    assert part in capsys.readouterr().err


def test_it_writes_nothing_but_what_somebody_has_seen(nights: Box) -> None:
    before = everything(nights.state, nights.primary(), nights.secondary())
    nights.ok("lastnight", "--unseen", "--all")
    nights.ok("lastnight", "--night", "1..", "--csv")
    assert everything(nights.state, nights.primary(), nights.secondary()) == before


def test_the_page_by_hand(nights: Box) -> None:
    page = nights.root / "page.html"
    nights.ok("lastnight", "recordings", "--night", "2", "--html", str(page))
    text = page.read_text()
    assert "night 2" in text and "the page of an older night" in text
    nights.ok("lastnight", "--html", str(page))
    assert "2026-06 tour" in page.read_text()
    assert not (nights.root / "page.html.new").exists()


def test_rule_A_no_page_is_written_to_a_drive(nights: Box) -> None:
    for drive in (nights.primary(), nights.secondary() / "copy"):
        (nights.root / "way").symlink_to(drive)
        for path in (drive / "page.html", nights.root / "way" / "page.html"):
            done = nights.run("lastnight", "--html", str(path))
            assert done.returncode == 2 and "elsewhere" in done.stderr
            assert not (drive / "page.html").exists()
        (nights.root / "way").unlink()


def test_a_folder_is_no_file_for_a_page(nights: Box, tmp_path: Path) -> None:
    (nights.root / "folder").mkdir()
    done = nights.run("lastnight", "--html", str(nights.root / "folder"))
    assert done.returncode == 2 and "no file" in done.stderr
    done = nights.run("lastnight", "--html", str(nights.root / "none" / "page.html"))
    assert done.returncode == 4 and "could not be written" in done.stderr
