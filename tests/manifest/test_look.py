"""Reading a manifest without a trace: quiet, in use, after a crash, and overtaken by a run."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from box import everything
from nightferry.errors import Busy, Failed
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.tree.effects import Effects

EFFECTS = Effects()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    folder = tmp_path / "state %3f#?"  # what a URI would take for its own
    folder.mkdir()
    manifest = Manifest.create(folder / FILE_NAME, EFFECTS, pair_id="an id", pair_name="recordings")
    manifest.runs.start(1, "000001", 1000.0)
    manifest.close()
    return folder / FILE_NAME


@pytest.fixture
def crashed(path: Path, tmp_path: Path) -> Path:
    """The files as a crash leaves them: copied while a connection was open and its log full."""
    manifest = Manifest.open(path, EFFECTS)
    manifest.runs.start(2, "000002", 2000.0)
    left = tmp_path / "left"
    shutil.copytree(path.parent, left)
    manifest.close()
    assert (left / (FILE_NAME + "-wal")).stat().st_size > 0
    return left / FILE_NAME


def test_a_quiet_one(path: Path) -> None:
    before = everything(path.parent)
    with Manifest.look(path, EFFECTS, in_use=False) as manifest:
        assert manifest.pair_id == "an id" and manifest.runs.last() is not None
        assert everything(path.parent) == before
    assert everything(path.parent) == before


def test_after_a_crash_it_sees_what_stands_in_the_log(crashed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    temporary = crashed.parent.parent / "temporary"
    temporary.mkdir()
    monkeypatch.setenv("TMPDIR", str(temporary))
    before = everything(crashed.parent)
    with Manifest.look(crashed, EFFECTS, in_use=False) as manifest:
        last = manifest.runs.last()
        assert last is not None and last.number == 2
        assert len(os.listdir(temporary)) == 1
    assert everything(crashed.parent) == before
    assert os.listdir(temporary) == []


def test_no_place_for_the_copy_is_said(crashed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TMPDIR", "/proc/nowhere")
    with pytest.raises(Failed, match="TMPDIR"), Manifest.look(crashed, EFFECTS, in_use=False):
        pass


def test_in_use_it_reads_along_with_the_writer(path: Path) -> None:
    writer = Manifest.open(path, EFFECTS)
    writer.runs.start(2, "000002", 2000.0)
    with Manifest.look(path, EFFECTS, in_use=True) as manifest:
        last = manifest.runs.last()
        assert last is not None and last.number == 2
        writer.runs.start(3, "000003", 3000.0)
    writer.close()


def test_a_run_that_begins_meanwhile_is_noticed(path: Path) -> None:
    with pytest.raises(Busy, match="began to write"), Manifest.look(path, EFFECTS, in_use=False) as manifest:
        assert manifest.pair_id == "an id"
        writer = Manifest.open(path, EFFECTS)
        writer.runs.start(2, "000002", 2000.0)
        writer.close()


def test_one_that_is_damaged_is_said(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(content[:4096] + bytes(len(content) - 4096))
    with pytest.raises(Failed, match="manifest"), Manifest.look(path, EFFECTS, in_use=False) as manifest:
        manifest.runs.last()


def test_one_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(Failed, match="cannot be opened"), Manifest.look(tmp_path / "none", EFFECTS, in_use=False):
        pass
