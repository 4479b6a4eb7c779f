"""Programs that write through mmap(2), as databases and editors of sound do, on each file system of Linux.

A store into a page that is dirty already moves neither mtime nor ctime (mmap(2), "Timestamps changes for file-backed
mappings": they move at some time after the store and before a following msync(2)). So a night must not read a file
while a store could still follow unseen.
"""

from __future__ import annotations

import mmap
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from harness import Pair, explain

from drives import MIB, DriveFactory, requires_root_and_loops

pytestmark = requires_root_and_loops

SMALL, MIDDLE, LARGE = "choir.db", "mix 1.session", "mix 2.session"
SIZES = {SMALL: 16 << 10, MIDDLE: 2 << 20, LARGE: 12 << 20}
# As long as a new change keeps a night waiting (reading.FRESH_S), and some more.
STEP_S = 0.1

# Stores a number that grows into the same page, again and again, and never asks for it to be written.
WRITER = """
import mmap, os, sys, time
path, every_s = sys.argv[1], float(sys.argv[2])
fd = os.open(path, os.O_RDWR)
view = mmap.mmap(fd, 0)
count = 0
while True:
    count += 1
    view[5000:5008] = count.to_bytes(8, "big")
    if count == 1:
        print("writing", flush=True)
    time.sleep(every_s)
"""


@pytest.fixture(params=["ext4", "xfs", "btrfs"])
def pair(request: pytest.FixtureRequest, drives: DriveFactory, tmp_path: Path) -> Pair:
    pair = Pair(drives(request.param, 300 * MIB), drives("ext4", 200 * MIB), tmp_path / "state")
    for name, size_bytes in SIZES.items():
        pair.write(name, os.urandom(size_bytes))
    os.sync()
    return pair


@contextmanager
def mapped(path: Path) -> Iterator[mmap.mmap]:
    fd = os.open(path, os.O_RDWR)
    try:
        with mmap.mmap(fd, 0) as view:
            yield view
    finally:
        os.close(fd)


@contextmanager
def writer(path: Path, every_s: float) -> Iterator[None]:
    process = subprocess.Popen([sys.executable, "-c", WRITER, path, str(every_s)], stdout=subprocess.PIPE)
    assert process.stdout is not None
    try:
        assert process.stdout.readline() == b"writing\n"
        yield
        assert process.poll() is None, "it wrote to the end"
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def _read_all_again(pair: Pair) -> None:
    """So that the next night reads all of both drives back."""
    with pair.manifest(writable=True) as manifest:
        manifest.database.connection.execute("UPDATE entry SET read_primary_s = 1, read_secondary_s = 1")


def _expect_sound_and_equal(pair: Pair) -> None:
    result = pair.run_well()
    assert result.state == "sound", explain(pair, result)
    assert pair.differences() == []
    _read_all_again(pair)
    result = pair.run_well()
    assert (result.state, result.tally.damage) == ("sound", 0), explain(pair, result)
    assert result.tally.verified_primary_bytes >= sum(SIZES.values())
    assert pair.differences() == []


def test_rule_D_what_is_stored_into_a_mapped_page_after_the_night_read_it_is_copied_by_the_next(pair: Pair) -> None:
    with ExitStack() as stack:
        views = {name: stack.enter_context(mapped(pair.at(name))) for name in SIZES}
        for view in views.values():
            view[5000] ^= 1  # the page is dirty, and the times have moved
        time.sleep(STEP_S)
        pair.run_well()
        for name, view in views.items():
            read = pair.at(name).stat()
            view[5001] ^= 1
            assert pair.at(name).stat().st_ctime_ns > read.st_ctime_ns, "a store after it was read moves its times"
        _expect_sound_and_equal(pair)


def test_rule_C_what_is_stored_after_the_night_read_a_file_again_is_no_damage(pair: Pair) -> None:
    """Each of the ways in which a night reads a file whose content is as it was."""
    for name in SIZES:
        os.link(pair.at(name), pair.at(f"{name}, other name"))
    pair.run_well()
    changes = (
        lambda name: pair.at(name).chmod(0o600),
        lambda name: pair.at(f"{name}, other name").unlink(),
        lambda name: pair.at(name).rename(pair.at(f"{name}, moved")),
    )
    for number, change in enumerate(changes):
        with ExitStack() as stack:
            views = {name: stack.enter_context(mapped(pair.at(name))) for name in SIZES}
            for name, view in views.items():
                there = pair.at(name).stat()
                view[5000] ^= 1
                view[5000] ^= 1  # as it was: only the times say that somebody wrote
                os.utime(pair.at(name), ns=(there.st_atime_ns, there.st_mtime_ns))
                change(name)
            time.sleep(STEP_S)
            pair.run_well()
            for view in views.values():
                view[6000 + number] ^= 1
            _expect_sound_and_equal(pair)


@pytest.mark.parametrize("every_s", [0.0005, 0.2])
def test_rules_C_and_M_a_steady_writer_is_named_or_copied_and_never_called_damage(pair: Pair, every_s: float) -> None:
    with writer(pair.at(SMALL), every_s), writer(pair.at(LARGE), every_s):
        for _ in range(3):
            _read_all_again(pair)
            result = pair.run()
            assert (result.tally.damage, result.open_damage) == (0, 0), explain(pair, result)
            left_out = pair.left_out(result.number)
            assert set(left_out.items()) <= {(name.encode(), "unsettled") for name in (SMALL, LARGE)}
            if every_s < STEP_S:  # nobody reads so many bytes between two of its stores
                assert LARGE.encode() in left_out, explain(pair, result)
    _expect_sound_and_equal(pair)
