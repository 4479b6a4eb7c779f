"""Paths in commands to be copied: what a real shell makes of them is the path, and nothing runs."""

from __future__ import annotations

import shutil
import subprocess

import pytest

from nightferry.typed import typed
from trees import RAW_NAMES

HOSTILE = [
    b"$(touch ran)", b"`touch ran`", b"; touch ran", b"'; touch ran; '", b'"; touch ran; "', b"a\\b", b"*", b"~", b"!x",
    b"two\nlines\t", b"\x1b[31m", b"h\xffndel's", b"-rf", b"--restore", "\u202egnp \u00fcbung".encode(), b"# no",
    b"2026-05 spring concert/01 kyrie.wav",
]  # fmt: skip


@pytest.mark.parametrize("shell", ["bash", "zsh"])
def test_rule_H_a_shell_gives_the_path_to_the_command(shell: str) -> None:
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not installed")
    paths = [*HOSTILE, *RAW_NAMES.values()]
    script = b"".join(b"printf '%s\\0' " + typed(path).encode("utf-8", "surrogateescape") + b"\n" for path in paths)
    done = subprocess.run(
        [shell, "-c", script], capture_output=True, check=True, timeout=60, env={"LC_ALL": "C.UTF-8", "PATH": "/bin"}
    )
    assert done.stderr == b""
    assert done.stdout.split(b"\0")[:-1] == [b"./" + path if path.startswith(b"-") else path for path in paths]


def test_it_can_be_shown() -> None:
    assert all(typed(path).isprintable() for path in HOSTILE)
