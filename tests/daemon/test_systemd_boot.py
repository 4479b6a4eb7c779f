"""The service under a real systemd, booted for the test: as the README installs it, from its start to its end.

One boot for all of it, since a boot is what takes its time: while the first night waits for its minute, the others are
under way already.
"""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from machine import SOURCE, Machine, why_not
from service import LONG

from drives import DriveFactory, requires_root_and_loops
from faulty_fuse import FaultyDrive
from servers import HttpServer, http_server

UNIT, ONE_SHOT = "nightferry.service", "nightferry-night.service"
FILE = "2026-05 spring concert/01 kyrie.wav"
# Shorter than in the unit: the test waits for both.
FASTER = "[Service]\nRestartSec=1\nWatchdogSec=12\n"

pytestmark = [requires_root_and_loops, pytest.mark.waits, pytest.mark.skipif(bool(why_not()), reason=why_not() or "-")]


def pair(name: str, *more: str) -> str:
    lines = ("[[pair]]", f'name = "{name}"', f'primary = "/srv/{name}"', f'secondary = "/srv/{name}-second"', *more)
    return "\n".join((*lines, ""))


class World:
    """The machine, its daemon's diary, and a drive that hangs."""

    def __init__(self, machine: Machine, fuse: FaultyDrive) -> None:
        self.machine, self.fuse = machine, fuse
        now = datetime.now()
        self.early, self.end = now - timedelta(minutes=5), now + timedelta(hours=4)
        # A start has no seconds.
        self.start = (now + timedelta(seconds=70)).replace(second=0, microsecond=0)

    def configure(self, films: str) -> None:
        early = f'start = "{self.early:%H:%M}"'
        self.machine.write(
            "/etc/nightferry.toml",
            f'[defaults]\nfinish_by = "{self.end:%H:%M}"\nsettle_quiet = "0s"\nkeep_free = "0"\n'
            + pair("recordings", f'start = "{self.start:%H:%M}"') + pair("rehearsals", early, LONG)
            + pair("films", early, films) + pair("away", early),
        )  # fmt: skip

    def known_of_old(self, *names: str) -> None:
        """As if the daemon had been there yesterday, so that nights which started before now are its own."""
        since_s = (self.early - timedelta(hours=12)).timestamp()
        for name in names:
            self.machine.do("mkdir", "-p", f"/var/lib/nightferry/{name}")
            known = json.dumps({"format": 1, "since_s": since_s, "nights": []})
            self.machine.do("tee", f"/var/lib/nightferry/{name}/schedule.json", given=known)

    def night(self, name: str) -> dict[str, Any]:
        found = self.machine.do("cat", f"/var/lib/nightferry/{name}/schedule.json", check=False).stdout
        nights = json.loads(found)["nights"] if found else []
        return nights[-1] if nights else {"state": None, "attempts": 0, "exit_code": None}

    def ended(self, name: str, *codes: int) -> bool:
        found = self.night(name)
        assert found["exit_code"] in (None, *codes), (found, self.machine.journal(UNIT))
        return found["state"] == "ended"

    def status(self, name: str) -> dict[str, Any]:
        return json.loads(self.machine.do("cat", f"/var/lib/nightferry/{name}/status.json").stdout)

    def main_pid(self) -> str:
        return self.machine.shows(UNIT, "MainPID")["MainPID"]

    def night_pid(self, name: str) -> str:
        """The newest process of a pair's nights, by the journal."""
        lines = [json.loads(line) for line in self.machine.journal(UNIT).splitlines() if line.startswith("{")]
        return str([line["pid"] for line in lines if line.get("pair") == name and "pid" in line][-1])

    def runs_again(self, restarts: int) -> bool:
        wanted = {"NRestarts": str(restarts), "SubState": "running"}
        return self.machine.shows(UNIT, "NRestarts", "SubState") == wanted


@pytest.fixture
def server() -> Iterator[HttpServer]:
    with http_server() as made:
        yield made


@pytest.fixture
def world(tmp_path: Path, drives: DriveFactory) -> Iterator[World]:
    binds = []
    for name in ("recordings", "recordings-second", "rehearsals", "rehearsals-second", "films-second"):
        binds.append((drives("ext4", 24 << 20, name=name).root, f"/srv/{name}"))
    with FaultyDrive(tmp_path / "behind", tmp_path / "fuse") as fuse:
        (fuse.behind / "film.mkv").write_bytes(b"film" * 4096)
        binds.append((fuse.root, "/srv/films"))
        made = Machine(tmp_path, binds)
        try:
            made.build()
            made.boot()
            yield World(made, fuse)
        finally:
            fuse.heal()
            made.close()


def test_a_service_lives_through_its_nights(world: World, server: HttpServer) -> None:
    machine = world.machine
    world.configure('io_limit = "1h"')
    machine.write(f"/etc/systemd/system/{UNIT}.d/faster.conf", FASTER)
    machine.do("mkdir", "-p", "/srv/recordings/2026-05 spring concert")
    machine.do("tee", f"/srv/recordings/{FILE}", given="kyrie eleison")
    machine.do("nightferry", "pair", "--yes", "recordings", "rehearsals", "films")
    world.known_of_old("recordings", "rehearsals", "films", "away")
    world.fuse.delay("film.mkv", "read", seconds=600)

    # Readiness: with Type=notify this returns once the daemon has said so.
    machine.do("systemctl", "enable", "--now", UNIT)
    shown = machine.shows(UNIT, "ActiveState", "SubState", "StatusText")
    assert (shown["ActiveState"], shown["SubState"]) == ("active", "running")
    assert "next night" in shown["StatusText"] or "night of" in shown["StatusText"]

    _is_confined(world)

    # Killed amid nights: started again, and they are carried on with.
    machine.wait_for(lambda: {world.night(name)["state"] for name in ("films", "rehearsals")} == {"begun"})
    machine.do("kill", "-KILL", world.main_pid())
    machine.wait_for(lambda: world.runs_again(1))
    machine.wait_for(lambda: {world.night(name)["attempts"] for name in ("films", "rehearsals")} == {2})

    # A night that hangs on a dead drive, and whose own guardian does not run: systemd ends the service, and it returns.
    machine.wait_for(lambda: "film.mkv" in machine.do("ls", "/srv/films").stdout)
    world.configure('io_limit = "5s"')  # taken when it comes back
    machine.do("kill", "-STOP", world.night_pid("films"))
    machine.wait_for(lambda: world.runs_again(2), 90)
    told = machine.journal(UNIT)
    assert "does not run any more" in told and "watchdog" in told.lower()

    # A drive that never answers ends its night, not the daemon; one that is missing is exit 3 too, and no hang.
    machine.wait_for(lambda: world.ended("films", 3), 90)
    assert [reason["code"] for reason in world.status("films")["reasons"]] == ["drive_hung"]
    machine.wait_for(lambda: world.ended("away", 3))

    # A night by schedule, one and the same over all of that. The long one has its third and last attempt.
    machine.wait_for(lambda: world.ended("recordings", 0), 150)
    assert machine.do("cat", f"/srv/recordings-second/copy/{FILE}").stdout == "kyrie eleison"
    found = world.status("recordings")
    assert found["outcome"] == "complete", found
    assert world.night("recordings")["attempts"] == 1, "one night is one night"
    assert datetime.fromisoformat(found["last_run"]["started"]).timestamp() >= world.start.timestamp()
    assert world.night("rehearsals") | {"state": "begun", "attempts": 3} == world.night("rehearsals")
    assert world.runs_again(2)

    # A wrong configuration is refused at a reload, and the daemon goes on.
    machine.do("sh", "-c", "echo 'wrong = 1' >> /etc/nightferry.toml")
    machine.do("systemctl", "reload", UNIT)
    machine.wait_for(lambda: "configuration not taken" in machine.journal(UNIT))

    # TERM, amid a night.
    machine.do("systemctl", "stop", UNIT)
    assert machine.shows(UNIT, "Result", "ActiveState") == {"Result": "success", "ActiveState": "inactive"}
    assert world.night("rehearsals")["state"] == "stopped"
    for line in machine.journal(UNIT).splitlines():
        if line.startswith("{"):
            json.loads(line)

    _one_shot(world, server)


def _is_confined(world: World) -> None:
    """The hardening, from inside: as root, in the service's own mounts."""
    machine, pid = world.machine, world.main_pid()
    for path in ("/srv/recordings/x", "/srv/recordings-second/x", "/etc/x", "/srv/x", "/usr/x", "/root/x"):
        refused = machine.do("nsenter", "-t", pid, "-m", "touch", path, check=False)
        assert refused.returncode != 0, path
        assert "Read-only file system" in refused.stderr or "Permission denied" in refused.stderr, refused.stderr
    machine.do("nsenter", "-t", pid, "-m", "touch", "/var/lib/nightferry/x")
    # While a night is under way its secondary may be written, and still no primary.
    machine.wait_for(
        lambda: machine.do("nsenter", "-t", pid, "-m", "touch", "/srv/films-second/x", check=False).returncode == 0
    )
    machine.do("rm", "/srv/films-second/x")
    for path in ("/srv/films/x", "/srv/rehearsals/x", "/srv/recordings-second/x"):
        assert machine.do("nsenter", "-t", pid, "-m", "touch", path, check=False).returncode != 0, path
    lines = machine.do("cat", f"/proc/{pid}/status").stdout.splitlines()
    kept = dict(line.split(":\t", 1) for line in lines if ":\t" in line)
    assert (kept["NoNewPrivs"], kept["Seccomp"]) == ("1", "2")
    # A capability that it has not is refused also to root: device nodes (CAP_MKNOD is bit 27 of capabilities(7)).
    assert not int(kept["CapBnd"], 16) >> 27 & 1
    network = machine.do("nsenter", "-t", pid, "-n", "ip", "-br", "link", check=False).stdout
    assert network.split()[:1] in ([], ["lo"])


def _one_shot(world: World, server: HttpServer) -> None:
    """Without the daemon: the service that the timer starts, as confined, with a network where it was given one."""
    machine = world.machine
    end = f'finish_by = "{world.end:%H:%M}"'
    address = f"json://{server.host}/choir"
    machine.write(
        "/etc/nightferry.toml",
        f'[defaults]\n{end}\nsettle_quiet = "0s"\nkeep_free = "0"\nalert_urls = ["{address}"]\n'
        + pair("recordings") + pair("away"),
    )  # fmt: skip
    machine.do("tee", "/srv/recordings/02 gloria.wav", given="gloria")
    (machine.root / f"etc/systemd/system/{ONE_SHOT}.d").mkdir()
    shutil.copy(SOURCE / "systemd/network.conf", machine.root / f"etc/systemd/system/{ONE_SHOT}.d")
    machine.do("systemctl", "daemon-reload")
    machine.do("systemctl", "enable", "--now", "nightferry-night.timer")
    assert machine.shows("nightferry-night.timer", "ActiveState")["ActiveState"] == "active"
    assert machine.shows("nightferry-night.timer", "Unit")["Unit"] == ONE_SHOT
    before_s = time.time()
    machine.do("systemctl", "start", ONE_SHOT, check=False)
    assert machine.shows(ONE_SHOT, "ExecMainStatus")["ExecMainStatus"] == "3", machine.journal(ONE_SHOT)
    assert machine.do("cat", "/srv/recordings-second/copy/02 gloria.wav").stdout == "gloria"
    assert datetime.fromisoformat(world.status("recordings")["written"]).timestamp() >= before_s - 1
    (told,) = server.got
    assert told[1] == "/choir" and "away" in told[2]["title"], told
