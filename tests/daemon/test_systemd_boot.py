"""The service under a real systemd, booted for the test: as the README installs it, from its start to its end."""

from __future__ import annotations

import json
import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from machine import Machine, why_not

from drives import DriveFactory, requires_root_and_loops
from faulty_fuse import FaultyDrive

UNIT = "nightferry.service"
FILE = "2026-05 spring concert/01 kyrie.wav"
# Shorter than in the unit: the test waits for both.
FASTER = "[Service]\nRestartSec=1\nWatchdogSec=12\n"
# Longer than the test: a night that goes on until somebody ends it.
LONG = 'settle_quiet = "30min"\nsettle_limit = "1h"\n'

pytestmark = [requires_root_and_loops, pytest.mark.skipif(bool(why_not()), reason=why_not() or "-")]


def pair(name: str, more: str = "") -> str:
    return f'[[pair]]\nname = "{name}"\nprimary = "/srv/{name}"\nsecondary = "/srv/{name}-second"\n{more}'


@pytest.fixture
def machine(tmp_path: Path, drives: DriveFactory):
    binds = []
    for name in ("recordings", "rehearsals"):
        for path in (name, f"{name}-second"):
            binds.append((drives("ext4", 24 << 20, name=path).root, f"/srv/{path}"))
    binds.append((drives("ext4", 24 << 20, name="films-second").root, "/srv/films-second"))
    with FaultyDrive(tmp_path / "behind", tmp_path / "fuse") as fuse:
        (fuse.behind / "film.mkv").write_bytes(b"film" * 4096)
        binds.append((fuse.root, "/srv/films"))
        made = Machine(tmp_path, binds)
        made.fuse = fuse
        try:
            made.build()
            yield made
        finally:
            fuse.heal()
            made.close()


def diary(machine: Machine, name: str) -> dict:
    found = machine.do("cat", f"/var/lib/nightferry/{name}/schedule.json", check=False).stdout
    nights = json.loads(found)["nights"] if found else []
    return nights[-1] if nights else {"state": None, "attempts": 0, "exit_code": None}


def main_pid(machine: Machine) -> str:
    return machine.shows(UNIT, "MainPID")["MainPID"]


def test_a_service_lives_through_its_nights(machine: Machine) -> None:
    machine.boot()
    # A start has no seconds: the next minute that leaves time to pair the drives and to start the service.
    start = datetime.now() + timedelta(seconds=85)
    end = start + timedelta(hours=4)
    machine.write(
        "/etc/nightferry.toml",
        f'[defaults]\nstart = "{start:%H:%M}"\nfinish_by = "{end:%H:%M}"\nsettle_quiet = "0s"\nkeep_free = "0"\n'
        + pair("recordings") + pair("rehearsals", LONG) + pair("films", 'io_limit = "5s"\n') + pair("away"),
    )  # fmt: skip
    machine.write(f"/etc/systemd/system/{UNIT}.d/faster.conf", FASTER)
    machine.do("mkdir", "-p", "/srv/recordings/2026-05 spring concert")
    machine.do("tee", f"/srv/recordings/{FILE}", given="kyrie eleison")
    for name in ("recordings", "rehearsals", "films"):
        machine.do("nightferry", "pair", "--yes", name)
    machine.fuse.delay("film.mkv", "read", seconds=600)

    # Readiness: with Type=notify this returns once the daemon has said so.
    machine.do("systemctl", "enable", "--now", UNIT)
    shown = machine.shows(UNIT, "ActiveState", "SubState", "StatusText", "NRestarts")
    assert shown["ActiveState"] == "active"
    assert shown["SubState"] == "running"
    assert "next night" in shown["StatusText"] or "night of" in shown["StatusText"]

    # The hardening, from inside: as root, in the service's own mounts.
    pid = main_pid(machine)
    for path in ("/srv/recordings/x", "/srv/recordings-second/x", "/etc/x", "/srv/x", "/usr/x", "/root/x"):
        refused = machine.do("nsenter", "-t", pid, "-m", "touch", path, check=False)
        assert refused.returncode != 0, path
        assert "Read-only file system" in refused.stderr or "Permission denied" in refused.stderr, refused.stderr
    machine.do("nsenter", "-t", pid, "-m", "touch", "/var/lib/nightferry/x")
    kept = dict(
        line.split(":\t", 1) for line in machine.do("cat", f"/proc/{pid}/status").stdout.splitlines() if ":\t" in line
    )
    assert kept["NoNewPrivs"] == "1"
    assert kept["Seccomp"] == "2"
    assert machine.do("nsenter", "-t", pid, "-n", "ip", "-br", "link", check=False).stdout.split()[:1] in ([], ["lo"])

    # A night by schedule.
    machine.wait_for(lambda: diary(machine, "recordings")["state"] == "ended", 150)
    assert diary(machine, "recordings")["exit_code"] in (0, 1), machine.journal(UNIT)
    assert machine.do("cat", f"/srv/recordings-second/copy/{FILE}").stdout == "kyrie eleison"
    status = json.loads(machine.do("cat", "/var/lib/nightferry/recordings/status.json").stdout)
    assert status["outcome"] == "complete", status

    # A drive that never answers ends its night, not the daemon; one that is missing is exit 3.
    machine.wait_for(lambda: diary(machine, "films")["exit_code"] == 3, 90)
    machine.wait_for(lambda: diary(machine, "away")["exit_code"] == 3, 60)
    assert machine.shows(UNIT, "NRestarts")["NRestarts"] == "0"

    # Killed amid a night: started again, and the night is carried on with.
    assert diary(machine, "rehearsals")["state"] == "begun"
    machine.do("kill", "-KILL", main_pid(machine))
    machine.wait_for(lambda: machine.shows(UNIT, "NRestarts", "SubState") == {"NRestarts": "1", "SubState": "running"})
    machine.wait_for(lambda: diary(machine, "rehearsals")["attempts"] == 2)
    assert diary(machine, "recordings")["attempts"] == 1, "one night is one night"

    # A daemon that does not run any more is ended by the watchdog, and comes back.
    machine.do("kill", "-STOP", main_pid(machine))
    machine.wait_for(lambda: machine.shows(UNIT, "NRestarts", "SubState") == {"NRestarts": "2", "SubState": "running"})
    assert "watchdog" in machine.journal(UNIT).lower()
    machine.wait_for(lambda: diary(machine, "rehearsals")["attempts"] == 3)

    # A wrong configuration is refused at a reload, and the daemon goes on.
    machine.do("sh", "-c", "echo 'wrong = 1' >> /etc/nightferry.toml")
    machine.do("systemctl", "reload", UNIT)
    machine.wait_for(lambda: "configuration not taken" in machine.journal(UNIT))
    assert machine.shows(UNIT, "SubState")["SubState"] == "running"

    # TERM, amid a night.
    before_s = time.monotonic()
    machine.do("systemctl", "stop", UNIT)
    took_s = time.monotonic() - before_s
    assert machine.shows(UNIT, "Result", "ActiveState") == {"Result": "success", "ActiveState": "inactive"}
    assert diary(machine, "rehearsals")["state"] == "stopped"
    assert took_s < 120, "TimeoutStopSec"
    for line in machine.journal(UNIT).splitlines():
        if line.startswith("{"):
            json.loads(line)
