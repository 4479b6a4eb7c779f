"""The log: one line an event, with pair, run and path; no value can break a line or act on a terminal."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import shlex
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from box import CONCERT, Box
from nightferry.reporting.look.logs import Logger
from nightferry.reporting.look.progress import Log

# Names that a drive can hold, and what they would do: a new line, colours, a title, a bell, another direction of
# writing (Unicode's Cf), line ends that are none of ASCII's, and no UTF-8 at all.
NASTY = [
    b"01\nlevel=error event=faked", b"\x1b[31mred\x1b[0m", b"\x1b]0;title\x07", "\u202egnp.exe".encode(),
    "a\u2028b\u2029c\x85d".encode(), b"\xff\xfe\x80", b"\r\n", b'"quoted" \\ and = more', b"\x00", b"\x9b31m",
]  # fmt: skip


def lines(log: io.StringIO) -> list[str]:
    text = log.getvalue()
    assert text.endswith("\n")
    found = text[:-1].split("\n")
    for line in found:
        # Controls, format characters such as changes of direction, halves of pairs, and the separators of lines.
        assert not {unicodedata.category(each) for each in line} & {"Cc", "Cf", "Cs", "Zl", "Zp"}, repr(line)
    return found


@pytest.mark.parametrize("name", NASTY)
def test_rule_H_a_name_is_one_value_of_one_line(name: bytes) -> None:
    log = io.StringIO()
    told = Log("recordings", log)
    told.note("started", number=7)
    told.note("not copied", kind="unreadable", path=name, why=f"it says {os.fsdecode(name)}")
    first, line = lines(log)
    assert "run=7" in first
    words = dict(word.split("=", 1) for word in shlex.split(line))
    assert (words["event"], words["pair"], words["run"], words["kind"]) == (
        "not copied",
        "recordings",
        "7",
        "unreadable",
    )
    assert set(words) == {"at", "event", "pair", "run", "kind", "path", "why"}


@settings(deadline=None)
@given(st.text(), st.binary(max_size=300), st.lists(st.text(), max_size=4))
def test_rule_H_whatever_a_value_is(text: str, name: bytes, several: list[str]) -> None:
    log = io.StringIO()
    Logger(log, pair="recordings").warning("event", text=text, path=name, several=several)
    (line,) = lines(log)
    assert "level=warning" in line and "pair=recordings" in line


@settings(deadline=None)
@given(st.text(), st.binary(max_size=300))
def test_the_journal_gets_json(text: str, name: bytes) -> None:
    read, write = os.pipe()
    with open(read, encoding="ascii") as reader:
        with open(write, "w", encoding="ascii") as stream:
            state = os.fstat(stream.fileno())
            with pytest.MonkeyPatch.context() as patch:
                patch.setenv("JOURNAL_STREAM", f"{state.st_dev}:{state.st_ino}")  # systemd.exec(5)
                Logger(stream, pair="recordings").error("it failed", text=text, path=name)
        content = reader.read()
    assert content.count("\n") == 1 and content.endswith("\n")
    found = json.loads(content)
    assert (found["event"], found["level"], found["pair"]) == ("it failed", "error", "recordings")


def test_a_stream_that_nobody_reads_ends_nothing() -> None:
    read, write = os.pipe()
    os.close(read)
    stream = open(write, "w", buffering=1, encoding="ascii")  # noqa: SIM115 - closing it would say what is held
    log = Logger(stream)
    for _ in range(3):
        log.info("event")
    with contextlib.suppress(BrokenPipeError):
        stream.close()


def test_a_night_says_what_it_decided(tmp_path: Path) -> None:
    """One event each: what is not copied and why, the hold, and how it ended."""
    box = Box(tmp_path)
    box.fill(files=20)
    box.ok("pair", "--yes", "recordings")
    os.mkfifo(box.primary() / "a\npipe")
    done = box.run("run")
    assert done.returncode == 0, done.stderr
    events = [dict(word.split("=", 1) for word in shlex.split(line)) for line in done.stderr.splitlines()]
    assert {each["pair"] for each in events} == {"recordings"}
    assert {each.get("run") for each in events} == {"1", None}  # None: before it had begun
    (left,) = (each for each in events if each["event"] == "not copied")
    assert re.fullmatch(r"a.+pipe", left["path"]) and left["kind"] == "unsupported"
    (end,) = (each for each in events if each["event"] == "ended")
    assert (end["outcome"], end["added"], end["open_damage"]) == ("complete", "20", "0")
    for path in sorted((box.primary() / CONCERT).iterdir())[1:]:
        path.unlink()
    done = box.run("run")
    events = [dict(word.split("=", 1) for word in shlex.split(line)) for line in done.stderr.splitlines()]
    (held,) = (each for each in events if each["event"] == "held")
    assert held["run"] == "2" and held["reasons"]
