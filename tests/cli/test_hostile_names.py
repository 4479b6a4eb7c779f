"""Any name that the kernel allows, in every output: shown safely, and told apart from every other."""

from __future__ import annotations

import base64
import json
import os
import subprocess

import pytest

from box import Box, clean_environment
from nightferry.units import show_name
from trees import RAW_NAMES

MORE = ["\u202egnp.wav".encode(), "\u2028line".encode(), b"\x9b31m C1", b"\x7fdel", b"[bold]x[red]"]
NAMES = [*RAW_NAMES.values(), *MORE]
# What acts on a terminal: C0 but for the newline, DEL, C1 (as UTF-8), separators and directions of writing.
ACTING = [bytes([n]) for n in (*range(10), *range(11, 32), 127)] + [
    chr(n).encode() for n in (*range(0x80, 0xA0), 0x2028, 0x2029, 0x202A, 0x202B, 0x202C, 0x202D, 0x202E)
]


@pytest.fixture
def hostile(box: Box) -> Box:
    box.ok("pair", "--yes", "recordings")
    folder = os.fsencode(box.primary()) + b"/folder \x1b]0;title\x07\n"
    os.mkdir(folder)
    for name in NAMES:
        with open(os.path.join(folder, name), "wb") as file:
            file.write(b"x")
        os.mkfifo(os.path.join(folder, b"pipe " + name[:200]))
    return box


def raw(box: Box, *args: str) -> bytes:
    done = subprocess.run(
        box.command(*args), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, timeout=120,
        env=clean_environment(), check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout
    return done.stdout


def test_no_output_acts_on_a_terminal_and_every_name_is_there(hostile: Box) -> None:
    for args in (
        ("tonight",), ("tonight", "--all"), ("tonight", "--all", "--json"), ("run",), ("status",), ("status", "--json"),
        ("lastnight",), ("lastnight", "--all"), ("lastnight", "--all", "--json"),
    ):  # fmt: skip
        output = raw(hostile, *args)
        for acting in ACTING:
            assert acting not in output, (args, acting)
        if args[-1] == "--all":
            lines = output.decode().splitlines()
            for name in NAMES:
                shown = show_name(b"folder \x1b]0;title\x07\n/" + name)
                assert [line for line in lines if line.startswith("added") and line.endswith(shown)], (args, name)


def test_json_has_every_name_as_it_is(hostile: Box) -> None:
    hostile.ok("run")
    found = json.loads(hostile.ok("lastnight", "--all", "--json"))["pairs"][0]["changes"]
    names = {
        base64.b64decode(each["path_bytes"]) if "path_bytes" in each else each["path"].encode()
        for each in found
        if not each["folder"]
    }
    assert names == {b"folder \x1b]0;title\x07\n/" + name for name in NAMES}
