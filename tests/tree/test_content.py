"""Content moved and read on real files and drives; expected bytes come from Python's own plain reads."""

from __future__ import annotations

import errno
import hashlib
import os
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drives import MIB, DriveFactory, run
from nightferry.tree.content import (
    AT_ONCE_BYTES,
    BLOCK_BYTES,
    Buffers,
    Copied,
    Platter,
    ReadFailed,
    Stopped,
    copy_content,
    drop_device_cache,
    hash_content,
    hash_from_platter,
)
from nightferry.tree.digests import SHA256
from nightferry.tree.effects import Effects
from nightferry.tree.writer import WriteFailed


@pytest.fixture(scope="module")
def buffers() -> Iterator[Buffers]:
    made = Buffers()
    yield made
    made.close()


class FailingEffects(Effects):
    """The N-th call of one kind fails, as the kernel would let it fail."""

    def __init__(self, name: str, nth: int, number: int) -> None:
        self.calls = 0
        real = getattr(Effects, name)

        def call(*args: object, **named: object) -> object:
            self.calls += 1
            if self.calls == nth:
                raise OSError(number, os.strerror(number))
            return real(*args, **named)

        setattr(self, name, call)


def _never() -> bool:
    return False


def _copy(src: Path, dst: Path, buffers: Buffers, effects: Effects | None = None, **named: object) -> Copied:
    src_fd = os.open(src, os.O_RDONLY)
    dst_fd = os.open(dst, os.O_RDWR | os.O_CREAT | os.O_EXCL)
    arguments = {
        "size_bytes": src.stat().st_size,
        "hasher": SHA256.new(),
        "effects": effects or Effects(),
        "buffers": buffers,
        "should_stop": _never,
        "progress": lambda size_bytes: None,
    }
    try:
        return copy_content(src_fd, dst_fd, **{**arguments, **named})
    finally:
        os.close(src_fd)
        os.close(dst_fd)


@pytest.mark.parametrize("size_bytes", [0, 1, 4096, AT_ONCE_BYTES, AT_ONCE_BYTES + 1])
def test_a_file_without_holes_is_copied_whole(tmp_path: Path, buffers: Buffers, size_bytes: int) -> None:
    content = os.urandom(size_bytes)
    (tmp_path / "src").write_bytes(content)
    told: list[int] = []
    copied = _copy(tmp_path / "src", tmp_path / "dst", buffers, has_holes=False, progress=told.append)
    assert copied == Copied(size_bytes, size_bytes, hashlib.sha256(content).digest())
    assert (tmp_path / "dst").read_bytes() == content
    assert sum(told) == size_bytes


@pytest.mark.parametrize("now_bytes", [900, 1_100])
def test_a_small_file_of_another_size_by_now_is_told_by_its_size(
    tmp_path: Path, buffers: Buffers, now_bytes: int
) -> None:
    (tmp_path / "src").write_bytes(os.urandom(now_bytes))
    copied = _copy(tmp_path / "src", tmp_path / "dst", buffers, has_holes=False, size_bytes=1_000)
    assert copied.read_bytes == now_bytes


def test_a_small_file_that_cannot_be_read_or_written(tmp_path: Path, buffers: Buffers) -> None:
    (tmp_path / "src").write_bytes(b"kyrie")
    with pytest.raises(ReadFailed):
        _copy(tmp_path / "src", tmp_path / "1", buffers, FailingEffects("preadv", 1, errno.EIO), has_holes=False)
    with pytest.raises(WriteFailed):
        _copy(tmp_path / "src", tmp_path / "2", buffers, FailingEffects("pwrite", 1, errno.ENOSPC), has_holes=False)


def _hash(path: Path, buffers: Buffers, effects: Effects | None = None) -> tuple[int, bytes]:
    fd = os.open(path, os.O_RDONLY)
    try:
        return hash_content(
            fd,
            hasher=SHA256.new(),
            effects=effects or Effects(),
            buffers=buffers,
            should_stop=_never,
            progress=lambda size_bytes: None,
        )
    finally:
        os.close(fd)


def _platter(path: Path, buffers: Buffers, effects: Effects | None = None, *, direct: bool = True) -> Platter:
    folder_fd = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        return hash_from_platter(
            folder_fd,
            os.fsencode(path.name),
            hasher=SHA256.new(),
            effects=effects or Effects(),
            buffers=buffers,
            should_stop=_never,
            progress=lambda size_bytes: None,
            direct=direct,
        )
    finally:
        os.close(folder_fd)


def _sync(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())


def _sha256(path: Path) -> bytes:
    return hashlib.sha256(path.read_bytes()).digest()


def _make(path: Path, size_bytes: int, extents: list[tuple[int, int]], *, seed: int = 1) -> None:
    """A file of ``size_bytes`` with data only at ``extents`` (offset, length)."""
    with path.open("wb") as file:
        for n, (offset, length) in enumerate(extents):
            file.seek(offset)
            file.write(hashlib.shake_128(b"%d %d" % (seed, n)).digest(max(0, min(length, size_bytes - offset))))
        file.truncate(size_bytes)


# --- copying

SIZES = [0, 1, 4095, 4096, 4097, BLOCK_BYTES - 1, BLOCK_BYTES, BLOCK_BYTES + 1, 4 * MIB, 5 * MIB + 13]


@pytest.mark.parametrize("size_bytes", SIZES)
def test_a_copy_and_its_digest_are_those_of_the_source(tmp_path: Path, buffers: Buffers, size_bytes: int) -> None:
    src, dst = tmp_path / "01 kyrie.wav", tmp_path / "copy"
    _make(src, size_bytes, [(0, size_bytes)])
    told: list[int] = []
    copied = _copy(src, dst, buffers, progress=told.append)
    assert dst.read_bytes() == src.read_bytes()
    assert copied == (size_bytes, size_bytes, _sha256(src))
    assert sum(told) == size_bytes
    _sync(src)
    assert _hash(src, buffers) == (size_bytes, copied.digest)
    assert _platter(src, buffers)[:2] == (size_bytes, copied.digest)
    assert _platter(src, buffers, direct=False) == (size_bytes, copied.digest, False)


@st.composite
def _layouts(draw: st.DrawFn) -> tuple[int, list[tuple[int, int]]]:
    block = 4096
    size = draw(st.integers(0, 6 * MIB))
    offsets = st.integers(0, size // block).map(lambda n: n * block) | st.integers(0, max(0, size - 1))
    return size, draw(st.lists(st.tuples(offsets, st.integers(1, 2 * MIB)), max_size=6)) if size else []


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(layout=_layouts())
def test_any_layout_of_holes_is_kept_and_hashed_as_zeros(
    tmp_path: Path, buffers: Buffers, layout: tuple[int, list[tuple[int, int]]]
) -> None:
    src, dst = tmp_path / "src", tmp_path / "dst"
    src.unlink(missing_ok=True)
    dst.unlink(missing_ok=True)
    _make(src, *layout)
    _sync(src)
    copied = _copy(src, dst, buffers)
    assert copied.read_bytes == layout[0] == dst.stat().st_size
    assert dst.read_bytes() == src.read_bytes()
    assert copied.digest == _sha256(src)
    assert copied.written_bytes <= src.stat().st_blocks * 512
    _sync(dst)
    assert dst.stat().st_blocks <= src.stat().st_blocks + 8 * 8  # a few blocks of extent tree
    assert _hash(src, buffers)[1] == _platter(src, buffers).digest == copied.digest


def test_holes_are_not_read(tmp_path: Path, buffers: Buffers) -> None:
    src = tmp_path / "sparse.wav"
    _make(src, 500 * MIB + 1, [(100 * MIB, 5000), (400 * MIB, 10)])
    effects = FailingEffects("preadv", 3, errno.EIO)  # two reads are enough
    assert _copy(src, tmp_path / "dst", buffers, effects).written_bytes < 20_000
    assert effects.calls == 2
    assert (tmp_path / "dst").stat().st_blocks < 100


def test_of_a_file_that_grows_one_block_more_is_read_at_most(tmp_path: Path, buffers: Buffers) -> None:
    src = tmp_path / "still recording.wav"

    class Growing(Effects):
        def preadv(self, *args: object) -> int:
            with src.open("ab") as file:
                file.write(b"more" * BLOCK_BYTES)
            return os.preadv(*args)

    _make(src, 3 * MIB, [(0, 3 * MIB)])
    copied = _copy(src, tmp_path / "dst", buffers, Growing())
    assert copied.read_bytes == 3 * MIB + BLOCK_BYTES
    assert copied.digest == hashlib.sha256((tmp_path / "dst").read_bytes()).digest()
    before = src.stat().st_size
    assert _hash(src, buffers, Growing())[0] == before + BLOCK_BYTES


def test_one_byte_more_shows(tmp_path: Path, buffers: Buffers) -> None:
    _make(tmp_path / "src", 5000, [(0, 5000)])
    assert _copy(tmp_path / "src", tmp_path / "dst", buffers, size_bytes=4999).read_bytes == 5000


@pytest.mark.parametrize("left_bytes", [0, 10, MIB, 2 * MIB + 1])
def test_of_a_file_that_shrinks_what_is_left_is_read(tmp_path: Path, buffers: Buffers, left_bytes: int) -> None:
    src = tmp_path / "cut.wav"

    class Shrinking(Effects):
        def preadv(self, fd: int, *rest: object) -> int:
            count = os.preadv(fd, *rest)
            os.truncate(src, left_bytes)
            return count

    _make(src, 8 * MIB, [(0, 8 * MIB)])
    copied = _copy(src, tmp_path / "dst", buffers, Shrinking())
    assert copied.read_bytes == max(MIB, left_bytes)
    assert copied.digest == _sha256(tmp_path / "dst")


@pytest.mark.parametrize("at_most", [1000, 4097, MIB - 1])
def test_short_writes_are_finished(tmp_path: Path, buffers: Buffers, at_most: int) -> None:
    class Short(Effects):
        def pwrite(self, fd: int, data: memoryview, offset: int) -> int:
            return os.pwrite(fd, data[:at_most], offset)

    _make(tmp_path / "src", 2 * MIB + 5, [(0, 2 * MIB + 5)])
    assert _copy(tmp_path / "src", tmp_path / "dst", buffers, Short()).written_bytes == 2 * MIB + 5
    assert (tmp_path / "dst").read_bytes() == (tmp_path / "src").read_bytes()


def test_short_reads_are_finished(tmp_path: Path, buffers: Buffers) -> None:
    class Short(Effects):
        def preadv(self, fd: int, into: list[memoryview], offset: int) -> int:
            return os.preadv(fd, [into[0][:777]], offset)

    _make(tmp_path / "src", 100_000, [(0, 100_000)])
    assert _copy(tmp_path / "src", tmp_path / "dst", buffers, Short()).digest == _sha256(tmp_path / "src")
    assert _platter(tmp_path / "src", buffers, Short(), direct=False).digest == _sha256(tmp_path / "src")


def test_a_write_of_nothing_is_an_error(tmp_path: Path, buffers: Buffers) -> None:
    class Stuck(Effects):
        def pwrite(self, *_: object) -> int:
            return 0

    _make(tmp_path / "src", 10, [(0, 10)])
    with pytest.raises(WriteFailed):
        _copy(tmp_path / "src", tmp_path / "dst", buffers, Stuck())


@pytest.mark.parametrize(
    ("name", "number", "kind"),
    [
        ("fstat", errno.EIO, ReadFailed),
        ("lseek", errno.EIO, ReadFailed),
        ("preadv", errno.EIO, ReadFailed),
        ("pwrite", errno.ENOSPC, WriteFailed),
        ("pwrite", errno.EIO, WriteFailed),
        ("ftruncate", errno.EFBIG, WriteFailed),
    ],
)
def test_each_failing_call_tells_which_side_failed(
    tmp_path: Path, buffers: Buffers, name: str, number: int, kind: type[OSError]
) -> None:
    src = tmp_path / "02 gloria.wav"
    _make(src, 5 * MIB, [(0, MIB + 5), (3 * MIB, 10)])
    for nth in range(1, 100):
        effects = FailingEffects(name, nth, number)
        try:
            _copy(src, tmp_path / f"dst {nth}", buffers, effects)
        except OSError as error:
            assert type(error) is kind
            assert error.errno == number
        else:
            assert effects.calls == nth - 1
            break
    assert nth > 1, f"{name} was never called"


def test_advice_that_fails_is_none(tmp_path: Path, buffers: Buffers) -> None:
    _make(tmp_path / "src", 2 * MIB, [(0, 2 * MIB)])
    for nth in range(1, 4):
        effects = FailingEffects("posix_fadvise", nth, errno.EINVAL)
        assert _copy(tmp_path / "src", tmp_path / f"{nth}", buffers, effects).digest == _sha256(tmp_path / "src")


@pytest.mark.parametrize("extents", [[(0, 200 * MIB)], []], ids=["data", "hole"])
def test_it_stops_soon(tmp_path: Path, buffers: Buffers, extents: list[tuple[int, int]]) -> None:
    src = tmp_path / "long.wav"
    with src.open("wb") as file:
        if extents:
            os.posix_fallocate(file.fileno(), 0, 200 * MIB)
        file.truncate(200 * MIB)
        if extents:
            for offset in range(0, 200 * MIB, MIB):
                os.pwrite(file.fileno(), b"x" * MIB, offset)
    told: list[int] = []
    with pytest.raises(Stopped):
        _copy(src, tmp_path / "dst", buffers, should_stop=lambda: True, progress=told.append)
    assert 0 < sum(told) <= 64 * MIB


def test_memory_does_not_grow_with_the_file(tmp_path: Path, buffers: Buffers) -> None:
    src = tmp_path / "long.wav"
    with src.open("wb") as file:
        for _ in range(100):
            file.write(os.urandom(MIB))
    tracemalloc.start()
    try:
        _copy(src, tmp_path / "dst", buffers)
        _hash(src, buffers)
        _platter(src, buffers)
        assert tracemalloc.get_traced_memory()[1] < 64 * 1024
    finally:
        tracemalloc.stop()


def test_the_source_does_not_stay_in_the_cache(tmp_path: Path, buffers: Buffers) -> None:
    """``fincore`` of util-linux counts the pages in memory."""
    src = tmp_path / "long.wav"
    with src.open("wb") as file:
        for _ in range(40):
            file.write(os.urandom(MIB))
    _sync(src)
    resident = ["fincore", "--bytes", "--noheadings", "--output", "RES", str(src)]
    src.read_bytes()
    assert int(run(*resident)) >= 40 * MIB
    _copy(src, tmp_path / "dst", buffers)
    assert int(run(*resident)) <= MIB


def test_a_full_drive_is_an_error_of_writing(drives: DriveFactory, buffers: Buffers, tmp_path: Path) -> None:
    _make(tmp_path / "src", 30 * MIB, [(0, 30 * MIB)])
    drive = drives("ext4", 20 * MIB)
    with pytest.raises(WriteFailed) as caught:
        _copy(tmp_path / "src", drive.root / "dst", buffers)
    assert caught.value.errno == errno.ENOSPC


# --- from the platter


def _flipped(content: bytes, offset: int) -> bytes:
    return hashlib.sha256(content[:offset] + bytes([content[offset] ^ 0xFF]) + content[offset + 1 :]).digest()


@pytest.mark.parametrize(
    ("kind", "options", "direct"),
    [
        ("ext4", "", True),
        ("ext4", "", False),
        ("ext4", "data=journal", True),
        ("xfs", "", True),
        ("xfs", "", False),
        ("exfat", "", False),
        ("ntfs", "", False),
    ],
)
def test_a_byte_that_rotted_on_the_drive_is_seen(
    drives: DriveFactory, buffers: Buffers, kind: str, options: str, direct: bool
) -> None:
    drive = drives(kind, 64 * MIB, options=options)
    file = drive.root / "01 kyrie.wav"
    content = os.urandom(6 * MIB + 77)
    file.write_bytes(content)
    if options == "data=journal":
        drive.remount()  # out of the journal, to its place
        run("sync")
    drive.flip_byte(file, 5 * MIB + 3)
    assert _hash(file, buffers)[1] == hashlib.sha256(content).digest(), "the cache hides it: else this shows nothing"
    if drive.is_fuse:
        device_fd = os.open(drive.device, os.O_RDONLY)
        try:
            drop_device_cache(device_fd, Effects())
        finally:
            os.close(device_fd)
    seen = _platter(file, buffers, direct=direct)
    assert seen == (len(content), _flipped(content, 5 * MIB + 3), direct)


def test_rot_that_btrfs_notices_itself_is_a_failed_read(drives: DriveFactory, buffers: Buffers) -> None:
    drive = drives("btrfs")
    file = drive.root / "01 kyrie.wav"
    file.write_bytes(os.urandom(2 * MIB))
    good = _sha256(file)
    drive.sync()
    assert _platter(file, buffers) == (2 * MIB, good, True)
    drive.flip_byte(file, MIB + 3)
    assert _hash(file, buffers)[1] == good
    with pytest.raises(ReadFailed) as caught:
        _platter(file, buffers)
    assert caught.value.errno == errno.EIO


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs", "exfat", "ntfs"])
def test_sparse_files_read_the_same_on_every_drive(drives: DriveFactory, buffers: Buffers, kind: str) -> None:
    drive = drives(kind, 64 * MIB)
    layouts = {
        "all hole": (3 * MIB + 1, []),
        "ends": (9 * MIB + 4095, [(0, 5000), (8 * MIB, 12_345)]),
        "middle": (6 * MIB, [(MIB, 5 * MIB - 1)]),
        "short": (777, [(0, 777)]),
        "empty": (0, []),
    }
    for name, layout in layouts.items():
        _make(drive.root / name, *layout)
        copied = _copy(drive.root / name, drive.root / f"{name} copy", buffers)
        assert copied.digest == _sha256(drive.root / name) == _sha256(drive.root / f"{name} copy")
        drive.sync()
        for direct in (False, True) if not drive.is_fuse else (False,):
            assert _platter(drive.root / f"{name} copy", buffers, direct=direct) == (layout[0], copied.digest, direct)


class NotDirect(Effects):
    """A file system without O_DIRECT: refuses it when the file is opened, or only when it is read."""

    def __init__(self, at: str) -> None:
        self.at = at
        self.is_open: dict[int, bool] = {}

    def open_inside(self, name: bytes, flags: int, **named: int) -> int:
        direct = bool(flags & os.O_DIRECT)
        if direct and self.at == "open":
            raise OSError(errno.EINVAL, "no O_DIRECT")
        fd = os.open(name, flags, **named)
        self.is_open[fd] = direct
        return fd

    def close(self, fd: int) -> None:
        os.close(fd)
        del self.is_open[fd]

    def preadv(self, fd: int, into: list[memoryview], offset: int) -> int:
        if self.is_open[fd]:
            raise OSError(errno.EINVAL, "no O_DIRECT")
        return os.preadv(fd, into, offset)


@pytest.mark.parametrize("at", ["open", "read"])
def test_without_direct_reads_the_pages_are_dropped_and_it_is_said(tmp_path: Path, buffers: Buffers, at: str) -> None:
    file = tmp_path / "03 credo.wav"
    _make(file, 6 * MIB + 3, [(2 * MIB, 3 * MIB)])  # the first read comes after a hole that is hashed already
    _sync(file)
    effects = NotDirect(at)
    assert _platter(file, buffers, effects) == (6 * MIB + 3, _sha256(file), False)
    assert effects.is_open == {}


@pytest.mark.parametrize("name", ["open_inside", "fstat", "lseek", "preadv"])
def test_a_platter_reading_that_fails_leaves_no_file_open(tmp_path: Path, buffers: Buffers, name: str) -> None:
    file = tmp_path / "03 credo.wav"
    _make(file, 9 * MIB, [(0, 9 * MIB)])
    _sync(file)
    before = len(os.listdir("/proc/self/fd"))
    for nth in range(1, 100):
        effects = FailingEffects(name, nth, errno.EIO)
        try:
            _platter(file, buffers, effects)
        except ReadFailed as error:
            assert error.errno == errno.EIO
        else:
            break
        finally:
            assert len(os.listdir("/proc/self/fd")) == before
    assert nth > 1, f"{name} was never called"


def _make_link(path: Path) -> None:
    path.symlink_to("/etc/hostname")


@pytest.mark.parametrize("make", [_make_link, os.mkfifo, os.mkdir], ids=["symlink", "FIFO", "folder"])
def test_only_a_regular_file_is_read(tmp_path: Path, buffers: Buffers, make: Callable[[Path], None]) -> None:
    make(tmp_path / "swapped")
    with pytest.raises(ReadFailed):
        _platter(tmp_path / "swapped", buffers)


def test_reading_from_the_platter_leaves_no_access_time(drives: DriveFactory, buffers: Buffers) -> None:
    drive = drives("ext4", options="strictatime")
    file = drive.root / "03 credo.wav"
    _make(file, 10_000, [(0, 10_000)])
    drive.sync()
    before = file.stat().st_atime_ns
    _platter(file, buffers)
    _platter(file, buffers, direct=False)
    assert file.stat().st_atime_ns == before
    file.read_bytes()
    assert file.stat().st_atime_ns != before


def test_the_memory_is_this_processs_own(buffers: Buffers) -> None:
    """A process forked from this one must not read into what is written here."""
    buffers.block[:5] = b"kyrie"
    pid = os.fork()
    if pid == 0:
        buffers.block[:5] = b"other"
        os._exit(0)
    os.waitpid(pid, 0)
    assert bytes(buffers.block[:5]) == b"kyrie"
