"""A night that found a drive missing is begun again when the drive comes, within its window: on real drives."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from service import Service

from box import Box
from drives import DriveFactory

pytestmark = pytest.mark.waits


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(Box(tmp_path / "box"), tmp_path / "daemon.log")
    yield made
    made.close()


def test_a_drive_that_comes_within_the_window_has_its_night(
    service: Service, drives: DriveFactory, tmp_path: Path
) -> None:
    primary, secondary = drives("ext4", name="recordings"), drives("ext4", name="second")
    foreign = drives("ext4", name="foreign")
    start, end = datetime.now() - timedelta(minutes=3), datetime.now() + timedelta(hours=1)
    service.box.config.write_text(
        f'state_dir = "{service.box.state}"\n[[pair]]\nname = "recordings"\nprimary = "{primary.root}"\n'
        f'secondary = "{secondary.root}"\nstart = "{start:%H:%M}"\nfinish_by = "{end:%H:%M}"\n'
        'settle_quiet = "0s"\nkeep_free = "0"\n'
    )
    (primary.root / "01 kyrie.wav").write_bytes(b"kyrie")
    service.box.ok("pair", "--yes", "recordings")
    service.known_of_old("recordings", start)
    secondary.unmount()

    service.start()
    service.wait(lambda: service.night()["exit_code"] == 3)
    assert service.night()["attempts"] == 1
    # Another drive in its place is no reason to do anything but to say so, once more.
    foreign.unmount()
    place = foreign.root
    foreign.root = secondary.root
    foreign.mount()
    service.wait(lambda: service.night()["attempts"] == 2 and service.night()["state"] == "ended")
    assert service.night()["exit_code"] == 3
    foreign.unmount()
    foreign.root = place
    secondary.mount()
    service.wait(lambda: service.night()["exit_code"] == 0)
    assert (secondary.root / "copy/01 kyrie.wav").read_bytes() == b"kyrie"
    assert service.night()["attempts"] == 3
    assert service.log.read_text().count("a drive came") == 2
    # One night is one night: done is done, whatever comes and goes after that.
    secondary.unmount()
    secondary.mount()
    service.box.config.touch()
    service.wait(lambda: service.says("night ended", "exit_code=0"))
    assert service.stop() == 0
    assert service.night()["attempts"] == 3
    assert service.box.status()["last_run"]["number"] == 1
