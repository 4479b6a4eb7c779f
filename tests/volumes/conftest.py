"""Mounts that the drive helpers do not make: bind mounts and tmpfs, undone after the test, newest first."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from drives import missing_privileges, run


@pytest.fixture
def mount() -> Iterator[Callable[..., Path]]:
    """``mount(where, "--bind", source)`` mounts at ``where``, as mount(8) with these arguments would."""
    if why := missing_privileges():
        pytest.skip(why)
    done: list[Path] = []

    def make(where: Path, *arguments: str | Path) -> Path:
        run("mount", *arguments, where)
        done.append(where)
        return where

    try:
        yield make
    finally:
        for where in reversed(done):
            run("umount", "--lazy", where, check=False)


@pytest.fixture
def folder_fd(tmp_path: Path) -> Iterator[int]:
    """A descriptor of ``tmp_path``."""
    fd = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield fd
    finally:
        os.close(fd)
