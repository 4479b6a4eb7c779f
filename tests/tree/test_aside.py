"""Hashing beside reading: the same checksum, no block lost or read over, errors handed on."""

from __future__ import annotations

import hashlib
import os
import threading
from pathlib import Path

import pytest

from nightferry.tree.aside import Aside
from nightferry.tree.content import DIRECT_BLOCK_BYTES, Buffers, hash_from_platter
from nightferry.tree.effects import Effects

MIB = 1 << 20


class Slow:
    """A checksum so slow that the next block is always there before it is done."""

    def __init__(self) -> None:
        self.hasher = hashlib.sha256()
        self.threads: set[str] = set()
        self.wait = threading.Event()

    def update(self, data: bytes | bytearray | memoryview, /) -> None:
        self.threads.add(threading.current_thread().name)
        self.wait.wait(0.05)
        self.hasher.update(data)

    def digest(self) -> bytes:
        return self.hasher.digest()


class Failing(Slow):
    def update(self, data: bytes | bytearray | memoryview, /) -> None:
        raise MemoryError("no room for a checksum")


def on_this_disk(tmp_path: Path, pieces: list[bytes | int]) -> Path:
    """A file of content and holes (a number of bytes)."""
    file = tmp_path / "kyrie.wav"
    with open(file, "wb") as out:
        for piece in pieces:
            if isinstance(piece, int):
                out.seek(piece, os.SEEK_CUR)
            else:
                out.write(piece)
        out.truncate(out.tell())
        os.fsync(out.fileno())
    return file


def read(file: Path, hasher: Slow) -> tuple[int, bytes]:
    buffers, fd = Buffers(), os.open(file.parent, os.O_RDONLY)
    try:
        found = hash_from_platter(
            fd, os.fsencode(file.name), hasher=hasher, effects=Effects(), buffers=buffers,
            should_stop=lambda: False, progress=lambda size_bytes: None,
        )  # fmt: skip
        return found.read_bytes, found.digest
    finally:
        buffers.close()
        os.close(fd)


@pytest.mark.parametrize(
    "pieces",
    [
        [os.urandom(5 * DIRECT_BLOCK_BYTES + 12_345)],
        [os.urandom(3 * DIRECT_BLOCK_BYTES)],
        [os.urandom(DIRECT_BLOCK_BYTES - 1)],
        [os.urandom(9 * MIB), 7 * MIB, os.urandom(6 * MIB + 1), 20 * MIB],
        [b"short"],
    ],
)
def test_a_slow_checksum_takes_every_byte_once(pieces: list[bytes | int], tmp_path: Path) -> None:
    file = on_this_disk(tmp_path, pieces)
    assert read(file, Slow()) == (file.stat().st_size, hashlib.sha256(file.read_bytes()).digest())


def test_large_files_are_hashed_beside_reading(tmp_path: Path) -> None:
    hasher = Slow()
    read(on_this_disk(tmp_path, [os.urandom(3 * DIRECT_BLOCK_BYTES)]), hasher)
    assert "beside reading" in hasher.threads


def test_what_hashing_raises_comes_out_and_the_thread_goes(tmp_path: Path) -> None:
    with pytest.raises(MemoryError, match="no room for a checksum"):
        read(on_this_disk(tmp_path, [os.urandom(3 * DIRECT_BLOCK_BYTES)]), Failing())
    assert not any(thread.name == "beside reading" for thread in threading.enumerate())


def test_blocks_are_taken_in_order() -> None:
    aside, hasher = Aside(), Slow()
    blocks = [bytearray(os.urandom(1000)) for _ in range(2)]
    wanted = hashlib.sha256()
    for number in range(8):
        block = blocks[number % 2]
        block[:] = os.urandom(1000)  # the one before is still being hashed
        wanted.update(block)
        aside.do(hasher.update, memoryview(block))
    aside.wait()
    aside.close()
    aside.close()
    assert hasher.digest() == wanted.digest()
