"""The daemon as a process: nights that are due, begun once, cut off, waiting, refused; signals."""

from __future__ import annotations

import fcntl
import json
import os
import signal
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from service import LONG, Service

from box import Box


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(Box(tmp_path), tmp_path / "daemon.log")
    yield made
    made.close()


def test_a_night_that_is_due_is_begun_once(service: Service) -> None:
    service.configure("recordings")
    service.start()
    service.wait(lambda: service.night()["state"] == "ended")
    assert service.says("a night begins late", "recordings")
    assert service.night()["exit_code"] == 0
    assert service.box.status()["outcome"] == "complete"
    assert service.resident_mib() < 60, "what a day takes between two nights"
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
    # What the run by hand did is what the status says, whoever asks.
    assert service.box.json("status")["pairs"][0]["last_run"]["outcome"] == "complete"
    assert service.stop() == 0


def test_a_run_by_hand_while_a_night_of_the_daemon_works(service: Service) -> None:
    service.configure("recordings", "films", per_pair={"recordings": LONG})
    service.start()
    service.wait(lambda: service.says("pair=recordings", "phase=settle"))
    refused = service.box.run("run", "recordings")
    assert refused.returncode == 5 and "in progress" in refused.stderr, refused.stderr
    assert service.box.status()["run"] is not None, "the status is that of the night"
    service.box.ok("run", "films")  # another pair: nothing in its way
    assert service.night()["state"] == "begun"
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
    service.environment["NOTIFY_SOCKET"] = "@nobody-listens-here"
    service.start()
    pid = service.night_pid()
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


def test_a_night_that_is_killed_each_time_is_given_up_and_said(service: Service) -> None:
    service.configure("recordings", per_pair={"recordings": LONG})
    known = service.box.folder() / "schedule.json"
    found = json.loads(known.read_text())
    start, end = datetime.now() - timedelta(minutes=3), datetime.now() + timedelta(hours=1)
    start, end = start.replace(second=0, microsecond=0), end.replace(second=0, microsecond=0)
    # Twice before; this is the last time.
    before = {
        "day": str(start.date()), "state": "begun", "start_s": start.timestamp(), "end_s": end.timestamp(),
        "attempts": 2, "exit_code": 137,
    }  # fmt: skip
    known.write_text(json.dumps({**found, "nights": [before]}))
    service.box.ok("run", "--for", "1s", "recordings", code=1)  # there is a status
    service.start()
    service.wait(lambda: service.says("carried on with"))
    service.wait(lambda: service.says("phase=settle"))
    os.killpg(service.night_pid(), signal.SIGKILL)
    service.wait(lambda: service.night()["state"] == "given up")
    service.wait(lambda: service.says("given up", "attempts=3"))
    service.wait(lambda: "given_up" in [reason["code"] for reason in service.box.status()["reasons"]])
    assert service.stop() == 0
    found = service.box.json("status", code=4)["pairs"][0]
    assert "given_up" in [reason["code"] for reason in found["reasons"]]
    assert found["run"] is None
    service.start()
    service.wait(lambda: service.log.read_text().count("event=ready") == 2)
    assert service.stop() == 0
    assert service.log.read_text().count("is given up") == 1
