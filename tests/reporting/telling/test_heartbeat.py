"""A sign of life to a real HTTP server: answering, refusing, down, slow, without end; its address is never in words."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from box import Box, wait_for
from nightferry.daemon import telling
from nightferry.daemon.telling import Telling
from nightferry.reporting.look.logs import Logger
from nightferry.reporting.telling.heartbeat import beat
from nightferry.settings import Settings, load
from servers import HttpServer, free_port, http_server

SECRET = "hunter2-token"


@pytest.fixture
def server() -> Iterator[HttpServer]:
    with http_server() as made:
        yield made


def settings(folder: Path, address: str, more: str = "") -> Settings:
    config = folder / "nightferry.toml"
    config.write_text(
        f'state_dir = "{folder}/state"\nheartbeat_url = "{address}"\n{more}\n[[pair]]\nname = "recordings"\n'
        'primary = "/srv/recordings"\nsecondary = "/srv/recordings-second"\n'
    )
    return load(config)


def test_it_asks_for_the_address_once(tmp_path: Path, server: HttpServer) -> None:
    assert beat(settings(tmp_path, f"http://{server.host}/ping/{SECRET}?who=box")) is None
    assert [(method, path) for method, path, _ in server.got] == [("GET", f"/ping/{SECRET}?who=box")]


@pytest.mark.parametrize(
    ("behaviour", "status", "said"),
    [
        ("answers", 404, "refused it"),
        ("answers", 503, "has a fault of its own"),
        ("silent", 200, "did not answer within 2 s"),
    ],
)
def test_a_watcher_that_does_not_take_it(
    tmp_path: Path, server: HttpServer, behaviour: str, status: int, said: str
) -> None:
    server.behaviour, server.status = behaviour, status
    problem = beat(settings(tmp_path, f"http://{server.host}/ping/{SECRET}"), 2.0)
    assert problem is not None and said in problem
    assert SECRET not in problem and server.host not in problem


@pytest.mark.parametrize("behaviour", ["drips", "endless"])
def test_an_answer_that_never_ends_is_an_answer(tmp_path: Path, server: HttpServer, behaviour: str) -> None:
    """The first byte says that it was heard."""
    server.behaviour = behaviour
    assert beat(settings(tmp_path, f"http://{server.host}/ping"), 30.0) is None


def test_a_watcher_that_is_down(tmp_path: Path) -> None:
    problem = beat(settings(tmp_path, f"http://127.0.0.1:{free_port()}/{SECRET}"), 30.0)
    assert problem is not None and "could not be reached" in problem and SECRET not in problem


def test_none_is_wanted(tmp_path: Path) -> None:
    assert beat(settings(tmp_path, "off")) is None


def test_the_daemon_beats_as_often_as_is_set_and_only_while_its_nights_are_alive(
    tmp_path: Path, server: HttpServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = [1000.0]
    monkeypatch.setattr(telling.time, "monotonic", lambda: clock[0])
    found = settings(tmp_path, f"http://{server.host}/ping", 'heartbeat_every = "2min"')
    made = Telling(Logger())

    def look(*, is_alive: bool, after_s: float = 0.0) -> None:
        clock[0] += after_s
        made.look(found, is_alive=is_alive)
        for thread, _ in made._beside.values():
            thread.join(60)

    look(is_alive=True)
    look(is_alive=True, after_s=119)
    assert len(server.got) == 1
    look(is_alive=False, after_s=600)
    assert len(server.got) == 1, "a night is stuck: the watcher outside has to notice"
    look(is_alive=True, after_s=1)
    assert len(server.got) == 2


def test_a_real_daemon_beats(tmp_path: Path, server: HttpServer) -> None:
    box = Box(tmp_path)
    now = datetime.now()
    later = f'start = "{now + timedelta(hours=8):%H:%M}"\nfinish_by = "{now + timedelta(hours=9):%H:%M}"'
    box.configure(("recordings",), later)
    box.config.write_text(f'heartbeat_url = "http://{server.host}/ping/{SECRET}"\n' + box.config.read_text())
    daemon = box.start("daemon")
    try:
        wait_for(lambda: bool(server.got), 90)
    finally:
        daemon.terminate()
        out, err = daemon.communicate(timeout=60)
    assert daemon.returncode == 0, err
    assert SECRET not in out + err
    for path in box.state.rglob("*"):
        if path.is_file() and path.name != "daemon-settings.toml":  # a copy of the configuration, for root alone
            assert SECRET.encode() not in path.read_bytes(), path
    assert (box.state / "daemon-settings.toml").stat().st_mode & 0o077 == 0


def test_a_run_beats_at_its_end_and_says_what_failed(tmp_path: Path, server: HttpServer) -> None:
    box = Box(tmp_path)
    box.config.write_text(f'heartbeat_url = "http://{server.host}/ping/{SECRET}"\n' + box.config.read_text())
    box.ok("pair", "--yes", "recordings")
    began_s = time.time()
    box.ok("run")
    assert len(server.got) == 1
    server.status = 500
    done = box.run("run", "--json")
    assert done.returncode == 0, "a watcher outside changes nothing of a night"
    assert "heartbeat_url has a fault of its own" in done.stderr and SECRET not in done.stderr
    assert json.loads(done.stdout)["pairs"][0]["outcome"] == "complete"
    assert box.status()["written"] >= time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(began_s))
