"""The checksum list of a copy, checked with the ordinary tool where it is installed and by hand otherwise."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from base64 import b64decode
from dataclasses import dataclass
from pathlib import Path

import xxhash

LIST = "checksums.xxh128"
LEFT_OUT = "checksums.left-out.jsonl"
COMMAND = f"xxhsum -c ../records/{LIST}"

_LIMIT_S = 120
_BLOCK_BYTES = 1 << 20


@dataclass(frozen=True)
class Verdict:
    with_tool: bool  # xxhsum did it
    names: frozenset[bytes]  # that a list speaks of, all of them checked
    left_out: frozenset[bytes]  # of these: whose names the list's format cannot carry
    wrong: tuple[str, ...]  # what was found amiss, a line each


def check_list(secondary: Path) -> Verdict:
    """Checks ``copy/`` against the lists in ``records/``. Raises ``OSError`` where they cannot be read."""
    copy = secondary / "copy"
    listed = _read_list(secondary / "records" / LIST)
    left_out = _read_left_out(secondary / "records" / LEFT_OUT)
    tool = shutil.which("xxhsum")
    wrong = _by_tool(tool, copy) if tool else _by_hand(listed, copy)
    wrong += _by_hand(left_out, copy)
    return Verdict(tool is not None, frozenset(listed | left_out), frozenset(left_out), tuple(wrong))


def _read_list(path: Path) -> dict[bytes, str]:
    lines = path.read_bytes().removesuffix(b"\n").split(b"\n")
    return {name: checksum.decode("ascii") for checksum, name in (line.split(b"  ", 1) for line in lines)}


def _read_left_out(path: Path) -> dict[bytes, str]:
    if not path.exists():
        return {}
    found = {}
    for line in path.read_text().splitlines():
        record = json.loads(line)
        name = b64decode(record["path_bytes"]) if "path_bytes" in record else record["path"].encode()
        found[name] = record["checksum"]
    return found


def _by_tool(tool: str, copy: Path) -> list[str]:
    done = subprocess.run(
        [tool, "-c", f"../records/{LIST}"], cwd=copy, capture_output=True, timeout=_LIMIT_S, check=False
    )
    if done.returncode == 0:
        return []
    lines = (done.stdout + done.stderr).decode(errors="replace").splitlines()
    return [line for line in lines if not line.endswith(": OK")] or [f"xxhsum ended with {done.returncode}"]


def _by_hand(listed: dict[bytes, str], copy: Path) -> list[str]:
    wrong = []
    for name, checksum in listed.items():
        try:
            found = _checksum(os.path.join(os.fsencode(copy), name))
        except OSError as error:
            wrong.append(f"{os.fsdecode(name)}: {error.strerror}")
            continue
        if found != checksum:
            wrong.append(f"{os.fsdecode(name)}: {found}, not {checksum} as listed")
    return wrong


def _checksum(path: bytes) -> str:
    hasher = xxhash.xxh3_128()
    with open(path, "rb") as file:
        while block := file.read(_BLOCK_BYTES):
            hasher.update(block)
    return hasher.hexdigest()
