"""The trial as a newcomer meets it; every claim of its story checked again with other means."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import wave
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from pngdecoder import decode

from compare import differences
from drives import MIB, DriveFactory
from nightferry.errors import Failed, WrongUse
from nightferry.night.context import Unwatched
from nightferry.night.run import run_night
from nightferry.settings import load
from nightferry.trial.stage import Place
from nightferry.trial.story import CHAPTERS
from nightferry.trial.trial import run_trial

CARD = ".nightferry-volume.toml"
LONGEST_S = 30

# The interpreter may lie where only root gets to: a first trial brings in all modules, then the user changes.
AS_NOBODY = """
import contextlib, io, os, sys
from pathlib import Path
from nightferry.trial.trial import run_trial
with contextlib.redirect_stdout(io.StringIO()):
    assert run_trial(keep=False, folder=None, json_output=False) == 0
os.setgroups([]); os.setgid(65534); os.setuid(65534)
sys.exit(run_trial(keep=False, folder=Path(sys.argv[1]), json_output=False))
"""
AS_THIS_USER = """
import sys
from pathlib import Path
from nightferry.trial.trial import run_trial
options = dict(keep="keep" in sys.argv, folder=Path(sys.argv[1]), json_output="json" in sys.argv)
sys.exit(run_trial(**options))
"""


@pytest.fixture
def public() -> Iterator[Path]:
    """A folder that any user may write to, on the way of none that only root may enter."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o777)
        yield Path(name)


def trial(folder: Path, *options: str, script: str = AS_THIS_USER) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", script, str(folder), *options]
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1", "COLUMNS": "80"}
    return subprocess.run(command, capture_output=True, text=True, timeout=4 * LONGEST_S, env=environment, check=False)


@pytest.mark.parametrize("script", [AS_THIS_USER, AS_NOBODY], ids=["this user", "nobody"])
def test_it_runs_to_its_end_and_leaves_nothing(script: str, public: Path) -> None:
    if script is AS_NOBODY and os.geteuid() != 0:
        pytest.skip("needs root to become another user")
    started_s = time.monotonic()
    done = trial(public, script=script)
    took_s = time.monotonic() - started_s
    assert (done.returncode, done.stderr) == (0, ""), done.stdout
    assert list(public.iterdir()) == []
    assert took_s < LONGEST_S * (2 if script is AS_NOBODY else 1)
    for number, chapter in enumerate(CHAPTERS, start=1):
        assert f"\n{number}. {chapter.title}\n" in done.stdout
    assert "NOT SO" not in done.stdout and done.stdout.count("checked  ") >= 12
    assert "fire, theft or a power" in done.stdout and "third copy" in " ".join(done.stdout.split())
    for line in done.stdout.splitlines():
        assert len(line) <= 80 and line == line.rstrip() and line.isprintable(), repr(line)


# --- a trial that is kept, looked at with other means


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Place, dict, dict[int, dict[str, dict[bytes, str]]]]:
    """The place, what --json said, and what ``sha256sum`` said of both sides after each night."""
    folder = tmp_path_factory.mktemp("kept")
    sums: dict[int, dict[str, dict[bytes, str]]] = {}

    def look(number: int, place: Place) -> None:
        sums[number] = {"primary": sha256sums(place.primary), "copy": sha256sums(place.copy)}

    said = tmp_path_factory.mktemp("said") / "out"
    with said.open("w") as stream, contextlib.redirect_stdout(stream):
        assert run_trial(keep=True, folder=folder, json_output=True, meddle=look) == 0
    (own,) = folder.iterdir()
    return Place(own), json.loads(said.read_text()), sums


def sha256sums(root: Path) -> dict[bytes, str]:
    """By ``find`` and ``sha256sum``: files and what symlinks lead to, the identity card left out."""
    command = f"find . -name {CARD} -o '(' -type f -o -type l ')' -print0 | xargs -0 sha256sum -z"
    said = subprocess.run(["sh", "-c", command], cwd=root, capture_output=True, check=True).stdout
    return {line[66:]: line[:64].decode() for line in said.split(b"\0")[:-1]}


def chapter(document: dict, name: str) -> dict:
    (found,) = [each for each in document["chapters"] if each["name"] == name]
    return found


def test_it_says_what_it_keeps(kept: tuple) -> None:
    place, document, _ = kept
    assert document["as_told"] is True
    assert document["kept_in"] == {"path": str(place.folder)}
    assert [each["name"] for each in document["chapters"]] == [each.name for each in CHAPTERS]
    for each in document["chapters"]:
        assert each["as_told"] and each["claims"] and all(claim["holds"] for claim in each["claims"])


def test_the_copy_is_equal_by_ordinary_tools(kept: tuple) -> None:
    place, _, _ = kept
    assert differences(place.primary, place.copy, exclude=[CARD]) == []


def test_the_recordings_in_the_copy_play_and_the_pictures_open(kept: tuple) -> None:
    place, _, _ = kept
    recordings, pictures = sorted(place.copy.rglob("*.wav")), sorted(place.copy.rglob("*.png"))
    assert len(recordings) >= 40 and len(pictures) >= 10
    for path in recordings:
        with wave.open(str(path)) as file:
            assert len(file.readframes(file.getnframes())) == 2 * file.getnframes() > 2 * 22_050, "a second at least"
    for path in pictures:
        decode(path.read_bytes())


def test_the_numbers_of_each_night_are_those_of_ordinary_tools(kept: tuple) -> None:
    _, document, sums = kept
    tallies = {
        each["facts"]["night"]["number"]: each["facts"]["night"]["tally"]
        for each in document["chapters"]
        if "night" in each["facts"]
    }
    assert sorted(tallies) == sorted(sums) == [1, 2, 3, 4, 5, 6]
    for number in (1, 2, 3, 5, 6):
        assert sums[number]["primary"] == sums[number]["copy"]
    assert tallies[1]["added"] == len(sums[1]["copy"]) == chapter(document, "first_night")["facts"]["primary"]["files"]
    assert sums[2] == sums[1] and tallies[2]["written_bytes"] == tallies[2]["read_bytes"] == 0
    assert (tallies[3]["added"], tallies[3]["changed"], tallies[3]["removed"]) == (3, 1, 1)
    assert tallies[3]["folders_moved"] == 1 and len(sums[3]["copy"]) == len(sums[2]["copy"]) + 3 - 1


def test_the_accident_is_as_bad_as_told_and_the_copy_as_good(kept: tuple) -> None:
    _, document, sums = kept
    facts = chapter(document, "accident")["facts"]
    before, primary, copy = sums[3]["copy"], sums[4]["primary"], sums[4]["copy"]
    assert facts["files_before"] == len(before)
    assert facts["intact_on_primary"] == sum(primary.get(path) == checksum for path, checksum in before.items())
    assert facts["intact_in_copy"] == len(before) and before.items() <= copy.items()
    assert facts["intact_on_primary"] < len(before) / 2, "almost everything"
    assert facts["night"]["outcome"] == "held" and facts["night"]["state"] == "attention"
    (reason,) = facts["night"]["hold_reasons"]
    gone = len(before.keys() - primary.keys())
    emptied = sum(path in primary and primary[path] != checksum for path, checksum in before.items())
    assert f"{gone} files would be removed and {emptied} replaced" in reason
    assert len(copy) == len(before) + facts["night"]["tally"]["added"] == len(before) + 2
    assert sums[5]["primary"] == copy, "the recovery brought back all of it and left the new takes"


def test_what_the_working_day_displaced_is_in_retired(kept: tuple) -> None:
    place, document, sums = kept
    run, mended = sorted((place.secondary / "retired").iterdir())
    assert run.name.startswith("000003-2025-05-20T0230")
    stands = {b"./" + os.fsencode(path.relative_to(run)): path for path in run.rglob("*") if path.is_file()}
    assert len(stands) == 2 and mended.name.startswith("000006-")
    for name, path in stands.items():
        assert hashlib.sha256(path.read_bytes()).hexdigest() == sums[2]["copy"][name]
        assert sums[3]["copy"].get(name) != sums[2]["copy"][name]
    changes = {(each["change"], each["path"]) for each in chapter(document, "audit")["facts"]["changes"]}
    assert {f"./{path}".encode() for change, path in changes if change in ("changed", "removed")} == set(stands)
    added = {f"./{path}".encode() for change, path in changes if change == "added"}
    moved = {f"./{path}/".encode() for change, path in changes if change == "moved"}
    new = sums[3]["copy"].keys() - sums[2]["copy"].keys()
    assert {name for name in new if not name.startswith(tuple(moved))} == added
    # 30 days after the night of 20 May 2025, and 30 completed nights: the held one is none.
    assert chapter(document, "working_day")["facts"]["kept_until"] == "2025-06-19"
    assert chapter(document, "audit")["facts"]["kept_until"] == "2025-06-20"


def test_the_nights_are_a_day_apart_in_the_manifest(kept: tuple) -> None:
    place, _, _ = kept
    connection = sqlite3.connect(f"file:{place.secondary}/records/manifest.sqlite3?mode=ro&immutable=1", uri=True)
    with contextlib.closing(connection):
        starts = [row[0] for row in connection.execute("SELECT started_s FROM run ORDER BY number")]
        outcomes = [row[0] for row in connection.execute("SELECT outcome FROM run ORDER BY number")]
    assert [round((later - first) / 86_400, 2) for first, later in pairwise(starts)] == [1.0] * 5
    assert outcomes == ["complete", "complete", "complete", "held", "complete", "complete"]


def test_what_had_decayed_is_told_mended_and_kept_apart(kept: tuple) -> None:
    place, document, sums = kept
    facts = chapter(document, "rot")["facts"]
    assert facts["found"] == [{"side": "secondary", "verdict": "decayed", "path": KYRIE}]
    assert facts["intact"] == 2 * len(sums[5]["copy"]) - 1 + 2 - _symlinks(place.copy) * 2
    assert facts["night"]["tally"]["mended"] == 1
    (bad,) = (place.secondary / "retired").glob(f"000006-*/{KYRIE}")
    one, other = bad.read_bytes(), (place.copy / KYRIE).read_bytes()
    assert [left ^ right for left, right in zip(one, other, strict=True) if left != right] == [0x08]
    assert sums[6] == sums[5]


def _symlinks(root: Path) -> int:
    return sum(path.is_symlink() for path in root.rglob("*"))


def test_the_checksum_list_passes_the_reference_program(kept: tuple) -> None:
    place, document, _ = kept
    if shutil.which("xxhsum") is None:
        pytest.skip("needs xxhsum")
    command = ["xxhsum", "-c", "../records/checksums.xxh128"]
    done = subprocess.run(command, cwd=place.copy, capture_output=True, text=True, check=False)
    assert done.returncode == 0
    facts = chapter(document, "checksums")["facts"]
    assert facts["checked_by"] == "xxhsum"
    assert done.stdout.count(": OK\n") == facts["files"] - 1, "one name has a line break"


def test_a_kept_trial_can_be_played_on_with(kept: tuple, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for variable in [name for name in os.environ if name.startswith("NIGHTFERRY_")]:
        monkeypatch.delenv(variable)
    place, _, _ = kept
    settings = load(place.config)
    assert settings.state_dir == place.state_dir
    assert settings.pair == [place.settings()]
    result = run_night(settings.pair[0], settings.state_dir, Unwatched())
    assert (result.outcome, result.number, result.tally.added, result.tally.written_bytes) == ("complete", 7, 0, 0)


# --- what goes wrong


def flip(path: Path) -> None:
    content, state = bytearray(path.read_bytes()), path.stat()
    content[1000] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))


def append(path: Path, line: str) -> None:
    with path.open("a") as file:
        file.write(line)


KYRIE = "2025-05-17 spring concert/01 Kyrie.wav"
REMOVED = "2024-12-14 Adventskonzert/06 Coventry Carol.wav"
OTHER = "2025-05-17 spring concert/02 Sicut cervus.wav"
SABOTAGE: dict[str, tuple[int, Callable[[Place], object], str]] = {
    "a byte of the copy": (1, lambda place: flip(place.copy / KYRIE), "first_night"),
    "a copy removed": (1, lambda place: (place.copy / KYRIE).unlink(), "first_night"),
    "a hard link apart": (
        1,
        lambda place: (
            shutil.copy2(place.copy / "best of/Locus iste.wav", place.copy / "x"),
            (place.copy / "x").rename(place.copy / "best of/Locus iste.wav"),
        ),
        "first_night",
    ),
    "the primary written to": (1, lambda place: os.utime(place.primary / KYRIE), "first_night"),
    "the copy touched on a quiet night": (2, lambda place: os.utime(place.copy / KYRIE), "quiet_night"),
    "something stray in the copy": (3, lambda place: (place.copy / "stray").touch(), "working_day"),
    "a retired version altered": (
        3,
        lambda place: flip(next((place.secondary / "retired").iterdir()) / REMOVED),
        "working_day",
    ),
    "retired emptied": (3, lambda place: shutil.rmtree(next((place.secondary / "retired").iterdir())), "working_day"),
    "a copy lost in the accident": (4, lambda place: (place.copy / KYRIE).unlink(), "accident"),
    "something retired in the held night": (4, lambda place: (place.secondary / "retired/x").touch(), "accident"),
    "the copy of what was brought back altered": (5, lambda place: flip(place.copy / KYRIE), "recovery"),
    "the checksum list": (
        5,
        lambda place: append(place.secondary / "records/checksums.xxh128", f"{'0' * 32}  {KYRIE}\n"),
        "checksums",
    ),
    "the manifests on the secondary": (
        5,
        lambda place: [path.write_bytes(b"x" * 5000) for path in (place.secondary / "records").glob("manifest*")],
        "rehearsal",
    ),
    "a retired version, later": (
        5,
        lambda place: flip(next((place.secondary / "retired").iterdir()) / REMOVED),
        "rehearsal",
    ),
    "another copy decayed while one was mended": (6, lambda place: flip(place.copy / OTHER), "rot"),
    "what had decayed is not kept": (
        6,
        lambda place: [shutil.rmtree(path) for path in (place.secondary / "retired").glob("000006-*")],
        "rot",
    ),
    "the copy itself": (2, lambda place: shutil.rmtree(place.copy), "quiet_night"),
    "an identity card": (4, lambda place: (place.secondary / CARD).unlink(), "recovery"),
}


@pytest.mark.parametrize("name", SABOTAGE)
def test_what_is_not_as_told_is_said(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    night, spoil, where = SABOTAGE[name]
    sabotaged = []

    def meddle(number: int, place: Place) -> None:
        if number == night:
            sabotaged.append(spoil(place))

    assert run_trial(keep=False, folder=tmp_path, json_output=False, meddle=meddle) == 4
    assert sabotaged and list(tmp_path.iterdir()) == []
    said = capsys.readouterr().out
    title = next(each.title for each in CHAPTERS if each.name == where)
    _, told, rest = said.partition(f". {title}\n")
    assert told and "NOT SO" in rest and "NOT SO" not in said[: -len(rest)]
    assert "Not everything was as told" in said and "Where to look" not in said


def test_a_sabotaged_trial_says_so_in_json_and_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def meddle(number: int, place: Place) -> None:
        if number == 1:
            flip(place.copy / KYRIE)

    assert run_trial(keep=True, folder=tmp_path, json_output=True, meddle=meddle) == 4
    document = json.loads(capsys.readouterr().out)
    (own,) = tmp_path.iterdir()
    assert document["as_told"] is False and document["kept_in"] == {"path": str(own)}
    assert [each["as_told"] for each in document["chapters"]] == [False]
    assert differences(Place(own).primary, Place(own).copy, exclude=[CARD], times=False) != []


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_when_stopped_it_cleans_up(number: signal.Signals, public: Path) -> None:
    command = [sys.executable, "-c", AS_THIS_USER, str(public), "keep"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            deadline_s = time.monotonic() + LONGEST_S
            while not list(public.glob("nightferry-trial-*/recordings-second/copy/*")):
                assert time.monotonic() < deadline_s and process.poll() is None
                time.sleep(0.01)
            process.send_signal(number)
            out, err = process.communicate(timeout=LONGEST_S)
        finally:
            process.kill()
    assert (process.returncode, err) == (128 + number, "")
    assert "Stopped; what the trial had made is removed." in out
    assert list(public.iterdir()) == []


def test_signals_are_as_before_afterwards(tmp_path: Path) -> None:
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = [signal.getsignal(number) for number in numbers]

    def meddle(number: int, place: Place) -> None:
        shutil.rmtree(place.copy)

    assert run_trial(keep=False, folder=tmp_path, json_output=False, meddle=meddle) == 4
    assert [signal.getsignal(number) for number in numbers] == before


def test_without_the_tools_it_says_so_and_checks_itself(public: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(public / "nothing here"))
    done = trial(public)
    words = " ".join(done.stdout.split())
    assert (done.returncode, done.stderr) == (0, ""), done.stdout
    assert "our own reading of the list (xxhsum is not installed) finds" in words
    assert "there is no cp here" in words


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(WrongUse, match="existing folder"):
        run_trial(keep=False, folder=tmp_path / "nowhere", json_output=False)
    (tmp_path / "file").touch()
    with pytest.raises(WrongUse, match="existing folder"):
        run_trial(keep=False, folder=tmp_path / "file", json_output=False)
    bad = Path(os.fsdecode(bytes(tmp_path) + b"/\xff"))
    bad.mkdir()
    with pytest.raises(WrongUse, match="UTF-8"):
        run_trial(keep=False, folder=bad, json_output=False)
    assert list(bad.iterdir()) == []


def test_a_folder_with_odd_letters_in_its_name(tmp_path: Path) -> None:
    odd = tmp_path / 'a "quoted"\n\\ folder with \x7f and \x1b[31m'
    odd.mkdir()
    done = trial(odd, "keep")
    assert (done.returncode, done.stderr) == (0, ""), done.stdout
    assert "\x1b" not in done.stdout and "\x7f" not in done.stdout
    (own,) = odd.iterdir()
    assert load(Place(own).config).pair == [Place(own).settings()]


def test_a_terminal_that_knows_only_ascii(public: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONIOENCODING", "ascii")
    done = trial(public)
    assert (done.returncode, done.stderr) == (0, "") and done.stdout.isascii()


def test_a_locale_that_cannot_name_the_files(public: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in (("LC_ALL", "C"), ("PYTHONUTF8", "0"), ("PYTHONCOERCECLOCALE", "0")):
        monkeypatch.setenv(name, value)
    done = trial(public)
    assert "WrongUse" in done.stderr and "C.UTF-8" in done.stderr
    assert list(public.iterdir()) == []


def test_the_command_to_go_on_with_works(public: Path) -> None:
    done = trial(public, "keep")
    (command,) = [line.split() for line in done.stdout.splitlines() if line.lstrip().startswith("nightferry --config")]
    script = "import sys; from nightferry.cli.main import main; sys.exit(main(sys.argv[1:]))"
    said = subprocess.run([sys.executable, "-c", script, *command[1:]], capture_output=True, text=True, check=False)
    assert (said.returncode, said.stderr) == (0, "")
    assert "night 6, complete" in said.stdout


def test_a_drive_without_room(drives: DriveFactory) -> None:
    drive = drives("ext4", 64 * MIB)
    before = sorted(os.listdir(drive.root))
    with pytest.raises(Failed, match="too little room"):
        run_trial(keep=True, folder=drive.root, json_output=False)
    assert sorted(os.listdir(drive.root)) == before


def test_a_file_system_that_cannot_hold_it(drives: DriveFactory) -> None:
    """exFAT has neither links nor every name: the trial says so and leaves nothing."""
    drive = drives("exfat", 300 * MIB)
    with pytest.raises(Failed, match="choose another place"):
        run_trial(keep=True, folder=drive.root, json_output=True)
    assert list(drive.root.glob("nightferry*")) == []
