"""The daemon as a process: nights that are due, begun once, cut off, waiting, refused; signals."""

from __future__ import annotations

import fcntl
import json
import os
import signal
import subprocess
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from box import Box, wait_for

# A night that goes on until somebody ends it.
LONG = 'settle_quiet = "30min"\nsettle_limit = "1h"'


class Service:
    """A daemon over a box, whose nights are due at once: their window is open, and the daemon is known of old."""

    def __init__(self, box: Box, log: Path) -> None:
        self.box, self.log = box, log
        self.process: subprocess.Popen[bytes] | None = None

    def configure(self, *pairs: str, per_pair: dict[str, str] | None = None, open_s: float = 3600.0) -> None:
        now = datetime.now()
        start, end = now - timedelta(minutes=3), now + timedelta(seconds=open_s)
        self.box.configure(pairs, f'start = "{start:%H:%M}"\nfinish_by = "{end:%H:%M}"', per_pair)
        for pair in pairs:
            if not (self.box.folder(pair) / "manifest.sqlite3").exists():
                self.box.fill(pair)
                self.box.ok("pair", "--yes", pair)
            known = self.box.folder(pair) / "schedule.json"
            if not known.exists():
                yesterday = (start - timedelta(hours=12)).timestamp()
                known.write_text(json.dumps({"format": 1, "since_s": yesterday, "nights": []}))

    def start(self) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(self.box.command("daemon"), stdin=subprocess.DEVNULL, stderr=log)

    def says(self, *words: str) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, self.log.read_text()
        return any(all(word in line for word in words) for line in self.log.read_text().splitlines())

    def wait(self, what: Callable[[], bool]) -> None:
        try:
            wait_for(what, 90)
        except BaseException:
            print(self.log.read_text())
            raise

    def night(self, pair: str = "recordings") -> dict[str, Any]:
        nights = json.loads((self.box.folder(pair) / "schedule.json").read_text())["nights"]
        return nights[-1] if nights else {"state": None, "attempts": 0, "exit_code": None}

    def signal(self, number: signal.Signals) -> None:
        assert self.process is not None
        self.process.send_signal(number)

    def stop(self) -> int:
        assert self.process is not None
        if self.process.poll() is None:
            self.signal(signal.SIGTERM)
        return self.process.wait(60)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(Box(tmp_path), tmp_path / "daemon.log")
    yield made
    if made.process is not None:
        if made.process.poll() is None:
            made.process.kill()
        made.process.wait()


def test_a_night_that_is_due_is_begun_once(service: Service) -> None:
    service.configure("recordings")
    service.start()
    service.wait(lambda: service.night()["state"] == "ended")
    assert service.says("a night begins late", "recordings")
    assert service.night()["exit_code"] == 0
    assert service.box.status()["outcome"] == "complete"
    assert len(list(service.box.copy().rglob("*.wav"))) == 6
    assert service.stop() == 0
    service.start()  # within the same window
    service.wait(lambda: service.log.read_text().count("event=ready") == 2)
    assert service.stop() == 0
    assert service.night()["attempts"] == 1
    assert service.box.status()["last_run"]["number"] == 1


def test_one_pair_in_trouble_keeps_no_other(service: Service) -> None:
    service.configure("recordings", "films")
    for card in (service.box.secondary("films")).glob(".nightferry*"):
        card.unlink()
    service.start()
    service.wait(lambda: service.night("recordings")["state"] == service.night("films")["state"] == "ended")
    assert service.night("films")["exit_code"] == 3
    assert service.night("recordings")["exit_code"] == 0
    assert service.stop() == 0


def test_pairs_that_share_a_drive_go_one_after_another(service: Service) -> None:
    service.configure("recordings", "rehearsals", per_pair={"recordings": LONG})
    text = service.box.config.read_text()
    service.box.config.write_text(
        text.replace(str(service.box.primary("rehearsals")), str(service.box.primary("recordings")))
    )
    service.start()
    service.wait(lambda: service.says("waits for another", "pair=rehearsals", "waits_for=recordings"))
    assert service.night("recordings")["state"] == "begun"
    assert service.night("rehearsals")["state"] is None
    assert service.stop() == 0


def test_term_stops_a_night_and_the_next_start_carries_on(service: Service) -> None:
    service.configure("recordings", per_pair={"recordings": LONG})
    service.start()
    service.wait(lambda: service.says("phase=settle"))
    assert service.stop() == 0
    assert service.night()["state"] == "stopped"
    service.configure("recordings")
    service.start()
    service.wait(lambda: service.night()["state"] == "ended")
    assert service.says("carried on with")
    assert service.night()["exit_code"] == 0
    assert service.stop() == 0


def test_a_killed_daemon_leaves_no_night_behind_and_carries_on(service: Service) -> None:
    service.configure("recordings", per_pair={"recordings": LONG})
    service.start()
    service.wait(lambda: service.says("phase=settle"))
    assert service.process is not None
    service.process.kill()
    service.process.wait()
    assert service.night()["state"] == "begun"

    def is_free() -> bool:
        with (service.box.folder() / "lock").open("r+b") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                return False
        return True

    service.wait(is_free)
    service.configure("recordings")
    service.start()
    service.wait(lambda: service.night()["state"] == "ended")
    assert service.night()["exit_code"] == 0
    assert service.night()["attempts"] == 2
    assert service.stop() == 0


def test_a_run_by_hand_while_the_daemon_lives(service: Service) -> None:
    """Same lock: whoever comes second says so; and the daemon tries again later."""
    service.configure("recordings")
    with (service.box.folder() / "lock").open("a+b") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        service.start()
        service.wait(lambda: service.night()["state"] == "waiting")
    assert service.night()["exit_code"] == 5
    service.box.ok("run", "recordings")
    assert service.says("tried again later")
    assert service.stop() == 0


def test_hup_rereads_and_keeps_what_was_right(service: Service) -> None:
    service.configure("recordings")
    service.start()
    service.wait(lambda: service.night()["state"] == "ended")
    right = service.box.config.read_text()
    service.box.config.write_text(right + "\nwrong = 1\n")
    service.signal(signal.SIGHUP)
    service.wait(lambda: service.says("configuration not taken", "wrong"))
    service.configure("recordings", "films")
    service.signal(signal.SIGHUP)
    service.wait(lambda: service.says("configuration taken", "pairs=2"))
    service.wait(lambda: service.night("films")["state"] == "ended")
    assert service.stop() == 0


def test_a_night_goes_by_the_configuration_that_the_daemon_took(service: Service) -> None:
    service.configure("recordings", "films", per_pair={"films": LONG})
    text = service.box.config.read_text()
    # One drive for both, so that the second has to wait.
    service.box.config.write_text(
        text.replace(str(service.box.primary("recordings")), str(service.box.primary("films")))
    )
    service.start()
    service.wait(lambda: bool(service.night("recordings")["state"] or service.night("films")["state"]))
    service.box.config.write_text("this is broken")
    service.wait(lambda: service.night("recordings")["state"] == "ended" or service.says("phase=settle"))
    assert not any("exit_code=2" in line for line in service.log.read_text().splitlines())
    assert service.stop() == 0


def test_a_wrong_configuration_and_a_second_daemon_are_refused(service: Service) -> None:
    service.configure("recordings", per_pair={"recordings": LONG})
    service.start()
    service.wait(lambda: service.says("event=ready"))
    second = service.box.run("daemon")
    assert second.returncode == 5
    assert "in progress" in second.stderr
    assert service.stop() == 0
    service.box.config.write_text("nonsense = 1")
    wrong = service.box.run("daemon")
    assert wrong.returncode == 2
    assert "nonsense" in wrong.stderr


def test_missed_nights_are_said_once(service: Service) -> None:
    service.configure("recordings", open_s=3600)
    service.box.ok("run", "recordings")
    now = datetime.now()
    start, end = now - timedelta(hours=3), now - timedelta(hours=1)
    text = service.box.config.read_text().splitlines()
    text = [f'start = "{start:%H:%M}"' if line.startswith("start") else line for line in text]
    text = [f'finish_by = "{end:%H:%M}"' if line.startswith("finish_by") else line for line in text]
    service.box.config.write_text("\n".join(text))
    since_s = (start - timedelta(days=3, hours=1)).timestamp()
    (service.box.folder() / "schedule.json").write_text(json.dumps({"format": 1, "since_s": since_s, "nights": []}))
    service.start()
    service.wait(lambda: service.says("event=missed", "nights=4"))
    assert service.stop() == 0
    service.start()
    service.wait(lambda: service.log.read_text().count("event=ready") == 2)
    assert service.stop() == 0
    assert service.log.read_text().count("event=missed") == 1
    found = service.box.json("status", code=1)["pairs"][0]
    assert [reason["code"] for reason in found["reasons"]] == ["missed"]
    assert str(start.date()) in found["reasons"][0]["sentence"]


def test_no_variable_of_systemd_reaches_a_night(service: Service) -> None:
    service.configure("recordings", per_pair={"recordings": LONG})
    os.environ["NOTIFY_SOCKET"] = "@nobody-listens-here"
    try:
        service.start()
    finally:
        del os.environ["NOTIFY_SOCKET"]
    service.wait(lambda: service.says("a night begins", "pid="))
    line = next(line for line in service.log.read_text().splitlines() if "a night begins" in line)
    pid = line.rpartition("pid=")[2].split()[0]
    assert b"NOTIFY_SOCKET" not in Path(f"/proc/{pid}/environ").read_bytes()
    assert service.stop() == 0


def test_the_day_goes_beside_the_night(service: Service) -> None:
    """A first night waits for another run; what comes and goes until it begins is of the day before it."""
    service.configure("recordings")
    with (service.box.folder() / "lock").open("a+b") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        service.start()
        service.wait(lambda: service.night()["state"] == "waiting")
    day = json.loads((service.box.folder() / "day.json").read_text())
    assert day["complete"], day["incomplete"]
    assert day["came_and_went"] == []
    assert service.stop() == 0
