"""The list is really checked, with the tool and without it."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from nightferry.trial.checksumlist import check_list

ODD = b"note\nto the altos.txt"

needs_xxhsum = pytest.mark.skipif(shutil.which("xxhsum") is None, reason="needs xxhsum")


def xxhsum(path: Path) -> str:
    """By the reference program."""
    content = path.read_bytes()
    return subprocess.run(["xxhsum", "-H2"], input=content, capture_output=True, check=True).stdout[:32].decode()


@pytest.fixture(params=["with xxhsum", "without"])
def secondary(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    copy, records = tmp_path / "copy", tmp_path / "records"
    (copy / "concert").mkdir(parents=True)
    records.mkdir()
    (copy / "concert/01 kyrie.wav").write_bytes(b"la" * 1000)
    (copy / ODD.decode()).write_bytes(b"Bar 12 is an F.")
    checksums = {path: xxhsum(path) for path in copy.rglob("*") if path.is_file()}
    lines = [f"{checksums[copy / 'concert/01 kyrie.wav']}  concert/01 kyrie.wav\n"]
    (records / "checksums.xxh128").write_text("".join(lines))
    left_out = {"path": ODD.decode(), "algorithm": "xxh3_128", "checksum": checksums[copy / ODD.decode()]}
    (records / "checksums.left-out.jsonl").write_text(json.dumps(left_out) + "\n")
    if request.param == "without":
        monkeypatch.setenv("PATH", str(tmp_path))
    return tmp_path


@needs_xxhsum
def test_a_copy_that_is_as_listed(secondary: Path) -> None:
    verdict = check_list(secondary)
    assert verdict.wrong == ()
    assert verdict.with_tool == (shutil.which("xxhsum") is not None)
    assert (verdict.names, verdict.left_out) == ({b"concert/01 kyrie.wav", ODD}, {ODD})


@needs_xxhsum
@pytest.mark.parametrize("name", ["concert/01 kyrie.wav", ODD.decode()])
def test_one_wrong_byte_or_a_missing_file_is_found(secondary: Path, name: str) -> None:
    path = secondary / "copy" / name
    content = bytearray(path.read_bytes())
    content[5] ^= 1
    path.write_bytes(content)
    assert len(check_list(secondary).wrong) >= 1
    path.unlink()
    assert len(check_list(secondary).wrong) >= 1


@needs_xxhsum
def test_without_a_list_there_is_no_verdict(secondary: Path) -> None:
    (secondary / "records/checksums.xxh128").unlink()
    with pytest.raises(FileNotFoundError):
        check_list(secondary)
