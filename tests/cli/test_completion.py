"""Completion as the shells themselves do it: real ones, with the script that is printed."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import shutil
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from box import Box, clean_environment
from nightferry.cli.completion import SHELLS
from nightferry.cli.main import main

_LIMIT_S = 60.0


class Typed:
    """A shell on a terminal, and somebody who types."""

    def __init__(self, command: list[str], environment: dict[str, str]) -> None:
        self._pid, self._fd = pty.fork()
        if self._pid == 0:
            os.execvpe(command[0], command, environment)
        # A line that is broken would have the completed word broken too.
        fcntl.ioctl(self._fd, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 400, 0, 0))
        self._seen = ""

    def type(self, keys: str, until: str) -> None:
        """Types keys and waits for what the terminal then shows; fails where it does not come."""
        self._seen = ""
        os.write(self._fd, keys.encode())
        end_s = time.monotonic() + _LIMIT_S
        while until not in self._seen:
            if time.monotonic() > end_s:
                pytest.fail(f"after {keys!r} {until!r} did not come, but {self._seen!r}")
            if select.select([self._fd], [], [], 0.2)[0]:
                self._seen += os.read(self._fd, 65536).decode(errors="replace")

    def close(self) -> None:
        os.close(self._fd)  # the shell gets SIGHUP
        os.waitpid(self._pid, 0)


def needs(shell: str) -> None:
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not installed")


def environment(box: Box) -> dict[str, str]:
    """In which ``nightferry`` is a command, as after an installation."""
    commands = box.root / "bin"
    commands.mkdir(exist_ok=True)
    command = commands / "nightferry"
    command.write_text(f'#!/bin/sh\nexec {sys.executable} -m nightferry "$@"\n')
    command.chmod(0o755)
    return {
        **clean_environment(), "PATH": f"{commands}:{os.environ['PATH']}", "HOME": str(box.root), "TERM": "dumb",
        "NIGHTFERRY_CONFIG": str(box.config),
    }  # fmt: skip


def another(box: Box) -> Path:
    """Another configuration, with a pair that the usual one has not."""
    other = box.root / "other.toml"
    other.write_text(box.config.read_text().replace('"scores"', '"lectures"'))
    return other


def script(shell: str, path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    assert main(["--print-completion", shell]) == 0
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(capsys.readouterr().out)
    return path


@pytest.mark.parametrize("shell", ["bash", "zsh"])
def test_commands_options_choices_and_pairs_are_completed(
    shell: str, box: Box, capsys: pytest.CaptureFixture[str]
) -> None:
    needs(shell)
    box.configure(("recordings", "scores"))
    given = environment(box)
    if shell == "bash":
        path = script(shell, box.root / "nightferry.bash", capsys)
        typed = Typed(["bash", "--norc", "--noprofile", "-i"], {**given, "PS1": "$ "})
        begin = f"source {path}"
    else:
        path = script(shell, box.root / "functions" / "_nightferry", capsys)
        typed = Typed(["zsh", "-f", "-i"], {**given, "PS1": "$ "})
        begin = f"fpath=({path.parent} $fpath); autoload -U compinit; compinit -u -D"
    try:
        typed.type(f"{begin}; echo re''ady\n", "ready")
        for keys, completed in (
            ("nightferry stat\t", "status "),
            ("nightferry status rec\t", "recordings "),
            ("nightferry release sc\t", "scores "),
            ("nightferry restore rec\t", "recordings "),
            ("nightferry status --fol\t", "--follow "),
            ("nightferry verify --side sec\t", "secondary "),
        ):
            typed.type(keys, completed)
            typed.type("\x15\n", "$ ")  # the line is taken back
        if shell == "zsh":
            typed.type("nightferry verify --side=sec\t", "secondary ")
            typed.type("\x15\n", "$ ")
        other = another(box)
        for way in (f"--config {other} mend", f"--config={other} status"):
            typed.type(f"nightferry {way} lec\t", "lectures ")
            typed.type("\x15\n", "$ ")
        typed.type(f"export NIGHTFERRY_CONFIG={other}; echo ta''ken\n", "taken")
        typed.type("nightferry status lec\t", "lectures ")
    finally:
        typed.close()


def test_fish_completes(box: Box, capsys: pytest.CaptureFixture[str]) -> None:
    needs("fish")
    box.configure(("recordings", "scores"))
    given = environment(box)
    other = another(box)
    script("fish", box.root / ".config/fish/completions/nightferry.fish", capsys)
    for words, completed, config in (
        ("nightferry stat", "status", box.config),
        ("nightferry status rec", "recordings", box.config),
        ("nightferry status --fol", "--follow", box.config),
        ("nightferry verify --side sec", "secondary", box.config),
        (f"nightferry --config {other} mend lec", "lectures", box.config),
        (f"nightferry --config={other} status lec", "lectures", box.config),
        ("nightferry status lec", "lectures", other),
    ):
        done = subprocess.run(
            ["fish", "-c", f'complete -C "{words}"'], env={**given, "NIGHTFERRY_CONFIG": str(config)},
            capture_output=True, text=True, timeout=60, check=True,
        )  # fmt: skip
        assert [line.split("\t")[0] for line in done.stdout.splitlines()] == [completed], done


@pytest.mark.parametrize("shell", SHELLS)
def test_hidden_options_are_not_offered(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--print-completion", shell]) == 0
    assert "by-daemon" not in capsys.readouterr().out


def test_names_of_pairs_are_told_quietly(box: Box, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    box.configure(("recordings", "scores"))
    assert box.ok("--print-pairs") == "recordings\nscores\n"
    assert main(["--config", str(tmp_path / "none.toml"), "--print-pairs"]) == 0
    assert capsys.readouterr() == ("", "")
