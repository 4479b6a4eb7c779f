"""The small parts of the daemon: its diary, its clocks, its alarm, what it tells systemd, which drives are shared."""

from __future__ import annotations

import json
import queue
import socket
import subprocess
import sys
import textwrap
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from drives import DriveFactory, requires_root_and_loops
from nightferry.daemon.alarm import Alarm, StartOfNight
from nightferry.daemon.clocks import ClockWatch
from nightferry.daemon.diary import BEGUN, ENDED, GIVEN_UP, MOST_ATTEMPTS, STOPPED, WAITING, Diary
from nightferry.daemon.notify import Notifier
from nightferry.daemon.sharing import drives_of, mounted_of
from nightferry.planning.schedule import Calendar, Window
from nightferry.settings import PairSettings
from nightferry.volumes.mounts import Mount

NIGHT = Window(date(2026, 5, 3), 1_000_000.0, 1_014_400.0)
IN_IT_S, AFTER_IT_S = 1_003_600.0, 1_020_000.0


# --- the diary


def test_a_diary_is_the_same_after_a_restart(tmp_path: Path) -> None:
    diary = Diary(tmp_path / "recordings", 999_000.0)
    diary.enter(NIGHT, BEGUN)
    diary.enter(NIGHT, ENDED, 1)
    diary.enter_missed((Window(date(2026, 5, 5), 3.0, 4.0), Window(date(2026, 5, 4), 1.0, 2.0)))
    again = Diary(tmp_path / "recordings", 2_000_000.0)
    assert again.begun == {date(2026, 5, 3)}
    assert again.told == {date(2026, 5, 4), date(2026, 5, 5)}
    assert again.since_s(3_000_000.0) == 999_000.0
    assert again.last().day == date(2026, 5, 5)
    assert again.of(date(2026, 5, 3)).exit_code == 1


def test_a_clock_that_goes_years_wrong_does_not_push_out_what_was_done(tmp_path: Path) -> None:
    diary = Diary(tmp_path, 0.0)
    diary.enter(NIGHT, ENDED, 0)
    for year in (2036, 2046):
        days = [date(year, 1, 1) - timedelta(days=back) for back in range(400)]
        diary.enter_missed(tuple(Window(day, 1.0, 2.0) for day in days))
        assert diary.told >= set(days), "they are told once"
    assert diary.begun == {NIGHT.day} == Diary(tmp_path, 0.0).begun


@pytest.mark.parametrize(
    "content", [b"", b"{", b"[]", b'{"format": 2}', b'{"format": 1, "nights": 3, "since_s": 1}', b"\xff"]
)
def test_a_diary_that_cannot_be_read_counts_as_none(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "schedule.json").write_bytes(content)
    diary = Diary(tmp_path, 5.0)
    assert diary.begun == set()
    diary.enter(NIGHT, ENDED, 0)
    assert Diary(tmp_path, 9.0).begun == {NIGHT.day}


@pytest.mark.parametrize(("state", "resumes"), [(BEGUN, True), (STOPPED, True), (WAITING, True), (ENDED, False)])
def test_what_was_cut_off_is_carried_on_with_in_its_window(tmp_path: Path, state: str, resumes: bool) -> None:
    diary = Diary(tmp_path, 0.0)
    diary.enter(NIGHT, BEGUN)
    if state != BEGUN:
        diary.enter(NIGHT, state, 0)
    assert (diary.to_resume(IN_IT_S) is not None) == resumes
    assert diary.to_resume(AFTER_IT_S) is None
    assert diary.to_resume(0.0) is None, "by a clock that was set back, that window is yet to come"


def test_a_night_whose_process_always_dies_is_given_up(tmp_path: Path) -> None:
    diary = Diary(tmp_path, 0.0)
    for attempt in range(MOST_ATTEMPTS):
        assert attempt == 0 or diary.to_resume(IN_IT_S) is not None
        diary.enter(NIGHT, BEGUN)
    assert diary.to_resume(IN_IT_S) is None
    assert NIGHT.day in diary.begun


def test_a_night_that_is_killed_uses_up_one_attempt(tmp_path: Path) -> None:
    diary = Diary(tmp_path, 0.0)
    for _ in range(MOST_ATTEMPTS):
        assert diary.to_give_up(IN_IT_S) is None
        diary.enter(NIGHT, BEGUN)
        diary.enter(NIGHT, BEGUN, 137)
    assert diary.of(NIGHT.day).attempts == MOST_ATTEMPTS
    assert diary.to_resume(IN_IT_S) is None
    assert diary.to_give_up(IN_IT_S).day == NIGHT.day
    diary.enter(NIGHT, GIVEN_UP)
    again = Diary(tmp_path, 0.0)
    assert again.to_give_up(IN_IT_S) is None and NIGHT.day in again.begun


def test_a_night_without_a_drive_may_be_tried_again_in_its_window(tmp_path: Path) -> None:
    diary = Diary(tmp_path, 0.0)
    for code, may in ((3, True), (0, False), (1, False), (4, False), (3, True)):
        diary.enter(NIGHT, ENDED, code)
        assert (diary.without_drive(IN_IT_S) is not None) == may
    assert diary.without_drive(AFTER_IT_S) is None
    for _ in range(MOST_ATTEMPTS):
        diary.enter(NIGHT, BEGUN)
    diary.enter(NIGHT, ENDED, 3)
    assert diary.without_drive(IN_IT_S) is None, "a bad contact is not tried all night"
    assert diary.to_give_up(IN_IT_S) is None, "the night has said why"


def test_stopping_and_waiting_use_up_no_attempt(tmp_path: Path) -> None:
    diary = Diary(tmp_path, 0.0)
    for _ in range(3 * MOST_ATTEMPTS):
        diary.enter(NIGHT, BEGUN)
        diary.enter(NIGHT, WAITING, 5)
        assert diary.to_resume(IN_IT_S) is not None
    assert diary.waited_in_vain(IN_IT_S) == ()
    assert diary.waited_in_vain(AFTER_IT_S) == (NIGHT,)


def test_a_diary_is_bounded(tmp_path: Path) -> None:
    diary = Diary(tmp_path, 0.0)
    days = [date(2026, 1, 1) + timedelta(days=number) for number in range(450)]
    diary._write = lambda: None  # a file for each of them takes long on a slow disk
    for day in days:
        diary.enter(NIGHT._replace(day=day), ENDED, 0)
    assert diary.begun == set(days[-400:])
    diary.enter_missed(tuple(Window(date(2030, 1, 1) - timedelta(days=back), 1.0, 2.0) for back in range(450)))
    assert (len(diary.told), diary.begun) == (400, set(days[-400:]))


# --- clocks and the alarm


def test_a_clock_that_is_set_is_noticed_once() -> None:
    now, since_boot = [1e9], [100.0]
    watch = ClockWatch(lambda: now[0], lambda: since_boot[0])
    for moved_s in (0.0, 3600.0, -3600.0 * 24 * 3650, 7.0 * 3600):
        now[0] += 10 + moved_s
        since_boot[0] += 10
        assert watch.look() == (None if moved_s == 0 else pytest.approx(moved_s))
        assert watch.look() is None


def test_a_clock_that_creeps_is_noticed_when_it_is_far() -> None:
    now, since_boot = [1e9], [100.0]
    watch = ClockWatch(lambda: now[0], lambda: since_boot[0])
    found = []
    for _ in range(100):
        now[0] += 11
        since_boot[0] += 10
        found.append(watch.look())
    assert sum(each for each in found if each is not None) == pytest.approx(90, abs=30)


def test_the_trigger_goes_through_a_year_of_clock_changes() -> None:
    """What the library asks of a trigger: one time after another, each after the one before."""
    zone = ZoneInfo("Europe/Berlin")
    trigger = StartOfNight(Calendar(time(2, 30), time(6, 30), zone=zone))
    now = datetime(2026, 1, 1, tzinfo=UTC)
    days, previous = [], None
    while (found := trigger.get_next_fire_time(previous, now)).year == 2026:
        assert previous is None or found > previous
        days.append(found.astimezone(zone).date())
        previous, now = found, found + timedelta(seconds=1)
    assert days == [date(2026, 1, 1) + timedelta(days=n) for n in range(365)]


def test_the_alarm_rings_at_the_start() -> None:
    """The library, with a calendar whose start is in a moment (no real one has seconds)."""
    inbox: queue.SimpleQueue[str] = queue.SimpleQueue()
    alarm = Alarm(lambda: inbox.put("rings"))
    start = (datetime.now(UTC) + timedelta(seconds=1)).time()
    try:
        alarm.set({"recordings": Calendar(start, time(0, 0), zone=UTC)})
        assert inbox.get(timeout=30) == "rings"
        with pytest.raises(queue.Empty):
            inbox.get(timeout=1.5)
    finally:
        alarm.stop()


# --- systemd


def test_what_systemd_is_told(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(tmp_path / "notify"))
        systemd.settimeout(10)
        environment = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "20000000", "PATH": "/bin"}
        notifier = Notifier(environment)
        assert environment == {"PATH": "/bin"}, "no process started from here may answer for this one"
        assert notifier.ping_every_s == 10.0
        notifier.ready()
        notifier.status("next night:\nrecordings\x1b[31m")
        notifier.status("next night:\nrecordings\x1b[31m")
        notifier.alive()
        notifier.alive()
        notifier.stopping()
        found = [systemd.recv(4096) for _ in range(4)]
    assert found == [b"READY=1", b"STATUS=next night: recordings\x1b[31m", b"WATCHDOG=1", b"STOPPING=1"]


@pytest.mark.parametrize("address", ["", "/nowhere/at/all", "@nobody-listens"])
def test_nobody_listens(address: str) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": address} if address else {})
    notifier.ready()
    notifier.alive()


# --- shared drives


def _pair(name: str, primary: str, secondary: str) -> PairSettings:
    return PairSettings(name=name, primary=Path(primary), secondary=Path(secondary))


def test_pairs_with_the_same_primary_share_it_also_when_it_is_away() -> None:
    one = drives_of(_pair("a", "/srv/recordings", "/srv/second"), [])
    other = drives_of(_pair("b", "/srv/recordings", "/srv/third"), [])
    assert one & other
    assert not one & drives_of(_pair("c", "/srv/films", "/srv/fourth"), [])


def _mount(number: int, point: str, device: tuple[int, int] = (8, 1), file_system: str = "ext4") -> Mount:
    return Mount(number, 1, device, b"/", point.encode(), frozenset(), file_system, b"/dev/sda1", frozenset())


def test_a_drive_that_comes_or_goes_is_noticed_by_the_list_of_mounts() -> None:
    pair = _pair("a", "/srv/recordings", "/srv/second")
    primary = _mount(30, "/srv/recordings")
    away = mounted_of(pair, [primary, _mount(31, "/srv/other")])
    assert not away.is_both
    assert not mounted_of(pair, [primary, _mount(32, "/srv/second", file_system="autofs")]).is_both
    both = mounted_of(pair, [primary, _mount(31, "/srv/second", (8, 17))])
    assert both.is_both and both != away
    assert both != mounted_of(pair, [primary, _mount(31, "/srv/second", (8, 33))]), "another drive in its place"
    assert both == mounted_of(pair, [_mount(40, "/mnt"), primary, _mount(31, "/srv/second", (8, 17))])


@requires_root_and_loops
def test_two_folders_of_one_drive_are_one_drive(drives: DriveFactory) -> None:
    drive, other = drives("ext4", name="one"), drives("btrfs", name="other")
    one = drives_of(_pair("a", f"{drive.root}/recordings", "/srv/second"))
    assert f"drive {Path(drive.device).name}" in one
    assert one & drives_of(_pair("b", f"{drive.root}/films", "/srv/third"))
    apart = drives_of(_pair("c", str(other.root), "/mnt/fourth"))
    assert f"drive {Path(other.device).name}" in apart
    assert {each for each in one & apart if each.startswith("drive")} <= drives_of(_pair("d", "/x", "/y"))


# --- confined


@requires_root_and_loops
def test_a_confined_process_writes_nowhere_else(drives: DriveFactory, tmp_path: Path) -> None:
    primary, secondary = drives("ext4", name="one"), drives("ext4", name="two")
    state, elsewhere = tmp_path / "state", tmp_path / "elsewhere"
    state.mkdir()
    elsewhere.mkdir()
    code = textwrap.dedent(
        """
        import json, sys
        from pathlib import Path
        from nightferry.volumes.confined import confine
        writable, others = json.loads(sys.argv[1]), json.loads(sys.argv[2])
        assert confine([Path(each) for each in writable])
        found = {}
        for folder in writable + others:
            try:
                Path(folder, "x").write_text("x")
                found[folder] = "written"
            except OSError as error:
                found[folder] = error.strerror
        print(json.dumps(found))
        """
    )
    writable = [str(secondary.root), str(state)]
    others = [str(primary.root), str(elsewhere), "/etc", "/", "/usr"]
    done = subprocess.run(
        [sys.executable, "-c", code, json.dumps(writable), json.dumps(others)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert {found[each] for each in writable} == {"written"}
    assert {found[each] for each in others} == {"Read-only file system"}
    # What holds in there holds nowhere else.
    (primary.root / "y").write_text("y")
    assert (secondary.root / "x").read_text() == "x"
