"""`nightferry plan`, for drives that are not bought yet and for a pair, at several widths of a terminal."""

from __future__ import annotations

import contextlib
import io
import os
import pty
import threading
from pathlib import Path

import pytest
from rich.cells import cell_len

from box import Box, clean_environment
from nightferry.cli.main import main

FIGURES = ("--read", "112MB/s", "--write", "109MB/s", "--size", "1TB")


def test_figures_need_no_configuration(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--config", str(tmp_path / "absent.toml"), "plan", *FIGURES]) == 0
    shown = capsys.readouterr().out
    for words in ("2 h 33 min", "54-89 MB/s", "95 MB/s", "2,000 mA", "A powered hub is needed", "mirror (RAID 1)",
                  "SIGMOD 1988", "IEEE 802.3", "keep a third copy elsewhere", "licensed people"):  # fmt: skip
        assert words in shown, words


def test_without_a_configuration_figures_are_proposed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = ["--config", str(tmp_path / "absent.toml")]
    assert main([*config, "plan"]) == 2
    error = capsys.readouterr().err
    assert "there is no such file" in error
    command = error.split("`")[1].split()
    assert command[0] == "nightferry"
    assert main([*config, *command[1:]]) == 0  # and what is proposed works
    assert main([*config, "plan", "recordings"]) == 2
    capsys.readouterr()


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("--read", "112MB/s"), "--write and --size"),
        (("--read", "112MB", "--write", "109MB/s", "--size", "1TB"), "--read"),
        ((*FIGURES, "--drives", "0"), "0 drives"),
        ((*FIGURES, "--link", "usb9"), "usb3-shared"),
        ((*FIGURES, "--network", "1GB/s"), "--network"),
        ((*FIGURES, "--current", "lots"), "--current"),
        ((*FIGURES, "--used", "2TB"), "more is used"),
        ((*FIGURES, "--annual-failure", "100%"), "--annual-failure"),
        ((*FIGURES, "--bit-error-rate", "nan"), "--bit-error-rate"),
        ((*FIGURES, "--window", "0s"), "--window"),
        ((*FIGURES, "--checksums", "60MB"), "--checksums"),
        (("recordings", *FIGURES), "Either pairs"),
        (("--measure", *FIGURES), "Either pairs"),
    ],
)
def test_what_cannot_be_planned_is_said(args: tuple[str, ...], words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", *args]) == 2
    error = capsys.readouterr().err
    assert words in error
    assert "Traceback" not in error


def test_a_night_that_does_not_fit_wants_attention(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", *FIGURES, "--change", "900GB/day", "--used", "900GB"]) == 1
    assert "does not fit its window" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--used", "1TB"), "21 GB are missing"),  # keep_free is 20 GiB
        (("--link", "sata"), "No USB port feeds these drives"),
        (("--own-supply",), "the drives have a supply of their own"),
        (("--current", "500mA"), "That is enough"),
        (("--checksums", "60MB/s"), "the processor"),
        (("--drives", "1"), "one such drive usually runs all the same"),
        (("--drives", "4"), "40 to 64"),
    ],
)
def test_what_a_person_has_to_know_before_buying_is_said(
    more: tuple[str, ...], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["plan", *FIGURES, *more]) == 0
    assert words in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize("drives", ["1", "2", "3", "4", "6"])
@pytest.mark.parametrize("columns", [60, 80, 120])
def test_no_line_is_wider_than_the_terminal(columns: int, drives: str, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in {**clean_environment(), "COLUMNS": str(columns), "NO_COLOR": "1"}.items():
        monkeypatch.setenv(name, value)
    leader, follower = pty.openpty()
    shown = bytearray()

    def read() -> None:
        with contextlib.suppress(OSError):
            while block := os.read(leader, 65536):
                shown.extend(block)

    reader = threading.Thread(target=read)
    reader.start()
    with os.fdopen(follower, "w") as stream, contextlib.redirect_stdout(stream):
        assert main(["plan", *FIGURES, "--drives", drives]) == 0
    reader.join(timeout=30)
    os.close(leader)
    lines = shown.decode().replace("\x1b[1m", "").replace("\x1b[0m", "").splitlines()
    assert max(map(cell_len, lines)) <= columns
    text = " ".join(" ".join(lines).split())
    assert "Usable room [9]" in text
    assert "…" not in text  # nothing is cut off
    # On a narrow one what limits a time stands behind it, and not in a column of one word a line.
    assert any(line.rstrip().endswith("2 h 02 min, the secondary") for line in lines) == (columns == 60)


def test_a_pair_without_rates_says_how_to_get_them(box: Box) -> None:
    box.ok("plan", code=4)
    box.ok("pair", "--yes", "recordings")
    done = box.run("plan", "recordings")
    assert done.returncode == 4
    assert "nightferry plan --measure recordings" in done.stderr


def test_a_pair_after_nights_is_planned_from_what_they_reached(box: Box) -> None:
    box.ok("pair", "--yes", "recordings")
    box.fill(files=3, size_bytes=64 << 20)  # what takes less than 0.05 s tells no rate
    box.ok("run")
    document = box.json("plan", "recordings")["pairs"][0]
    assert document["rates"]["copying"] > 0
    assert document["first_copy"]["copy_s"] > 0
    assert document["nights"]["copy"]["count"] == 1
    assert document["measured"] is None
    text = box.ok("plan")
    assert "Reached by nights" in text
    assert "nightferry plan --measure recordings" in text


def test_measuring_by_the_command_line(box: Box) -> None:
    box.ok("pair", "--yes", "recordings")
    box.fill(files=3, size_bytes=12 << 20)
    out = io.StringIO()
    with contextlib.redirect_stderr(out):
        text = box.ok("plan", "--measure")
    assert "Read and written at once" in text
    assert os.listdir(box.secondary() / "staging") == []
