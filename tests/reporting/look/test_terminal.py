"""What is shown fits, is plain on a pipe, and never acts on a terminal."""

from __future__ import annotations

import contextlib
import io
import os
import pty
import sys
import threading

import pytest
from rich.cells import cell_len

from nightferry.reporting.look.terminal import Screen, printable
from nightferry.reporting.look.unbroken import JOINT
from nightferry.units import show_name
from trees import RAW_NAMES

LONG = "Removed and replaced versions are kept until 2026-06-03 at the earliest, and for thirty completed nights. " * 3


def fill(screen: Screen) -> None:
    screen.heading("recordings: night 12, complete", "sound")
    screen.text(LONG)
    screen.point(LONG, state="attention")
    screen.table(
        (">files", ">size", "changes", "folder"),
        [("12,345", "1.4 GiB", "12 added, 3 changed, 1 moved", show_name(name) + "/") for name in RAW_NAMES.values()],
    )


def on_terminal(columns: int, monkeypatch: pytest.MonkeyPatch, **env: str) -> str:
    leader, follower = pty.openpty()
    for name in ("NO_COLOR", "FORCE_COLOR"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLUMNS", str(columns))
    for name, value in env.items():
        monkeypatch.setenv(name, value)
    shown = bytearray()

    def read() -> None:
        with contextlib.suppress(OSError):  # EIO: the other side is closed
            while block := os.read(leader, 65536):
                shown.extend(block)

    reader = threading.Thread(target=read)
    reader.start()
    with os.fdopen(follower, "w") as stream:
        fill(Screen(stream))
    reader.join(timeout=30)
    os.close(leader)
    return shown.decode().replace("\r\n", "\n")


@pytest.mark.parametrize("columns", [60, 80, 160])
def test_no_line_is_wider_than_the_terminal(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    shown = on_terminal(columns, monkeypatch, NO_COLOR="1")
    lines = shown.replace("\x1b[1m", "").replace("\x1b[0m", "").splitlines()
    assert max(map(cell_len, lines)) <= columns
    assert "12,345" in shown and "1.4 GiB" in shown and "12 added, 3 changed, 1 moved" in shown


def test_colours_on_a_terminal_and_none_with_no_color(monkeypatch: pytest.MonkeyPatch) -> None:
    assert "\x1b[1;32m" in on_terminal(80, monkeypatch)
    assert "\x1b[1;32m" not in on_terminal(80, monkeypatch, NO_COLOR="1")


def test_a_pipe_gets_whole_plain_lines() -> None:
    stream = io.StringIO()
    fill(Screen(stream))
    shown = stream.getvalue()
    assert "\x1b" not in shown
    assert LONG.strip() in shown.splitlines()
    assert all(line == line.rstrip() for line in shown.splitlines())
    for name in RAW_NAMES.values():
        assert any(line.endswith(show_name(name) + "/") for line in shown.splitlines()), name


def test_a_narrow_terminal_still_shows_all_of_a_name(monkeypatch: pytest.MonkeyPatch) -> None:
    shown = on_terminal(60, monkeypatch, NO_COLOR="1")
    assert shown.count("a") >= 248  # the name of 255 bytes, folded


def test_printable_leaves_what_is_shown_already() -> None:
    assert printable(r"a\x1b[31m b\\c") == r"a\x1b[31m b\\c"
    assert printable("a\x1b[31m") == r"a\x1b[31m"
    assert printable("two\nlines") == "two\nlines"
    assert printable("\u202egnp") == r"\u202egnp"


def test_no_line_ends_within_a_number_a_moment_or_a_command(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = (
        "1,234.5 GiB",
        "30 d",
        "2 h 33 min",
        "7 min 03 s",
        "1,200 mA",
        "2026-05-03 02:30 +02:00",
        "`nightferry run --without-window recordings`",
    )
    sentence = " ".join(f"{'word ' * number}{each}" for number in range(9) for each in whole)
    monkeypatch.setattr(sys.modules[__name__], "fill", lambda screen: (screen.text(sentence), screen.point(sentence)))
    lines = on_terminal(60, monkeypatch, NO_COLOR="1").splitlines()
    for each in whole:
        assert sum(line.count(each) for line in lines) == 18, each
    assert max(map(cell_len, lines)) <= 60


def test_a_name_that_has_the_mark_for_unbroken_spaces_is_shown_as_it_is() -> None:
    stream = io.StringIO()
    Screen(stream).text(f"it is {show_name(JOINT.encode())} and {JOINT}")
    assert stream.getvalue() == "it is \\ufdd0 and \\ufdd0\n"
