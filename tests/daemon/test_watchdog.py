"""What systemd's watchdog hears: pings while nights live, none once one is truly stuck."""

from __future__ import annotations

import os
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from service import LONG, Listener, Service

from box import Box, wait_for
from drives import DriveFactory, missing_privileges, requires_root_and_loops
from faulty_fuse import FaultyDrive
from sweeps import some

pytestmark = pytest.mark.waits

# Half of it is how often the daemon pings, and how long a night's process may stand still.
WATCHDOG_S = 8


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(Box(tmp_path), tmp_path / "daemon.log")
    yield made
    made.close()


@pytest.fixture
def listener(tmp_path: Path, service: Service) -> Iterator[Listener]:
    made = Listener(tmp_path / "notify")
    service.environment = {**made.environment, "WATCHDOG_USEC": str(WATCHDOG_S * 1_000_000)}
    yield made
    made.close()


def more(listener: Listener, pings: int) -> None:
    """Waits for so many more."""
    before = listener.pings()
    wait_for(lambda: listener.pings() >= before + pings, 90)


def test_the_ping_is_withheld_while_a_night_is_stuck(service: Service, listener: Listener) -> None:
    """Its process is stopped, guardian and all: it cannot end itself, as one that is stuck in the kernel cannot."""
    service.configure("recordings", per_pair={"recordings": LONG})
    service.start()
    service.wait(lambda: service.says("phase=settle"))
    assert "READY=1" in listener.heard()
    more(listener, 2)
    pid = service.night_pid()
    os.kill(pid, signal.SIGSTOP)
    try:
        service.wait(lambda: service.says("does not run any more", f"pid={pid}"))
        before = listener.pings()
        # The daemon itself goes on: it takes a configuration, and says so, and still there is no ping.
        for times in (2, 3):
            service.signal(signal.SIGHUP)
            wait_for(lambda times=times: listener.heard().count("READY=1") == times, 90)
        looked = service.log.read_text().count("configuration taken")
        assert looked == 2
        assert listener.pings() == before
    finally:
        os.kill(pid, signal.SIGCONT)
    more(listener, 2)
    assert service.stop() == 0
    assert listener.heard()[-1] == "STOPPING=1" or "STOPPING=1" in listener.heard()


@pytest.mark.skipif(bool(missing_privileges()), reason=missing_privileges() or "-")
def test_a_long_file_does_not_trip_it(service: Service, listener: Listener, tmp_path: Path) -> None:
    """One file of 50 GiB that arrives as slowly as from a sick drive: each read answers, late."""
    with FaultyDrive(tmp_path / "behind", service.box.primary()) as drive:
        service.configure("recordings")
        with (drive.behind / "2026-05 spring concert/whole concert.wav").open("wb") as file:
            file.write(b"kyrie" * 1_000_000)
            file.truncate(50 << 30)
        drive.delay("2026-05 spring concert/whole concert.wav", "read", seconds=0.2)
        service.start()
        staging = service.box.secondary() / "staging"
        service.wait(lambda: any(each.stat().st_size > 100_000 for each in staging.iterdir()))
        more(listener, 4)  # twice as long as systemd waits
        assert service.night()["state"] == "begun"
        assert service.stop() == 0
        assert service.night()["state"] == "stopped"
        assert list(staging.iterdir()) == []
        assert not list(service.box.copy().rglob("whole concert.wav"))


@contextmanager
def quiet(service: Service, place: Path, drives: DriveFactory) -> Iterator[None]:
    """A drive that nobody else uses, at a pair's place: while one of two answers others, a night is more patient."""
    place.mkdir(parents=True, exist_ok=True)
    subprocess.run(["mount", "--bind", drives("ext4", name="quiet").root, place], check=True, timeout=60)
    try:
        yield
    finally:
        service.close()
        subprocess.run(["umount", "--lazy", place], check=True, timeout=60)


@requires_root_and_loops
@pytest.mark.parametrize(
    ("side", "what", "operation"),
    some(
        [
            ("primary", "", "getattr"),  # nobody can even look whether it is there
            ("primary", "2026-05 spring concert", "readdir"),
            ("secondary", "staging", "readdir"),
        ],
        3,
    ),
)
def test_a_drive_that_never_answers_ends_its_night_and_not_the_daemon(
    service: Service, listener: Listener, drives: DriveFactory, tmp_path: Path, side: str, what: str, operation: str
) -> None:
    """The night is confined in mounts of its own, and still says which of the two it is."""
    box = service.box
    hung, other = (box.primary(), box.secondary()) if side == "primary" else (box.secondary(), box.primary())
    with quiet(service, other, drives), FaultyDrive(tmp_path / "behind", hung) as drive:
        service.configure("recordings", "films", per_pair={"recordings": 'io_limit = "6s"\nwatch_day = false'})
        drive.delay(what, operation, seconds=None)
        service.start()
        service.wait(lambda: service.night()["state"] == "ended")
        assert service.night()["exit_code"] == 3
        service.wait(lambda: service.night("films")["state"] == "ended")
        assert service.night("films")["exit_code"] == 0
        more(listener, 1)
        found = service.box.json("status", "recordings", code=3)["pairs"][0]
        (reason,) = found["reasons"]
        assert reason["code"] == "drive_hung"
        if what:
            assert reason["sentence"].startswith(f"The {side} at {hung}"), reason
        assert service.stop() == 0
        drive.heal()
