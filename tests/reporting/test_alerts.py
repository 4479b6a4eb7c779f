"""Alerts through a real command: told of damage, of what became of it, and what happens where the command fails."""

from __future__ import annotations

import json
import os
import signal
import time
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from nightferry.reporting import alerts, status
from nightferry.reporting.alerts import tell
from nightferry.reporting.status import ATTENTION, SOUND, Reason, Status, moment
from nightferry.settings import PairSettings

NOW_S = 1_795_000_000.0
DAMAGE = Reason("damage", "1 name is damaged")


class Post:
    """A command that puts what it gets into a folder, and the pair that it is told of."""

    def __init__(self, folder: Path) -> None:
        self.state_dir = folder / "state"
        self.folder = self.state_dir / "recordings"
        self.folder.mkdir(parents=True)
        self.out = folder / "out"
        self.out.mkdir()
        self.program = folder / "tell-the-choir"
        self.works()

    def program_is(self, text: str) -> None:
        self.program.write_text(f"#!/bin/sh\n{text}\n")
        self.program.chmod(0o755)

    def works(self) -> None:
        self.program_is(f'n=$(ls {self.out} | wc -l); cat > {self.out}/$n.json; echo "$@" > {self.out}/../args')

    @property
    def settings(self) -> PairSettings:
        return PairSettings(
            name="recordings", primary=Path("/srv/recordings"), secondary=Path("/srv/second"),
            alert_command=(str(self.program), "token=hunter2"), alert_repeat_after=timedelta(days=1),
        )  # fmt: skip

    def stands(self, state: str, *reasons: Reason, outcome: str = "complete", at_s: float = NOW_S) -> None:
        found = Status("recordings", state, outcome, reasons, moment(at_s), moment(at_s + 40 * 86_400))
        status.write(self.folder, found)

    def tell(self, after_s: float = 0.0, **given: Any) -> str | None:
        return tell(self.settings, self.state_dir, NOW_S + after_s, **given)

    def got(self) -> list[dict[str, Any]]:
        return [json.loads(path.read_text()) for path in sorted(self.out.iterdir(), key=lambda path: int(path.stem))]

    def reasons(self) -> list[str]:
        found = status.read(self.folder)
        assert found is not None
        return [reason.code for reason in found.reasons]


@pytest.fixture
def post(tmp_path: Path) -> Post:
    return Post(tmp_path)


def test_damage_is_told_once_and_that_it_is_well_again_once(post: Post) -> None:
    post.stands(ATTENTION, DAMAGE)
    for after_s in (0, 60, 3600):
        assert post.tell(after_s) is None
    post.stands(SOUND)
    for after_s in (7200, 7300):
        assert post.tell(after_s) is None
    told = post.got()
    assert [(each["pair"], each["kind"], each["state"]) for each in told] == [
        ("recordings", "attention", "attention"), ("recordings", "well", "sound"),
    ]  # fmt: skip
    assert told[0]["reasons"] == [{"code": "damage", "sentence": "1 name is damaged"}]
    assert told[0]["status"]["pair"] == "recordings"


def test_trouble_that_stays_is_told_again_after_the_time_that_is_set(post: Post) -> None:
    post.stands(ATTENTION, DAMAGE)
    for hours in range(0, 72, 6):
        post.tell(hours * 3600.0)
    assert len(post.got()) == 3


def test_rule_M_a_night_that_never_reported_is_told(post: Post) -> None:
    post.stands(SOUND)
    assert post.tell(41 * 86_400) is None
    assert [reason["code"] for reason in post.got()[0]["reasons"]] == ["stale_status"]


@pytest.mark.parametrize(
    ("program", "said"),
    [
        ("exit 3", "ended with exit code 3"),
        ("kill -9 $$", "ended with signal 9"),
        ("exec </dev/null; exit 1", "ended with exit code 1"),  # does not read what it is given
    ],
)
def test_a_command_that_fails_is_in_the_status_and_is_tried_again(post: Post, program: str, said: str) -> None:
    post.stands(ATTENTION, DAMAGE)
    post.program_is(program)
    told = post.tell()
    assert told is not None and said in told
    assert post.reasons() == ["damage", "alert_failed"]
    post.works()
    assert post.tell(1) is None and post.got() == []  # not at once
    assert post.tell(301) is None
    assert [each["kind"] for each in post.got()] == ["attention"]
    assert [reason["code"] for reason in post.got()[0]["reasons"]] == ["damage"]
    assert post.reasons() == ["damage"]


def test_a_command_that_fails_to_say_that_all_is_well(post: Post) -> None:
    post.stands(ATTENTION, DAMAGE)
    post.tell()
    post.stands(SOUND)
    post.program_is("exit 1")
    assert post.tell(10) is not None
    found = status.read(post.folder)
    assert found is not None and (found.state, post.reasons()) == (ATTENTION, ["alert_failed"])
    post.works()
    assert post.tell(1000) is None
    assert post.got()[-1]["kind"] == "well"
    found = status.read(post.folder)
    assert found is not None and (found.state, found.reasons) == (SOUND, ())


def test_a_command_that_hangs_is_ended_with_all_that_it_started(post: Post, tmp_path: Path) -> None:
    post.stands(ATTENTION, DAMAGE)
    post.program_is(f"sleep 300 & echo $! > {tmp_path}/child; wait")
    told = post.tell(time_limit_s=0.5)
    assert told is not None and "did not end within" in told
    child = int((tmp_path / "child").read_text())
    for _ in range(100):
        try:
            os.kill(child, 0)
        except ProcessLookupError:
            break
        if Path(f"/proc/{child}/stat").read_text().rpartition(")")[2].split()[0] == "Z":
            break
        time.sleep(0.05)
    else:
        os.kill(child, signal.SIGKILL)
        pytest.fail("what the command started is still there")


def test_a_command_that_prints_without_end_takes_no_memory(post: Post) -> None:
    post.stands(ATTENTION, DAMAGE)
    post.program_is("head -c 300000000 /dev/zero; head -c 300000000 /dev/zero >&2")
    assert post.tell() is None


@pytest.mark.parametrize("problem", ["gone", "not executable", "a folder"])
def test_a_command_that_cannot_be_started(post: Post, problem: str) -> None:
    post.stands(ATTENTION, DAMAGE)
    if problem == "not executable":
        post.program.chmod(0o644)
    else:
        post.program.unlink()
    if problem == "a folder":
        post.program.mkdir()
    told = post.tell()
    assert told is not None and "could not be started" in told


def test_what_may_be_secret_is_nowhere_said(post: Post) -> None:
    post.stands(ATTENTION, DAMAGE)
    post.program_is("exit 1")
    told = post.tell()
    written = "".join(path.read_text() for path in post.folder.iterdir() if path.is_file())
    assert told is not None and "hunter2" not in told + written
    assert "hunter2" in str(post.settings.alert_command)  # or nothing could have shown it


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"state": "lost"}', '{"at_s": 1e999}', "\x00"])
def test_a_spoilt_memory_of_what_was_said_silences_nothing(post: Post, text: str) -> None:
    (post.folder / alerts.FILE_NAME).write_text(text)
    post.stands(ATTENTION, DAMAGE)
    assert post.tell() is None
    assert len(post.got()) == 1


def test_a_pair_that_waits_for_its_first_night_alerts_nobody(post: Post) -> None:
    assert post.tell() is None
    assert post.got() == []
