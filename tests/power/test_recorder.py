"""The harness itself: what a file system inside flushes arrives as a flush, and an image is what the model says."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from crash_images import Builder, Choice, Disk, kept
from file_systems import FILE_SYSTEMS, make_image
from recorder import FLUSH, MARK, WRITE, Event, Recorder

from drives import Drive, run


@pytest.mark.parametrize("name", FILE_SYSTEMS)
def test_what_fsync_returned_for_is_in_the_image_without_all_that_came_after(place: Path, name: str) -> None:
    """fsync(2) is the promise; the log has to show the flush that keeps it, or no test here would mean anything."""
    system = FILE_SYSTEMS[name]
    image, before = place / "disk.img", place / "before.img"
    make_image(image, system)
    run("cp", "--sparse=always", image, before)
    content = os.urandom(300_000)
    with Recorder(place, {"disk": image}) as recorder:
        drive = Drive(system.kind, recorder.image("disk"), place / "mnt", system.options)
        try:
            drive.mount()
            with open(drive.root / "kyrie.wav", "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            recorder.mark("synced")
            (drive.root / "never synced.wav").write_bytes(content)
        finally:
            drive.detach()
        events = recorder.log()
    at = next(n for n, each in enumerate(events) if each.kind == MARK)
    assert any(each.kind == FLUSH for each in events[:at])
    assert any(each.kind == WRITE for each in events[at:])
    cut = Drive(system.kind, place / "cut.img", place / "mnt", system.options)
    Builder(events, 0, before, place).build(at, Choice("nothing", 0), cut.image)
    try:
        cut.mount()
        assert (cut.root / "kyrie.wav").read_bytes() == content
        assert not (cut.root / "never synced.wav").exists()
    finally:
        cut.detach()


W1, W2, W3 = (Event(WRITE, 0, n * 8192, bytes([n]) * 8192) for n in (1, 2, 3))
LOG = [W1, Event(FLUSH, 0, 0, b""), W2, Event(FLUSH, 1, 0, b""), W3, Event(FLUSH, 0, 0, b"")]


def test_a_flush_covers_what_came_before_it_on_its_own_disk() -> None:
    disk = Disk(LOG, 0)
    assert disk.waiting(1) == [W1]
    assert disk.waiting(2) == []
    assert disk.waiting(4) == [W2]
    assert disk.waiting(5) == [W2, W3]
    assert disk.waiting(6) == []


@pytest.mark.parametrize("sector_bytes", [512, 4096])
def test_ways_to_lose_writes(sector_bytes: int) -> None:
    def of(way: str, seed: int = 1) -> list[tuple[int, bytes]]:
        return list(kept([W1, W2, W3], Choice(way, seed, sector_bytes)))

    whole = [(each.offset, each.data) for each in (W1, W2, W3)]
    assert of("nothing") == []
    assert of("all") == whole
    assert of("last missing") == whole[:2]
    assert of("last torn")[:2] == whole[:2]
    torn = of("torn")
    assert torn and all(len(data) == sector_bytes and offset % sector_bytes == 0 for offset, data in torn)
    assert len(torn) < 3 * 8192 // sector_bytes
    some = {tuple(of("some", seed)) for seed in range(200)}
    assert len(some) == 8, "each subset of three writes comes up"
