"""``nightferry pair``: shows, asks, writes; or takes over."""

from __future__ import annotations

import os
import pty
import subprocess
import time

import pytest

from box import CONCERT, Box, clean_environment, everything
from nightferry.manifest.untrusted import generation_of


def on_a_terminal(box: Box, *args: str, answer: str, columns: int = 80) -> tuple[int, str]:
    """Runs a command on a terminal of its own, answers its question; its exit code and all it showed."""
    leader, follower = pty.openpty()
    os.set_blocking(leader, False)
    process = subprocess.Popen(
        box.command(*args), stdin=follower, stdout=follower, stderr=follower,
        env={**clean_environment(), "COLUMNS": str(columns)}, start_new_session=True,
    )  # fmt: skip
    os.close(follower)
    shown, answered, end_s = b"", False, time.monotonic() + 60
    while time.monotonic() < end_s:
        try:
            shown += os.read(leader, 65536)
        except BlockingIOError:
            time.sleep(0.01)
        except OSError:  # EIO: the other side is closed
            break
        if not answered and b"[y/N]" in shown:
            os.write(leader, answer.encode())
            answered = True
    code = process.wait(timeout=10)
    os.close(leader)
    return code, shown.decode()


def test_it_shows_both_drives_and_what_will_be_written(box: Box) -> None:
    box.fill()
    (box.secondary() / "old photos").mkdir()
    shown = box.ok("pair", "--yes", "recordings")
    for part in (
        str(box.primary()), str(box.secondary()), "file system", "size", "free", "no identity card",
        "Both are on one file system", ".nightferry-volume.toml", "copy, retired, staging", str(box.folder()),
        "is not empty", "is a pair now", "nightferry tonight recordings",
    ):  # fmt: skip
        assert part in shown, part
    assert (box.primary() / ".nightferry-volume.toml").exists()
    assert (box.secondary() / ".nightferry-volume.toml").exists()
    assert sorted(os.listdir(box.secondary())) == [
        ".nightferry-volume.toml", "copy", "old photos", "records", "retired", "staging",
    ]  # fmt: skip


def test_without_a_terminal_it_wants_yes_and_writes_nothing(box: Box) -> None:
    before = everything(box.root)
    done = box.run("pair", "recordings", given="y\n")
    assert done.returncode == 2
    assert "add --yes" in done.stderr
    assert everything(box.root) == before


@pytest.mark.parametrize(
    ("answer", "code", "says"),
    [("y\n", 0, "is a pair now"), ("n\n", 1, "Nothing was written"), ("\n", 1, "Nothing was written")],
)
def test_it_asks_on_a_terminal(box: Box, answer: str, code: int, says: str) -> None:
    got, shown = on_a_terminal(box, "pair", "recordings", answer=answer)
    assert (got, says in shown) == (code, True), shown
    assert (box.primary() / ".nightferry-volume.toml").exists() is (code == 0)


def test_a_pair_already(paired: Box) -> None:
    before = everything(paired.root)
    shown = paired.ok("pair", "recordings")
    assert "is a pair already" in shown and "nightferry tonight recordings" in shown
    assert everything(paired.root) == before


def test_taking_over_says_the_generation(paired: Box) -> None:
    paired.ok("run")
    paired.ok("run")
    paired.folder().rename(paired.root / "lost")
    shown = paired.ok("pair", "--yes", "recordings")
    generation = generation_of(paired.secondary() / "records" / "manifest.sqlite3")
    assert generation is not None
    assert f"taken over from its secondary, generation {generation}." in shown
    assert "nightferry lastnight recordings" in shown
    assert "complete" in paired.ok("lastnight")


def test_rule_K_with_the_secondary_alone_on_a_new_box(paired: Box) -> None:
    paired.fill()
    paired.ok("run")
    os.unlink(paired.primary() / CONCERT / "02 kyrie.wav")
    paired.ok("run")
    kept = {path.name: path.read_bytes() for path in (paired.primary() / CONCERT).iterdir()}
    paired.folder().rename(paired.root / "lost")
    paired.primary().rename(paired.root / "dead")
    before = everything(paired.secondary())
    code, shown = on_a_terminal(paired, "pair", "recordings", answer="y\n")
    assert code == 0, shown
    for part in (
        "state on the secondary", "last night", "2, complete", "files", "5, ", "retired versions", "damage", "held",
        "primary is not at", "Take this pair over", "was taken over", "--into FOLDER", "--new-primary",
    ):  # fmt: skip
        assert part in shown, part
    assert everything(paired.secondary()) == before
    assert "night 2, complete" in paired.ok("lastnight")
    refused = paired.run("run")
    assert refused.returncode == 3
    assert "primary" in refused.stderr
    again = paired.run("pair", "--yes", "recordings")
    assert again.returncode == 3
    paired.ok("restore", "recordings", "--into", str(paired.root / "back"))
    assert {path.name: path.read_bytes() for path in (paired.root / "back" / CONCERT).iterdir()} == kept
    assert everything(paired.secondary()) == before


def test_building_it_anew_says_what_is_kept_and_what_is_lost(paired: Box) -> None:
    """With no sound manifest anywhere: history, not files; and without the primary what only that has."""
    paired.fill()
    paired.ok("run")
    os.unlink(paired.primary() / CONCERT / "02 kyrie.wav")
    paired.ok("run")
    for path in (paired.folder(), paired.secondary() / "records"):
        for name in ("manifest.sqlite3", "manifest.previous.sqlite3"):
            (path / name).unlink(missing_ok=True)
    before = everything(paired.primary(), paired.secondary())
    _, shown = on_a_terminal(paired, "pair", "recordings", answer="n\n", columns=120)
    shown = " ".join(shown.split())
    assert "keeps every file and every retired version. It loses the history: what changed in which night" in shown
    assert "file system cannot hold" not in shown and "Nothing was written" in shown
    paired.primary().rename(paired.root / "away")
    shown = paired.ok("pair", "--yes", "recordings")
    assert "cannot hold of owners, permissions, attributes and symlinks, unless the primary is mounted first" in shown
    assert "All files are known again, also the retired versions. What changed in which night is lost." in shown
    (paired.root / "away").rename(paired.primary())
    after = everything(paired.primary(), paired.secondary())
    assert {path: after[path] for path in after if path != str(paired.primary())} == {
        path: before[path]
        for path in before
        if path != str(paired.primary())  # the one that was renamed here
    }
    # 1: of nights whose records are lost it is not known what the file was in them.
    (removed,) = paired.json("history", "recordings", f"{CONCERT}/02 kyrie.wav", code=1)["pairs"][0]["names"]
    assert removed["versions"], removed


def test_what_was_found_as_json(paired: Box) -> None:
    paired.fill()
    paired.ok("run")
    paired.folder().rename(paired.root / "lost")
    paired.primary().rename(paired.root / "dead")
    (found,) = paired.json("pair", "--yes", "recordings")["pairs"]
    assert (found["action"], found["done"], found["primary"], found["older_generation"]) == ("adopt", True, None, None)
    size_bytes = sum(path.stat().st_size for path in paired.copy().rglob("*.wav"))
    said = {key: found["found"][key] for key in ("night", "outcome", "files", "bytes", "open_damage", "held")}
    assert said == {
        "night": 1, "outcome": "complete", "files": 6, "bytes": size_bytes, "open_damage": 0, "held": False,
    }  # fmt: skip


def test_one_that_fails_does_not_keep_the_next_from_being_made(box: Box) -> None:
    box.configure(("recordings", "scores"))
    os.rmdir(box.secondary())
    done = box.run("pair", "--yes", "recordings", "scores")
    assert done.returncode == 3
    assert "recordings" in done.stderr
    assert "scores is a pair now" in done.stdout


def test_json(box: Box) -> None:
    found = box.run("pair", "--yes", "--json", "recordings")
    assert found.returncode == 0
    assert found.stdout.count("\n") == 1 and "The pair recordings" in found.stderr
