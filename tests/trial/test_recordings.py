"""The invented primary has what a trial needs, the same every time, and every part of it is real."""

from __future__ import annotations

import os
import subprocess
import sys
import wave
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from pngdecoder import decode

from compare import differences
from nightferry.trial.recordings import make_recordings


@pytest.fixture(scope="module")
def primary(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("primary")
    make_recordings(root)
    return root


def found(primary: Path, *tests: str) -> list[Path]:
    """By ``find``."""
    said = subprocess.run(["find", primary, *tests, "-print0"], capture_output=True, check=True).stdout
    return [Path(os.fsdecode(path)) for path in said.split(b"\0")[:-1]]


def test_a_second_making_gives_the_same_tree(primary: Path, tmp_path: Path) -> None:
    make_recordings(tmp_path)
    # Dates of folders and symlinks are those of the making.
    assert differences(primary, tmp_path, times=False) == []
    for path in found(primary, "-type", "f"):
        assert (tmp_path / path.relative_to(primary)).stat().st_mtime_ns == path.stat().st_mtime_ns
        assert path.stat().st_mtime_ns % 1_000_000_000 == 123_456_789, "a date to the nanosecond"


def test_its_size(primary: Path) -> None:
    files = found(primary, "(", "-type", "f", "-o", "-type", "l", ")")
    assert 60 <= len(files) <= 120
    assert 15e6 <= sum(path.lstat().st_size for path in files) <= 40e6


def test_every_recording_plays_and_every_picture_opens(primary: Path) -> None:
    recordings, pictures = found(primary, "-name", "*.wav"), found(primary, "-name", "*.png", "-type", "f")
    assert len(recordings) >= 40 and len(pictures) >= 10
    for path in recordings:
        with wave.open(str(path)) as file:
            assert 2 <= file.getnframes() / file.getframerate() <= 20
    assert len({path.read_bytes() for path in recordings}) == len(recordings) - 1, "only the hard link is a second one"
    for path in pictures:
        decode(path.read_bytes())


def test_the_odd_names_and_links_are_there(primary: Path) -> None:
    assert len(found(primary, "-type", "f", "-links", "2")) == 2
    for tests in (["-name", "*Übers*"], ["-name", "*\n*"], ["-type", "d", "-empty"]):
        assert len(found(primary, *tests)) == 1
    (link,) = found(primary, "-type", "l")
    assert not link.readlink().is_absolute() and link.resolve(strict=True).is_relative_to(primary.resolve())


def test_the_playlist_leads_to_recordings(primary: Path) -> None:
    (playlist,) = found(primary, "-name", "*.m3u8")
    names = [line for line in playlist.read_text().splitlines() if not line.startswith("#")]
    assert len(names) == 3
    for name in names:
        with wave.open(str(playlist.parent / name)) as file:
            assert file.getnframes()


def test_what_cannot_be_written_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "members.csv").mkdir()
    with pytest.raises(OSError, match="Is a directory"):
        make_recordings(tmp_path)
