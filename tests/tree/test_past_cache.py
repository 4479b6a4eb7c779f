"""Large files copied past the page cache on both sides: the same bytes, whatever the file systems refuse on the way."""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from drives import MIB, Drive, DriveFactory, Kind, run
from effects_faults import FailingCalls, ShortEffects
from nightferry.tree.content import (
    BLOCK_BYTES,
    DIRECT_BLOCK_BYTES,
    DIRECT_FROM_BYTES,
    Buffers,
    Copied,
    ReadFailed,
    Stopped,
    copy_content,
)
from nightferry.tree.digests import SHA256
from nightferry.tree.effects import Effects
from nightferry.tree.writer import ALIGNMENT_BYTES, WriteFailed, Writer

LARGE = DIRECT_FROM_BYTES + 3 * DIRECT_BLOCK_BYTES
KINDS: list[Kind] = ["ext4", "xfs"]


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Drive]]:
    factory = DriveFactory(tmp_path_factory.mktemp("drives"))
    try:
        yield {kind: factory(kind, 400 * MIB) for kind in KINDS}
    finally:
        factory.close()


@pytest.fixture(params=KINDS)
def drive(request: pytest.FixtureRequest, both: dict[str, Drive]) -> Iterator[Path]:
    root = both[request.param].root
    yield root
    for left in root.glob("*.wav"):
        left.unlink()


def recorded(path: Path, *pieces: bytes | int) -> Path:
    """A file of content and holes (a number of bytes)."""
    with open(path, "wb") as out:
        for piece in pieces:
            if isinstance(piece, int):
                out.seek(piece, os.SEEK_CUR)
            else:
                out.write(piece)
        out.truncate(out.tell())
    return path


def copied(source: Path, effects: Effects | None = None, *, size_bytes: int | None = None) -> tuple[Copied, Path]:
    effects, buffers, to = effects or Effects(), Buffers(), source.with_name("copy.wav")
    src = os.open(source, os.O_RDONLY)
    dst = os.open(to, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600)
    try:
        found = copy_content(
            src, dst, size_bytes=source.stat().st_size if size_bytes is None else size_bytes, hasher=SHA256.new(),
            effects=effects, buffers=buffers, should_stop=lambda: False, progress=lambda size: None, past_cache=True,
        )  # fmt: skip
        return found, to
    finally:
        os.close(src)
        os.close(dst)
        buffers.close()


def check(found: Copied, to: Path, source: Path) -> None:
    content = source.read_bytes()
    assert to.read_bytes() == content
    assert (found.read_bytes, found.digest) == (len(content), hashlib.sha256(content).digest())


def cached_bytes(path: Path) -> int:
    """What the page cache holds of a file, as fincore(1) of util-linux says."""
    return int(run("fincore", "--bytes", "--noheadings", "--output", "RES", path).split()[0])


@pytest.mark.parametrize(
    "size", [LARGE, *(LARGE + more for more in (1, 511, 512, 4095, 4096, 4097, BLOCK_BYTES, -1, -4096))]
)
def test_any_length(drive: Path, size: int) -> None:
    source = recorded(drive / "kyrie.wav", os.urandom(size))
    found, to = copied(source)
    check(found, to, source)
    assert found.written_bytes == size


def test_neither_side_is_kept_in_memory(drive: Path) -> None:
    source = recorded(drive / "kyrie.wav", os.urandom(LARGE + 100))
    with open(source, "rb") as file:
        os.fsync(file.fileno())
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    assert cached_bytes(source) == 0
    _, to = copied(source)
    assert cached_bytes(source) == 0
    assert cached_bytes(to) <= ALIGNMENT_BYTES, "but for the end, which is no whole page"


def test_what_waits_to_be_written_on_the_primary_is_read_as_it_is(drive: Path) -> None:
    """O_DIRECT writes dirty pages back before it reads (open(2), NOTES)."""
    source = recorded(drive / "kyrie.wav", os.urandom(LARGE))
    with open(source, "r+b") as file:
        for offset in range(0, LARGE, MIB):
            file.seek(offset + 17)
            file.write(b"softer")
    found, to = copied(source)
    check(found, to, source)


@pytest.mark.parametrize(
    "pieces",
    [
        (LARGE, b"end"),
        (b"begin", LARGE),
        (os.urandom(5000), 3 * MIB + 77, os.urandom(LARGE), 123_456, b"x" * 9000, 2 * MIB),
        (os.urandom(4096), 4096, os.urandom(4096), 4096, os.urandom(LARGE)),
    ],
    ids=["hole first", "hole last", "odd holes", "small holes"],
)
def test_holes_stay_holes(drive: Path, pieces: tuple[bytes | int, ...]) -> None:
    source = recorded(drive / "kyrie.wav", *pieces)
    with open(source, "rb") as file:
        os.fsync(file.fileno())
    found, to = copied(source)
    check(found, to, source)
    with open(to, "rb") as file:
        os.fsync(file.fileno())
    assert to.stat().st_blocks <= source.stat().st_blocks + 2 * 8, "at most a page at each side of a hole more"


def test_short_reads_and_writes(drive: Path) -> None:
    source = recorded(drive / "kyrie.wav", os.urandom(LARGE + 5))
    for most in (DIRECT_BLOCK_BYTES - 512, 1_000_001, 12_288):
        found, to = copied(source, ShortEffects(most))
        check(found, to, source)


@pytest.mark.parametrize("refused", ["source", "destination", "both", "writes from the third on"])
def test_where_a_file_system_refuses_it(drive: Path, refused: str) -> None:
    source = recorded(drive / "kyrie.wav", os.urandom(LARGE + 5))
    calls: list[str] = []

    class Refusing(Effects):
        @staticmethod
        def set_direct(fd: int, on: bool) -> None:
            is_source = os.readlink(f"/proc/self/fd/{fd}").endswith("kyrie.wav")
            if on and refused in ("both", "source" if is_source else "destination"):
                raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
            Effects.set_direct(fd, on)

        @staticmethod
        def pwrite(fd: int, data: memoryview, offset: int) -> int:
            calls.append("write")
            if refused.startswith("writes") and len(calls) == 3:
                raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
            return os.pwrite(fd, data, offset)

    found, to = copied(source, Refusing())
    check(found, to, source)


def test_reads_that_are_refused_go_on_through_the_cache(drive: Path) -> None:
    source = recorded(drive / "kyrie.wav", os.urandom(LARGE + 5))
    seen = [0]

    class Refusing(Effects):
        @staticmethod
        def preadv(fd: int, buffers: list[memoryview], offset: int) -> int:
            seen[0] += 1
            if seen[0] == 3:
                raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
            return os.preadv(fd, buffers, offset)

    found, to = copied(source, Refusing())
    check(found, to, source)


@pytest.mark.parametrize("number", [errno.EIO, errno.ENOSPC, errno.EROFS])
@pytest.mark.parametrize("at", range(5))
def test_rule_D_each_write_that_fails_is_told(drive: Path, number: int, at: int) -> None:
    """Also those that are made beside the reading."""
    source = recorded(drive / "kyrie.wav", os.urandom(LARGE))
    with pytest.raises(WriteFailed) as raised:
        copied(source, FailingCalls(lambda call, before: call.name == "pwrite" and before == at, number))
    assert raised.value.errno == number


def test_rule_G_each_read_that_fails_is_told(drive: Path) -> None:
    source = recorded(drive / "kyrie.wav", os.urandom(LARGE))
    for at in range(1, 6):
        seen = [0]

        class Bad(Effects):
            @staticmethod
            def preadv(fd: int, buffers: list[memoryview], offset: int, at: int = at, seen: list[int] = seen) -> int:
                seen[0] += 1
                if seen[0] == at:
                    raise OSError(errno.EIO, os.strerror(errno.EIO))
                return os.preadv(fd, buffers, offset)

        with pytest.raises(ReadFailed) as raised:
            copied(source, Bad())
        assert raised.value.errno == errno.EIO


def test_a_full_drive(drives: DriveFactory, tmp_path: Path) -> None:
    small = drives("ext4", 24 * MIB)
    source = recorded(small.root / "kyrie.wav", os.urandom(DIRECT_FROM_BYTES + 4 * MIB))
    with pytest.raises(WriteFailed) as raised:
        copied(source)
    assert raised.value.errno == errno.ENOSPC


def test_it_may_be_stopped(drive: Path) -> None:
    source = recorded(drive / "kyrie.wav", os.urandom(8 * DIRECT_BLOCK_BYTES))
    src, dst, buffers = os.open(source, os.O_RDONLY), os.open(drive / "copy.wav", os.O_RDWR | os.O_CREAT), Buffers()
    with pytest.raises(Stopped):
        copy_content(
            src, dst, size_bytes=source.stat().st_size, hasher=SHA256.new(), effects=Effects(), buffers=buffers,
            should_stop=lambda: True, progress=lambda size: None, past_cache=True,
        )  # fmt: skip
    for fd in (src, dst):
        os.close(fd)
    buffers.close()


def test_a_file_that_grows_or_shrinks_meanwhile(drive: Path) -> None:
    source = recorded(drive / "kyrie.wav", os.urandom(LARGE))
    found, _ = copied(source, size_bytes=LARGE - 3 * BLOCK_BYTES)
    assert LARGE - 3 * BLOCK_BYTES < found.read_bytes <= LARGE - 2 * BLOCK_BYTES
    found, to = copied(source, size_bytes=LARGE + 3 * BLOCK_BYTES)
    assert found.read_bytes == LARGE == to.stat().st_size


def test_a_writer_by_itself_takes_unaligned_pieces(tmp_path: Path) -> None:
    fd = os.open(tmp_path / "kyrie.wav", os.O_RDWR | os.O_CREAT)
    writer, data = Writer(fd, Effects(), direct=True), memoryview(os.urandom(10_000))
    writer.write(0, data[:3_000])
    writer.write(3_000, data[3_000:])
    assert not writer.direct
    assert writer.written_bytes == 10_000
    assert (tmp_path / "kyrie.wav").read_bytes() == data
    os.close(fd)
