"""``nightferry run``: nights over pairs, stopped, refused, side by side."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sqlite3
import subprocess
import time
from datetime import time as clock_time
from pathlib import Path

import pytest

from box import CONCERT, Box, wait_for
from drives import MIB
from nightferry.night.reading import COARSE_FRESH_S
from nightferry.night.side_by_side import WORTH_FILES

DAY_S = 86_400


def differences(left: Path, right: Path) -> str:
    """What ``diff`` finds between a primary and its copy."""
    done = subprocess.run(
        ["diff", "-r", "--no-dereference", "-x", ".nightferry-volume.toml", left, right],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    return done.stdout + done.stderr


def big_file(path: Path, size_bytes: int = 400 * MIB) -> None:
    block = os.urandom(MIB)
    with path.open("wb") as file:
        for _ in range(size_bytes // MIB):
            file.write(block)


def age(box: Box, seconds: float, pair: str = "recordings") -> None:
    """Makes all runs of a pair older."""
    with contextlib.closing(sqlite3.connect(box.folder(pair) / "manifest.sqlite3")) as manifest, manifest:
        manifest.execute("UPDATE run SET started_s = started_s - ?, ended_s = ended_s - ?", (seconds, seconds))


def test_a_night_and_what_it_says(paired: Box) -> None:
    done = paired.run("run")
    assert done.returncode == 0
    assert differences(paired.primary(), paired.copy()) == ""
    assert "recordings: night 1, complete" in done.stdout
    assert "Everything that is to be copied is on the secondary" in done.stdout
    assert "added" in done.stdout and "17.6 KiB" in done.stdout  # 6 files of 3,000 bytes
    status = paired.status()
    assert (status["state"], status["outcome"], status["run"]) == ("sound", "complete", None)
    assert status["last_run"]["number"] == status["last_complete"]["number"] == 1


def test_the_log_is_key_value_lines_without_colours(paired: Box) -> None:
    os.mkfifo(paired.primary() / "a \x1b[31mpipe")
    done = paired.run("run", env={"FORCE_COLOR": "1"})
    lines = done.stderr.splitlines()
    assert all(line.startswith("at=") and " event=" in line and " pair=recordings" in line for line in lines)
    assert any("phase=copy" in line and "files_total=6" in line for line in lines)
    # logfmt doubles a backslash in a value, as it escapes a quote.
    assert any(r'path="a \\x1b[31mpipe"' in line for line in lines), lines
    assert "\x1b" not in done.stderr


def test_changes_are_counted_by_kind(paired: Box) -> None:
    paired.ok("run")
    concert = paired.primary() / CONCERT
    (concert / "07 agnus dei.wav").write_bytes(b"new")
    (concert / "01 kyrie.wav").write_bytes(b"another take")
    (concert / "02 kyrie.wav").rename(concert / "02 gloria.wav")
    (concert / "03 kyrie.wav").unlink()
    (concert / "04 kyrie.wav").chmod(0o600)
    found = paired.json("run")["pairs"][0]
    counts = {kind: each["files"] for kind, each in found["counts"].items()}
    assert counts == {"added": 1, "changed": 1, "moved": 1, "removed": 1, "metadata": 1}
    assert found["counts"]["changed"]["bytes"] == len("another take")
    assert found["kept_until"] is not None and found["phase_s"]["copy"] >= 0


def test_what_cannot_be_copied_is_named_and_wants_attention(tmp_path: Path) -> None:
    box = Box(tmp_path, settings='exclude = ["*.part"]')
    box.fill()
    box.ok("pair", "--yes", "recordings")
    shown = box.ok("run")
    os.mkfifo(box.primary() / "a pipe")
    shown = box.ok("run")
    assert "Not copied, unsupported: 1" in shown and "a pipe" in shown


def test_a_held_night_is_1_and_says_how_to_go_on(paired: Box) -> None:
    paired.fill(files=20)
    paired.ok("run")
    for path in (paired.primary() / CONCERT).iterdir():
        path.unlink()
    shown = paired.ok("run", code=1)
    assert "night 2, held" in shown and "nightferry release recordings" in shown and "hold_share" in shown
    status = paired.status()
    assert (status["state"], status["outcome"]) == ("attention", "held")
    assert [reason["code"] for reason in status["reasons"]] == ["held"]
    assert len(list((paired.copy() / CONCERT).iterdir())) == 20
    paired.ok("release", "recordings")
    paired.ok("run")
    assert list(paired.copy().iterdir()) == [paired.copy() / CONCERT]
    assert paired.status()["state"] == "sound"


# --- several pairs


def test_several_pairs_each_have_their_night(tmp_path: Path) -> None:
    box = Box(tmp_path, ("recordings", "scores"))
    for pair in ("recordings", "scores"):
        box.fill(pair)
    box.ok("pair", "--yes", "recordings", "scores")
    found = box.json("run")
    assert [(each["pair"], each["outcome"]) for each in found["pairs"]] == [
        ("recordings", "complete"), ("scores", "complete"),
    ]  # fmt: skip
    for pair in ("recordings", "scores"):
        assert differences(box.primary(pair), box.copy(pair)) == ""
    only = box.json("run", "scores")
    assert [each["pair"] for each in only["pairs"]] == ["scores"]
    assert (box.status("recordings")["last_run"]["number"], box.status("scores")["last_run"]["number"]) == (1, 2)


def test_one_pair_that_fails_does_not_keep_the_next_from_its_night(tmp_path: Path) -> None:
    box = Box(tmp_path, ("recordings", "scores"))
    box.fill("scores")
    box.ok("pair", "--yes", "recordings", "scores")
    box.primary("recordings").rename(tmp_path / "unplugged")
    done = box.run("run", "--json")
    assert done.returncode == 3
    first, second = json.loads(done.stdout)["pairs"]
    assert (first["exit_code"], first["state"], first["reasons"][0]["code"]) == (3, "failed", "absent_primary")
    assert (second["exit_code"], second["outcome"]) == (0, "complete")
    assert done.stderr.count("nightferry: ") == 1
    assert differences(box.primary("scores"), box.copy("scores")) == ""
    assert box.status("recordings")["state"] == "failed"


def test_two_pairs_may_share_a_primary(tmp_path: Path) -> None:
    box = Box(tmp_path, ("recordings", "away"))
    box.config.write_text(box.config.read_text().replace("away-primary", "recordings-primary"))
    box.fill("recordings")
    box.ok("pair", "--yes", "recordings", "away")
    box.ok("run")
    for pair in ("recordings", "away"):
        assert differences(box.primary("recordings"), box.copy(pair)) == ""


# --- side by side, and stopped


def test_a_second_run_is_5_and_says_who_runs(tmp_path: Path) -> None:
    box = Box(tmp_path, settings='settle_quiet = "30s"')
    box.fill()
    box.ok("pair", "--yes", "recordings")
    first = box.start("run")
    try:
        wait_for(lambda: (box.folder() / "status.json").exists() and box.status()["run"]["phase"] == "settle")
        before = (box.folder() / "status.json").read_bytes()
        second = box.run("run")
        assert second.returncode == 5
        # The night is run by a child of the command (night/hang.py).
        (child,) = Path(f"/proc/{first.pid}/task/{first.pid}/children").read_text().split()
        assert f"process {child} on " in second.stderr and "(run, since " in second.stderr
        assert (box.folder() / "status.json").read_bytes() == before
        assert box.run("release", "recordings").returncode == 5
        assert box.run("tonight").returncode == 5
        assert box.run("lastnight").returncode == 0
    finally:
        first.send_signal(signal.SIGTERM)
        out, _ = first.communicate(timeout=60)
    assert first.returncode == 1
    assert "interrupted" in out


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_in_the_middle_of_a_copy_stops_it_cleanly(paired: Box, number: signal.Signals) -> None:
    big_file(paired.primary() / CONCERT / "zz whole concert.wav")
    process = paired.start("run", "--json")

    def copies() -> bool:
        path = paired.folder() / "status.json"
        return path.exists() and (paired.status()["run"] or {}).get("phase") == "copy"

    wait_for(copies)
    process.send_signal(number)
    if number is signal.SIGINT:
        process.send_signal(number)  # a second one changes nothing
    out, error = process.communicate(timeout=30)
    assert process.returncode == 1, error
    found = json.loads(out)["pairs"][0]
    assert found["outcome"] == "interrupted"
    assert "asked to stop" in " ".join(found["notes"])
    assert not (paired.copy() / CONCERT / "zz whole concert.wav").exists()
    status = paired.status()
    assert (status["state"], status["outcome"], status["run"]) == ("attention", "interrupted", None)
    assert "first_run" not in [reason["code"] for reason in status["reasons"]]

    paired.ok("run")
    assert differences(paired.primary(), paired.copy()) == ""
    assert paired.status()["state"] == "sound"
    assert os.listdir(paired.secondary() / "staging") == []


def test_asked_to_stop_it_does_not_begin_the_next_pair(tmp_path: Path) -> None:
    box = Box(tmp_path, ("recordings", "scores"), settings='settle_quiet = "30s"')
    box.ok("pair", "--yes", "recordings", "scores")
    process = box.start("run", "--json")
    wait_for((box.folder("recordings") / "status.json").exists)
    process.send_signal(signal.SIGTERM)
    out, _ = process.communicate(timeout=30)
    first, second = json.loads(out)["pairs"]
    assert (process.returncode, first["outcome"], second["outcome"]) == (1, "interrupted", None)
    assert second["reasons"][0]["code"] == "interrupted"
    assert not (box.folder("scores") / "status.json").exists()


def test_the_window_closes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """The moment itself is tested in planning/test_window.py; here it comes after a second."""
    from nightferry.cli.main import main
    from nightferry.planning import window

    asked = tmp_path / "asked"  # a file, since the night runs in a process of its own

    def soon(now_s: float, at: clock_time, zone: object) -> float:
        asked.write_text(f"{at:%H:%M}")
        return now_s + 1.0

    box = Box(tmp_path, settings='settle_quiet = "5min"\nfinish_by = "05:15"')
    box.ok("pair", "--yes", "recordings")
    monkeypatch.setattr(window, "next_moment", soon)
    assert main(["--config", str(box.config), "run", "--json"]) == 1
    found = json.loads(capsys.readouterr().out)["pairs"][0]
    assert found["outcome"] == "interrupted"
    assert "the window closed" in found["notes"][0]
    assert asked.read_text() == "05:15"


def test_without_a_window_there_is_no_deadline(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from nightferry.cli.main import main
    from nightferry.planning import window

    box = Box(tmp_path, settings='settle_quiet = "2s"\nsettle_limit = "2s"')
    box.ok("pair", "--yes", "recordings")
    monkeypatch.setattr(window, "next_moment", lambda now_s, at, zone: now_s + 0.2)
    assert main(["--config", str(box.config), "run", "--without-window"]) == 0
    assert main(["--config", str(box.config), "run"]) == 1


def test_killed_and_run_again(paired: Box) -> None:
    big_file(paired.primary() / CONCERT / "zz whole concert.wav")
    process = paired.start("run")

    def copies() -> bool:
        path = paired.folder() / "status.json"
        return path.exists() and (paired.status()["run"] or {}).get("phase") == "copy"

    wait_for(copies)
    process.kill()
    process.communicate(timeout=30)
    found = paired.status()
    assert found["state"] == "attention" and found["run"]["number"] == 1  # nothing better is claimed
    paired.ok("run")
    assert differences(paired.primary(), paired.copy()) == ""


# --- an absent secondary


def away(tmp_path: Path, may_be_absent: str = '"14d"') -> Box:
    box = Box(tmp_path, settings=f"may_be_absent = {may_be_absent}")
    box.fill()
    box.ok("pair", "--yes", "recordings")
    return box


def unplug(box: Box) -> None:
    box.secondary().rename(box.root / "at a singer's home")


def test_an_absent_secondary_within_its_time_is_sound(tmp_path: Path) -> None:
    box = away(tmp_path)
    box.ok("run")
    unplug(box)
    age(box, 3 * DAY_S)
    found = box.json("run")["pairs"][0]
    assert (found["state"], found["reasons"][0]["code"]) == ("sound", "secondary_away")
    assert 3 * DAY_S <= found["copy_age_s"] < 3 * DAY_S + 300
    assert "3 d 00 h old" in found["reasons"][0]["sentence"]
    status = box.status()
    assert (status["state"], status["outcome"]) == ("sound", "complete")
    assert status["secondary_room"] is None
    assert "3 d 00 h old" in box.ok("status")
    assert "3 d 00 h old" in box.ok("tonight")
    assert box.json("tonight")["pairs"][0]["copy_age_s"] >= 3 * DAY_S


def test_after_its_time_it_is_3(tmp_path: Path) -> None:
    box = away(tmp_path)
    box.ok("run")
    unplug(box)
    age(box, 15 * DAY_S)
    done = box.run("run")
    assert done.returncode == 3
    assert "15 d 00 h old" in done.stderr and "may_be_absent allows 14 d" in done.stderr
    assert box.status()["state"] == "failed"
    assert box.run("tonight").returncode == 3
    assert box.run("status").returncode == 3  # as the run


def test_one_that_may_not_be_away_is_3(tmp_path: Path) -> None:
    box = away(tmp_path, '"0d"')
    box.ok("run")
    unplug(box)
    done = box.run("run")
    assert done.returncode == 3 and "is not there" in done.stderr


def test_one_that_never_had_a_complete_night_is_3(tmp_path: Path) -> None:
    box = away(tmp_path)
    unplug(box)
    done = box.run("run")
    assert done.returncode == 3 and "once a night was completed" in done.stderr


def test_away_after_a_held_night_still_wants_attention(tmp_path: Path) -> None:
    box = away(tmp_path)
    box.fill(files=20)
    box.ok("run")
    for path in (box.primary() / CONCERT).iterdir():
        path.unlink()
    box.ok("run", code=1)
    unplug(box)
    found = box.json("run", code=1)["pairs"][0]
    assert [reason["code"] for reason in found["reasons"]] == ["secondary_away", "last_night"]


def test_an_absent_primary_is_always_3(tmp_path: Path) -> None:
    box = away(tmp_path)
    box.ok("run")
    box.primary().rename(tmp_path / "unplugged")
    done = box.run("run")
    assert done.returncode == 3 and "primary" in done.stderr


# --- when the state folder fails


def test_a_status_that_cannot_be_written_is_a_failure(paired: Box) -> None:
    paired.ok("run")
    (paired.folder() / "status.json.new").mkdir()
    done = paired.run("run")
    assert done.returncode == 4
    assert "status of this pair could not be written" in done.stderr
    assert differences(paired.primary(), paired.copy()) == ""


def test_a_log_that_nobody_reads_does_not_end_the_night(paired: Box) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(paired.command("run"), stderr=writer, stdout=subprocess.PIPE, timeout=60, check=False)
    os.close(writer)
    assert done.returncode == 0
    assert b"complete" in done.stdout


def test_a_summary_that_nobody_reads_does_not_keep_the_next_pair_from_its_night(tmp_path: Path) -> None:
    box = Box(tmp_path, ("recordings", "scores"))
    box.ok("pair", "--yes", "recordings", "scores")
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(box.command("run"), stdout=writer, stderr=subprocess.PIPE, timeout=60, check=False)
    os.close(writer)
    assert done.returncode == 0  # of the nights, which went well
    assert [box.status(pair)["outcome"] for pair in ("recordings", "scores")] == ["complete", "complete"]


def test_a_fault_in_one_pair_is_said_and_the_next_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from nightferry.cli.main import main
    from nightferry.reporting import morning

    box = Box(tmp_path, ("recordings", "scores"))
    box.ok("pair", "--yes", "recordings", "scores")
    real = morning.run_night

    def fails_for_one(settings, *args, **kwargs):  # type: ignore[no-untyped-def]
        if settings.name == "recordings":
            raise RuntimeError("a string broke")
        return real(settings, *args, **kwargs)

    monkeypatch.setattr(morning, "run_night", fails_for_one)
    assert main(["--config", str(box.config), "run"]) == 4
    shown = capsys.readouterr()
    assert "RuntimeError: a string broke" in shown.err and "scores: night 1, complete" in shown.out


def test_ends_of_children_that_whoever_started_it_ignores_are_waited_for(paired: Box) -> None:
    """SIGCHLD ignored goes on to a new program (execve(2)); small files are staged by children."""
    notes = paired.primary() / "notes"
    notes.mkdir()
    for number in range(2 * WORTH_FILES):
        (notes / f"note {number:04}.txt").write_text("softer")
    time.sleep(COARSE_FRESH_S + 0.1)
    ignoring = ["env", "--ignore-signal=CHLD", *paired.command("run")]
    done = subprocess.run(ignoring, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    assert len(os.listdir(paired.copy() / "notes")) == 2 * WORTH_FILES
