"""``nightferry restore``, as a person types it."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from box import CONCERT, Box
from drives import run
from nightferry.night.preflight import lock_pair

sys.path.insert(0, str(Path(__file__).parent))

from test_json_keys import check

KYRIE = f"{CONCERT}/01 kyrie.wav"


@pytest.fixture
def filled(paired: Box) -> Box:
    paired.ok("run")
    return paired


def refused(box: Box, *args: str, code: int) -> str:
    """What a call says on stderr that has to end with ``code``."""
    done = box.run(*args)
    assert done.returncode == code, (args, done)
    assert "Traceback" not in done.stderr
    return done.stderr


def rot(path: Path) -> None:
    before = os.stat(path)
    with open(path, "r+b") as file:
        file.write(b"#")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def test_a_folder_comes_back(filled: Box, tmp_path: Path) -> None:
    said = filled.ok("restore", "recordings", CONCERT, "--into", str(tmp_path / "restored"))
    assert "restored into" in said
    assert run("diff", "-r", filled.primary() / CONCERT, tmp_path / "restored" / CONCERT) == b""
    again = filled.ok("restore", "recordings", CONCERT, "--into", str(tmp_path / "restored"))
    assert "right already" in again


def test_with_the_secondary_alone_no_configuration_is_needed(filled: Box, tmp_path: Path) -> None:
    into = tmp_path / "restored"
    done = subprocess.run(
        [sys.executable, "-m", "nightferry", "restore", "--secondary", filled.secondary(), "--into", into, "--json"],
        env={**os.environ, "NIGHTFERRY_CONFIG": str(tmp_path / "none.toml")}, capture_output=True, check=False,
        timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["pair"] == "recordings"
    assert run("diff", "-r", filled.primary() / CONCERT, into / CONCERT) == b""


@pytest.mark.parametrize(
    ("args", "code", "says"),
    [
        (("restore",), 2, "Say which pair"),
        (("restore", "recordings"), 2, "--into"),
        (("restore", "nobody", "--into", "/nowhere/x"), 2, "no pair"),
        (("restore", "recordings", "no such", "--into", "/var/tmp/nightferry-none"), 2, "no such"),
        (("restore", "recordings", "--into", "/nowhere/at/all"), 2, "folder above"),
        (("restore", "recordings", "--as-of", "last tuesday", "--into", "/var/tmp/nightferry-none"), 2, "last tuesday"),
        (("restore", "recordings", "--as-of", "99", "--into", "/var/tmp/nightferry-none"), 2, "99"),
        (("restore", "--secondary", "/nowhere", "--into", "/var/tmp/nightferry-none"), 3, "no drive"),
        (("restore", "--pair-name", "x", "recordings", "--into", "/var/tmp/nightferry-none"), 2, "--secondary"),
        (("restore", "recordings", "x", "--new-primary"), 2, "name the pair"),
        (("restore", "recordings", "--new-primary", "--into", "/tmp"), 2, "leave"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(filled: Box, args: tuple[str, ...], code: int, says: str) -> None:
    assert says in refused(filled, *args, code=code)
    assert not Path("/var/tmp/nightferry-none").exists()


def test_an_earlier_night_and_then_the_newest_over_it(filled: Box, tmp_path: Path) -> None:
    first = (filled.primary() / KYRIE).read_bytes()
    (filled.primary() / KYRIE).write_bytes(b"another take")
    filled.ok("run")
    there = tmp_path / "restored" / KYRIE
    call = ("restore", "recordings", KYRIE, "--into", str(tmp_path / "restored"))
    assert "As night 1 found it" in filled.ok(*call, "--as-of", "1")
    assert there.read_bytes() == first
    assert KYRIE in filled.ok(*call, code=1) and there.read_bytes() == first
    filled.ok(*call, "--overwrite")
    assert there.read_bytes() == b"another take"


def test_neither_drive_is_written_to(filled: Box) -> None:
    for place in (filled.primary() / "x", filled.secondary() / "x", filled.primary()):
        assert "writes to no drive" in refused(filled, "restore", "recordings", "--into", str(place), code=2)
    # where the primary belongs, and is not mounted: no card says whose place it is
    filled.primary().rename(filled.root / "unplugged")
    filled.primary().mkdir()
    for args in (("recordings",), ("--secondary", str(filled.secondary()))):
        said = refused(filled, "restore", *args, "--into", str(filled.primary() / "x"), code=2)
        assert 'lies on the primary of the pair "recordings"' in said
    assert list(filled.primary().iterdir()) == []


def test_busy_is_5(filled: Box, tmp_path: Path) -> None:
    with lock_pair(filled.state, "recordings", "run"):
        refused(filled, "restore", "recordings", "--into", str(tmp_path / "restored"), code=5)


def test_the_keys_of_json(filled: Box, tmp_path: Path) -> None:
    (filled.primary() / "h\udcffndel.wav").write_bytes(b"x" * 9000)
    os.link(filled.primary() / KYRIE, filled.primary() / "kyrie.wav")
    filled.ok("run")
    into = str(tmp_path / "restored")
    good = filled.json("restore", "recordings", "--into", into)
    (tmp_path / "restored" / KYRIE).write_bytes(b"another")
    (tmp_path / "restored" / "h\udcffndel.wav").unlink()
    (tmp_path / "restored" / "h\udcffndel.wav").mkdir()
    rot(filled.secondary() / "copy" / f"{CONCERT}/02 kyrie.wav")
    rot(filled.secondary() / "copy" / f"{CONCERT}/03 kyrie.wav")
    (filled.primary() / f"{CONCERT}/03 kyrie.wav").unlink()
    for number in (2, 3):
        (tmp_path / "restored" / f"{CONCERT}/0{number} kyrie.wav").unlink()
    some = filled.json("restore", "recordings", "--into", into, code=1)
    bad = filled.json("restore", "recordings", "--into", into, "--bad", code=1)
    assert bad["damaged"]["count"] == 1
    wrong = filled.json("restore", "recordings", "nothing", "--into", into, code=2)
    check("restore", good, some, bad, wrong, never=("damaged.names[].filled", "notes"))


def test_the_advice_about_a_bad_copy_finds_it_also_on_the_morning_after_a_night(filled: Box, tmp_path: Path) -> None:
    """What was read some hours ago is not due to be read again: without --all the bad copy was left out, and 0."""
    rot(filled.secondary() / "copy" / f"{CONCERT}/02 kyrie.wav")
    shown = filled.ok("restore", "recordings", "--into", str(tmp_path / "into"), code=1)
    (advised,) = re.findall(r"`nightferry (verify [^`]*)`", " ".join(shown.split()))
    assert "02 kyrie.wav" in filled.ok(*advised.split(), code=1)
    assert filled.json("status", code=1)["pairs"][0]["open_damage"] == 1
    filled.ok("run")
    filled.ok("restore", "recordings", "--into", str(tmp_path / "again"))


def test_a_new_primary(filled: Box) -> None:
    primary = filled.primary()
    assert "already" in filled.ok("restore", "recordings", "--new-primary")
    primary.rename(primary.with_name("the old primary"))
    primary.mkdir()
    assert "--yes" in refused(filled, "restore", "recordings", "--new-primary", code=2)
    assert list(primary.iterdir()) == []
    said = filled.ok("restore", "recordings", "--new-primary", "--yes")
    assert "is the primary of this pair" in said
    assert run("diff", "-r", primary / CONCERT, primary.with_name("the old primary") / CONCERT) == b""
    filled.ok("run")
    assert filled.json("lastnight")["pairs"][0]["counts"]["added"]["files"] == 0


def test_help_has_an_example(box: Box) -> None:
    assert "nightferry restore recordings" in box.run("restore", "--help").stdout
