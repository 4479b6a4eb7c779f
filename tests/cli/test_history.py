"""``nightferry history``: names over all nights, and folders as of one."""

from __future__ import annotations

import base64
import contextlib
import os
import shutil
import sqlite3
import sys
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from box import CONCERT, Box, everything

sys.path.insert(0, str(Path(__file__).parent))

from test_hostile_names import ACTING
from test_json_keys import check

from nightferry.cli.main import main

RENAMED = "2026-05 concert"


def make(box: Box) -> Box:
    """1: the first copy. 2: a change, a move, a removal, a new mode. 3: the folder is renamed. 4: a change again."""
    concert = box.fill()
    box.ok("pair", "--yes", "recordings")
    box.ok("run")
    (concert / "01 kyrie.wav").write_bytes(b"another take")
    (concert / "02 kyrie.wav").rename(concert / "02 gloria.wav")
    (concert / "03 kyrie.wav").unlink()
    (concert / "04 kyrie.wav").chmod(0o600)
    box.ok("run")
    concert.rename(box.primary() / RENAMED)
    box.ok("run")
    (box.primary() / RENAMED / "01 kyrie.wav").write_bytes(b"a third one")
    box.ok("run")
    return box


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> Box:
    """For tests that only ask."""
    return make(Box(tmp_path_factory.mktemp("nights")))


@pytest.fixture
def own_nights(box: Box) -> Box:
    """For tests that change something on the box."""
    return make(box)


def told(box: Box, *args: str, code: int = 0) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = box.json("history", *args, code=code)["pairs"][0]["names"]
    return found


def happened(name: dict[str, Any]) -> list[tuple[int, list[str]]]:
    return [(event["night"], event["kinds"]) for event in name["events"]]


def listing(box: Box, *args: str, code: int = 0) -> dict[str, dict[str, Any]]:
    return {each["path"]: each for each in box.json("history", *args, code=code)["pairs"][0]["listing"]}


def content(box: Box, place: dict[str, Any]) -> bytes:
    return (box.secondary() / place["place"] / place["path"]).read_bytes()


@pytest.mark.parametrize("path", [f"{CONCERT}/01 kyrie.wav", f"{RENAMED}/01 kyrie.wav", f"./{RENAMED}//01 kyrie.wav"])
def test_a_file_is_followed_under_each_of_its_names(nights: Box, path: str) -> None:
    (name,) = told(nights, "recordings", path)
    assert (name["path"], name["there"]) == (f"{RENAMED}/01 kyrie.wav", True)
    assert happened(name) == [(1, ["added"]), (2, ["changed"]), (3, ["moved"]), (4, ["changed"])]
    assert name["events"][2]["with_folder"] is True
    first, second, third = name["versions"]
    assert content(nights, second["places"][0]) == b"another take"
    assert content(nights, third["places"][0]) == b"a third one"
    assert [len(content(nights, place)) for place in first["places"]] == [3000]
    assert [(each["since_night"], each["until_night"]) for each in name["versions"]] == [(1, 2), (2, 4), (4, None)]


def test_N_a_state_from_an_old_image_is_not_believed_over_the_secondary(
    own_nights: Box, capsys: pytest.CaptureFixture[str]
) -> None:
    """It calls kept what was expired since. Without the secondary it is all that there is."""
    box, image = own_nights, own_nights.root / "image"
    shutil.copytree(box.folder(), image)
    path = box.primary() / RENAMED / "01 kyrie.wav"
    path.write_bytes(b"a fourth one")
    box.ok("run")
    shutil.rmtree(box.folder())
    shutil.copytree(image, box.folder())
    (name,) = told(box, "recordings", str(path))
    assert happened(name)[-1] == (5, ["changed"])
    assert name["versions"][0]["kept_until"] is not None
    assert main(["--config", str(box.config), "history", "recordings"]) == 0
    assert "older than the secondary" in capsys.readouterr().err
    box.secondary().rename(box.root / "elsewhere")
    (name,) = told(box, "recordings", str(path))
    assert happened(name)[-1] == (4, ["changed"])


def test_a_path_from_where_the_drive_is_mounted(nights: Box) -> None:
    (name,) = told(nights, "recordings", str(nights.primary() / RENAMED / "01 kyrie.wav"))
    assert name["path"] == f"{RENAMED}/01 kyrie.wav"


def test_what_was_removed_is_found(nights: Box) -> None:
    (name,) = told(nights, "recordings", f"{CONCERT}/03 kyrie.wav")
    assert (name["there"], happened(name)) == (False, [(1, ["added"]), (2, ["removed"])])
    assert len(content(nights, name["versions"][0]["places"][0])) == 3000
    shown = nights.ok("history", "recordings", f"{CONCERT}/03 kyrie.wav")
    assert f"{CONCERT}/03 kyrie.wav (removed)" in shown
    assert f"kept until {date.today() + timedelta(days=32)} or later" not in shown
    until = date.fromisoformat(name["versions"][0]["kept_until"][:10])
    assert timedelta(days=27) <= until - date.today() <= timedelta(days=31)
    assert "for 30 completed nights after night 2" in shown


def test_a_pattern_over_all_nights(nights: Box) -> None:
    found = told(nights, "recordings", "**/0[12]*.wav")
    assert [name["path"] for name in found] == [f"{RENAMED}/01 kyrie.wav", f"{RENAMED}/02 gloria.wav"]
    assert happened(found[1]) == [(1, ["added"]), (2, ["moved"]), (3, ["moved"])]
    assert [event["from"] and event["from"]["path"] for event in found[1]["events"]] == [
        None, f"{CONCERT}/02 kyrie.wav", f"{CONCERT}/02 gloria.wav",
    ]  # fmt: skip
    assert len(told(nights, "recordings", f"{CONCERT}/*.wav")) == 6
    assert told(nights, "recordings", "*KYRIE*", code=2) == []


def test_a_folder_night_by_night(nights: Box) -> None:
    (name,) = told(nights, "recordings", RENAMED)
    assert happened(name) == [(1, ["added"]), (3, ["moved"])]
    below = {each.pop("night"): {kind: n for kind, n in each.items() if n} for each in name["below"]}
    assert below == {1: {"added": 6}, 2: {"changed": 1, "moved": 1, "removed": 1, "metadata": 1}, 4: {"changed": 1}}
    shown = nights.ok("history", "recordings", RENAMED)
    assert "1 changed, 1 moved, 1 removed, 1 metadata" in shown
    assert f"`nightferry history recordings '{RENAMED}' --as-of 4`" in shown
    assert len(told(nights, "recordings", RENAMED, "--recursive")) == 7


def test_a_folder_as_of_a_night(nights: Box) -> None:
    found = listing(nights, "recordings", CONCERT, "--as-of", "1")
    assert set(found) == {f"{CONCERT}/{n:02} kyrie.wav" for n in range(1, 7)}
    assert all(len(content(nights, each["places"][0])) == each["bytes"] == 3000 for each in found.values())
    found = listing(nights, "recordings", CONCERT, "--as-of", "#2")
    assert set(found) == {f"{CONCERT}/{n}.wav" for n in ("01 kyrie", "02 gloria", "04 kyrie", "05 kyrie", "06 kyrie")}
    assert (found[f"{CONCERT}/04 kyrie.wav"]["mode"], found[f"{CONCERT}/01 kyrie.wav"]["bytes"]) == ("0600", 12)
    top = listing(nights, "recordings", "--as-of", str(date.today()))
    assert set(top) == {RENAMED} and top[RENAMED]["files"] == 5
    assert top[RENAMED]["bytes"] == 4 * 3000 + len(b"a third one")
    everything_then = listing(nights, "recordings", "--as-of", "1", "--recursive")
    assert len(everything_then) == 7 and everything_then[CONCERT]["bytes"] is None
    assert set(listing(nights, "recordings", "*02 *", "--as-of", "2")) == {f"{CONCERT}/02 gloria.wav"}


def test_a_listing_as_text(nights: Box) -> None:
    shown = nights.ok("history", "recordings", CONCERT, "--as-of", "2")
    first, *lines, total = shown.splitlines()
    assert first.startswith(f"recordings: {CONCERT}/, as of night 2 (")
    assert [line.split("  ")[-1] for line in lines] == [
        f"{n}.wav" for n in ("01 kyrie", "02 gloria", "04 kyrie", "05 kyrie", "06 kyrie")
    ]
    assert total == f"5 files, {4 * 3000 / 1024 + 12 / 1024:.1f} KiB"
    one = nights.ok("history", "recordings", f"{CONCERT}/01 kyrie.wav", "--as-of", "2")
    assert "nights 2 to 3: 12 B" in one and "retired/000004-" in one


def test_what_had_another_name_then_says_which(nights: Box) -> None:
    done = nights.run("history", "recordings", RENAMED, CONCERT, "--as-of", "2")
    assert done.returncode == 2
    assert f'Night 2 of the pair "recordings" had no "{RENAMED}": at that time it was "{CONCERT}".' in done.stderr
    assert "02 gloria.wav" in done.stdout, "the other path is told"


def test_the_nights_and_what_is_kept(own_nights: Box) -> None:
    nights = own_nights
    found = nights.json("history", "recordings")["pairs"][0]
    assert [(each["number"], each["outcome"], each["lost_files"]) for each in found["nights"]] == [
        (number, "complete", 0) for number in range(1, 5)
    ]
    assert found["kept_since_night"] == 1
    with contextlib.closing(sqlite3.connect(nights.folder() / "manifest.sqlite3")) as manifest, manifest:
        manifest.execute("UPDATE past SET held = NULL, expired = 4 WHERE until = 2 AND reason = 'changed'")
    found = nights.json("history", "recordings")["pairs"][0]
    assert ([each["lost_files"] for each in found["nights"]], found["kept_since_night"]) == ([1, 0, 0, 0], 2)
    shown = nights.ok("history", "recordings")
    assert "All is kept from night 2 on." in shown and "1 file no longer kept" in shown
    shown = nights.ok("history", "recordings", CONCERT, "--as-of", "1")
    assert "01 kyrie.wav  (no longer kept)" in shown
    assert "1 file is no longer kept as of that night; all is kept from night 2 on." in shown
    assert f"no longer kept: let go on night 4 ({date.today()})" in nights.ok("history", "recordings", "**/01*")


def test_by_date(own_nights: Box) -> None:
    nights = own_nights
    with contextlib.closing(sqlite3.connect(nights.folder() / "manifest.sqlite3")) as manifest, manifest:
        for number in (1, 2):
            then = datetime(2026, 5, number, 2, 30).timestamp()
            manifest.execute("UPDATE run SET started_s = ?, ended_s = ? WHERE number = ?", (then, then + 60, number))
    for text, number in (("2026-05-01", 1), ("2026-05-02", 2), ("2026-05-02 02:30", 1), ("2026-05-02 02:31", 2)):
        assert nights.json("history", "recordings", "--as-of", text)["pairs"][0]["as_of"]["number"] == number


@pytest.mark.parametrize(
    "args",
    [
        ("recordings", CONCERT, "--as-of", "1"),
        ("recordings", "--as-of", "1", CONCERT),
        ("--as-of", "1", "recordings", CONCERT),
    ],
)
def test_options_stand_where_a_person_puts_them(nights: Box, args: tuple[str, ...]) -> None:
    assert len(listing(nights, *args)) == 6


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("recordings", "nothing.wav"), 'No night of the pair "recordings" had "nothing.wav"'),
        (("recordings", "--as-of", "9"), "There is no night 9"),
        (("recordings", "--as-of", "2020-01-01"), "had been completed"),
        (("recordings", "--as-of", "2099-01-01"), "in the future"),
        (("recordings", "--as-of", "tomorrow"), "does not say a night"),
        (("recordings", "../x"), '".." in it'),
        (("recordings", "/etc/passwd"), "lies on neither drive"),
        (("strings", "x"), "strings"),
        ((), "Say which pair"),
        (("recordings", "--pair-name", "recordings"), "--pair-name goes with --secondary"),
        (("recordings", "--as-of", "1", "--wrong", "x"), "unrecognized arguments: --wrong x"),
        (("recordings", "--as-of", "1", "--", "-x.wav"), 'had no "-x.wav"'),
    ],
)
def test_errors_say_what_to_do(
    nights: Box, args: tuple[str, ...], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    for more in ((), ("--json",)):
        assert main(["--config", str(nights.config), "history", *more, *args]) == 2
        assert says in capsys.readouterr().err


def test_a_pair_without_a_night(box: Box) -> None:
    done = box.run("history", "recordings")
    assert (done.returncode, "not a pair yet" in done.stderr) == (2, True)
    box.ok("pair", "--yes", "recordings")
    assert "no night has run yet" in box.ok("history", "recordings")
    done = box.run("history", "recordings", "--as-of", "1")
    assert (done.returncode, "has run yet" in done.stderr) == (2, True)


def test_it_leaves_no_trace_and_needs_no_drive(own_nights: Box) -> None:
    nights = own_nights
    before = everything(nights.state)
    shutil.rmtree(nights.primary())
    shutil.rmtree(nights.secondary())
    nights.ok("history", "recordings", f"{CONCERT}/01 kyrie.wav")
    nights.ok("history", "recordings", CONCERT, "--as-of", "1")
    assert everything(nights.state) == before


def test_rule_K_from_the_secondary_alone(own_nights: Box) -> None:
    nights = own_nights
    here = nights.ok("history", "recordings", f"{CONCERT}/01 kyrie.wav")
    listed_here = nights.ok("history", "recordings", CONCERT, "--as-of", "2")
    shutil.rmtree(nights.state)
    shutil.rmtree(nights.primary())
    nights.config.unlink()
    before = everything(nights.secondary())
    alone = nights.ok("history", "--secondary", str(nights.secondary()), f"{CONCERT}/01 kyrie.wav")
    assert alone.splitlines() == [line for line in here.splitlines() if "kept until" not in line]
    assert nights.ok("history", "--secondary", str(nights.secondary()), CONCERT, "--as-of", "2") == listed_here
    assert everything(nights.secondary()) == before
    done = nights.run("history", "--secondary", str(nights.secondary()), "--pair-name", "strings")
    assert (done.returncode, 'not of "strings"' in done.stderr) == (2, True)


def test_rule_I_a_bad_manifest_on_the_drive(own_nights: Box) -> None:
    nights = own_nights
    for name in ("manifest.sqlite3", "manifest.previous.sqlite3"):
        (nights.secondary() / "records" / name).write_bytes(b"SQLite format 3\0" + os.urandom(8000))
    done = nights.run("history", "--secondary", str(nights.secondary()))
    assert done.returncode == 4
    assert "has no sound manifest" in done.stderr and "Traceback" not in done.stderr


def test_rule_H_names_act_on_no_terminal(box: Box, tmp_path: Path) -> None:
    box.ok("pair", "--yes", "recordings")
    name = b"folder \x1b]0;title\x07\n/h\xffndel \x1b[31m\xe2\x80\xae[bold].wav"
    path = os.fsencode(box.primary()) + b"/" + name
    os.mkdir(os.path.dirname(path))
    for content_now in (b"one", b"two!"):
        with open(path, "wb") as file:
            file.write(content_now)
        box.ok("run")
    os.rename(path, path + b"\x9b")
    box.ok("run")
    given = os.fsdecode(name)
    for args in (
        ("recordings", given), ("recordings", "**"), ("recordings", "folder*", "--recursive"),
        ("recordings", "--as-of", "1", "--recursive"), ("recordings", given, "--as-of", "1"),
    ):  # fmt: skip
        for more in ((), ("--json",)):
            output = box.ok("history", *more, *args).encode("utf-8", "surrogateescape")
            for acting in ACTING:
                assert acting not in output, (args, acting)
    (found,) = told(box, "recordings", given)
    assert base64.b64decode(found["path_bytes"]) == name + b"\x9b"
    assert base64.b64decode(found["events"][2]["from"]["path_bytes"]) == name
    assert [place["path_bytes"] != "" for place in found["versions"][0]["places"]] == [True]


def test_json_has_the_documented_keys(own_nights: Box) -> None:
    nights = own_nights
    os.symlink("01 kyrie.wav", nights.primary() / RENAMED / "best take.wav")
    with open(nights.copy() / RENAMED / "05 kyrie.wav", "r+b") as file:
        file.write(b"rot")
    nights.ok("verify", "--all", "recordings", code=1)
    nights.ok("run")
    shutil.rmtree(nights.primary() / RENAMED)
    (nights.primary() / "keep").mkdir()
    check(
        "history",
        nights.json("history", "recordings"),
        nights.json("history", "recordings", RENAMED, "--recursive"),
        nights.json("history", "recordings", "--as-of", "5", "--recursive"),
        nights.json("history", "recordings", "--as-of", "2", CONCERT),
    )
    (mended,) = told(nights, "recordings", f"{RENAMED}/05 kyrie.wav")
    assert happened(mended)[-1] == (5, ["mended"])
    assert [place["place"] for place in mended["versions"][0]["bad_places"]] == ["retired"]
    assert content(nights, mended["versions"][0]["bad_places"][0])[:3] == b"rot"
    assert content(nights, mended["versions"][0]["places"][0])[:3] != b"rot"


def test_E_N_after_the_state_is_lost_the_records_of_the_drive_say_the_same(own_nights: Box) -> None:
    box = own_nights
    (box.primary() / RENAMED / "01 kyrie.wav").rename(box.primary() / "first.wav")
    shutil.rmtree(box.primary() / RENAMED)
    box.ok("run")
    questions = [("recordings", CONCERT, "--as-of", "2"), ("recordings", "--as-of", "1", "--recursive")]
    questions += [("recordings", RENAMED, "--as-of", "4"), ("recordings", "--as-of", "3", "--recursive")]
    questions += [("recordings", f"{RENAMED}/01 kyrie.wav"), ("recordings",)]
    before = [box.ok("history", *each) for each in questions]
    shutil.rmtree(box.state)
    box.ok("pair", "--yes", "recordings")
    assert [box.ok("history", *each) for each in questions] == before


def test_N_nights_whose_records_are_lost_are_not_known(own_nights: Box) -> None:
    box = own_nights
    shutil.rmtree(box.state)
    for path in (box.secondary() / "records").glob("manifest*"):
        path.unlink()
    box.ok("pair", "--yes", "recordings")
    for alone in (False, True):
        if alone:
            box.ok("run")
        place = ("--secondary", str(box.secondary())) if alone else ("recordings",)
        known = box.json("history", *place)["pairs"][0]["nights"]
        assert [each["number"] for each in known if not each["known"]] == [1, 2, 3, 4]
        assert "not known: its records were lost" in box.ok("history", *place)
        for night in ("1", "2", "3"):
            said = box.ok("history", *place, "--as-of", night, code=1)
            assert f"What night {night} left is not known" in said
            document = box.json("history", *place, "--as-of", night, "--recursive", code=1)
            assert document["pairs"][0]["as_of"]["known"] is False
        assert "is not known" in box.run("history", *place, "never there", "--as-of", "2").stderr
        assert box.run("history", *place, "never there", "--as-of", "2").returncode == 1
        said = box.ok("history", *place, f"{RENAMED}/01 kyrie.wav", code=1)
        assert "The records of nights 1 to 4 were lost" in said
        into = box.root / f"restored {alone}"
        said = box.ok("restore", *place, "--as-of", "2", "--into", str(into), code=1)
        assert "What night 2 left is not known" in said
        assert any(into.rglob("*.wav"))
        nothing = box.run("restore", *place, "never there", "--as-of", "2", "--into", str(box.root / "nothing"))
        assert (nothing.returncode, "is not known" in nothing.stderr) == (1, True)
