"""The manual page: sound roff by mandoc's own checks, and all that the command line offers stands in it."""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from nightferry.cli.main import COMMANDS, build_parser, main
from nightferry.reporting.look import exits


@pytest.fixture
def page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    assert main(["--print-manual"]) == 0
    path = tmp_path / "nightferry.1"
    path.write_text(capsys.readouterr().out, encoding="ascii")
    return path


def shown(page: Path, columns: int) -> str:
    """As a reader sees it, without bold and underlined letters, each of which overstrikes another (grotty(1))."""
    if shutil.which("mandoc") is None:
        pytest.skip("mandoc is not installed")
    done = subprocess.run(
        ["mandoc", "-Tutf8", f"-Owidth={columns}", page], capture_output=True, text=True, timeout=60, check=True
    )
    return re.sub(".\b", "", done.stdout)


def test_mandoc_finds_nothing_wrong(page: Path) -> None:
    if shutil.which("mandoc") is None:
        pytest.skip("mandoc is not installed")
    done = subprocess.run(
        ["mandoc", "-Tlint", "-Wwarning", page], capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.stdout, done.returncode) == ("", 0)
    page.write_text(page.read_text() + ".TP\n.no-such-request\n")
    done = subprocess.run(
        ["mandoc", "-Tlint", "-Wwarning", page], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode != 0  # what is wrong would be found


def test_every_command_option_and_exit_code_is_in_it(page: Path) -> None:
    text = shown(page, 80)
    words = " ".join(text.split())
    for section in ("NAME", "SYNOPSIS", "OPTIONS", "COMMANDS", "EXIT STATUS", "FILES", "ENVIRONMENT"):
        assert f"\n{section}\n" in text
    assert re.search("nightferry [-\N{EN DASH}] keeps an independent copy", words)
    parser = build_parser()
    commands = next(each for each in parser._actions if isinstance(each, argparse._SubParsersAction))
    for name, command in commands.choices.items():
        assert f"\n   {name}\n" in text
        for action in command._actions:
            for option in action.option_strings:
                assert (option in words) == (action.help != argparse.SUPPRESS), (name, option)
        for line in COMMANDS[name].EXAMPLE.splitlines():
            assert line.strip() in text, line
    for code, meaning in exits.TABLE:
        assert f"{code} {meaning}" in words


def test_only_examples_are_wider_than_the_screen(page: Path) -> None:
    for line in shown(page, 80).splitlines():
        assert len(line) <= 80 or "nightferry " in line, line
