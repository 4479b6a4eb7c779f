"""The way to the helpers of this folder and of whole nights, and a fast place for disk images."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent.parent / "night")]

from drives import missing_privileges  # noqa: E402 (the path above leads there)

_ROOM_BYTES = 1 << 30  # images are sparse: a few hundred MiB are written


@contextmanager
def _made(tmp_path: Path) -> Iterator[Path]:
    """A folder for disk images: in memory where there is room for them."""
    if why := missing_privileges():
        pytest.skip(why)
    if not Path("/dev/fuse").exists():
        pytest.skip("needs FUSE (/dev/fuse is missing)")
    shm = Path("/dev/shm")
    fits = shm.is_dir() and os.access(shm, os.W_OK) and shutil.disk_usage(shm).free >= _ROOM_BYTES
    folder = Path(tempfile.mkdtemp(prefix="choir-power-", dir=shm if fits else tmp_path))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Path]:
    with _made(tmp_path) as folder:
        yield folder


@pytest.fixture(scope="module")
def shared_place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """For what all tests of a module only build images from."""
    with _made(tmp_path_factory.mktemp("power")) as folder:
        yield folder
