"""The lists beside the copy, read by the tools they are for."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from pathlib import Path

import pytest
import xxhash
from hypothesis import given
from hypothesis import strategies as st

from nightferry.manifest.checksums import Format, format_of, left_out_line

NAMES = [
    b"01 kyrie.wav",
    b" leading and trailing ",
    b"-n",
    b"back\\slash",
    b"\xff\xfe invalid",
    b"tab\there",
    b"\x1b[31mred",
    b"*star",
    b"new\nline",
    b"carriage\rreturn",
    b"x" * 255,
]


@pytest.mark.parametrize(
    ("form", "tool", "new"),
    [
        (Format.XXH3_128, "xxhsum", xxhash.xxh3_128),
        (Format.SHA256, "sha256sum", hashlib.sha256),
        (Format.BLAKE2B, "b2sum", hashlib.blake2b),
    ],
)
def test_rule_K_the_ordinary_tool_reads_its_list(tmp_path: Path, form: Format, tool: str, new) -> None:
    if shutil.which(tool) is None:
        pytest.skip(f"needs {tool}")
    copy = tmp_path / "copy"
    copy.mkdir()
    listed = []
    for number, name in enumerate(NAMES):
        content = b"voice %d" % number
        (copy / name.decode("utf-8", "surrogateescape")).write_bytes(content)
        line = form.line(name, new(content).digest())
        if line is None:
            assert form is Format.XXH3_128
            assert b"\n" in name or b"\r" in name
        else:
            listed.append(line)
    (tmp_path / "list").write_bytes(b"".join(listed))
    done = subprocess.run([tool, "-c", "../list"], cwd=copy, capture_output=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count(b": OK") == len(listed)
    # and it does look: one changed byte is found
    (copy / "01 kyrie.wav").write_bytes(b"voice x")
    assert subprocess.run([tool, "-c", "../list"], cwd=copy, capture_output=True, check=False).returncode != 0


def test_a_path_no_tool_can_open_is_left_out() -> None:
    deep = b"/".join([b"d" * 200] * 25)
    for form in Format:
        assert form.line(deep, b"\x00" * 16) is None
        assert form.line(deep[:4095], b"\x00" * 16) is not None


_NAME = st.one_of(
    st.sampled_from(NAMES), st.binary(min_size=1, max_size=9).filter(lambda name: not {b"\0"[0], b"/"[0]} & set(name))
)


@given(
    st.sampled_from([b"", b"2026-05 concert", b"back\\slash", b"two\nlines", b"d" * 3_839, b"d" * 3_840]),
    st.lists(_NAME),
)
def test_the_lines_of_a_folder_are_those_of_its_files(folder: bytes, names: list[bytes]) -> None:
    for form in Format:
        files = [(name, bytes([number % 256]) * 16) for number, name in enumerate(names)]
        one_by_one = [form.line(folder + b"/" + name if folder else name, digest) for name, digest in files]
        together = form.lines(folder, files)
        if together is not None:
            assert together == b"".join(line for line in one_by_one if line is not None)
            assert None not in one_by_one


def test_plain_names_need_no_care_one_by_one() -> None:
    for form in Format:
        assert form.lines(b"2026-05 concert", [(b"01 kyrie.wav", b"\x01" * 16)]) is not None


@given(st.binary(min_size=1, max_size=60).filter(lambda name: b"\0" not in name))
def test_every_line_is_one_line(path: bytes) -> None:
    for form in Format:
        line = form.line(path, b"\x01" * 16)
        assert line is None or (line.count(b"\n") == 1 and line.endswith(b"\n"))
    record = json.loads(left_out_line(path, "xxh3_128", b"\x01" * 16))
    assert record["checksum"] == "01" * 16
    assert left_out_line(path, "xxh3_128", b"").count(b"\n") == 1


def test_formats_are_found_by_the_setting() -> None:
    assert {format_of(name).list_name for name in ("xxh3_128", "sha256", "blake2b")} == {
        b"checksums.xxh128",
        b"checksums.sha256",
        b"checksums.blake2b",
    }
