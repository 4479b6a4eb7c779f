"""A clock that is set by hours and years while the daemon lives. Only the clock is moved; the nights are real."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from box import Box, wait_for
from nightferry.daemon import service
from nightferry.daemon.clocks import ClockWatch
from nightferry.daemon.configuration import take
from nightferry.daemon.notify import Notifier
from nightferry.daemon.service import Daemon
from nightferry.reporting.look.logs import Logger

YEAR_S = 365.25 * 86_400


class SetClock:
    """The time module, as a box shows it whose clock is wrong by ``by_s``."""

    def __init__(self) -> None:
        self.by_s = 0.0

    def time(self) -> float:
        return time.time() + self.by_s

    def __getattr__(self, name: str) -> object:
        return getattr(time, name)

    def show(self, moment: datetime) -> None:
        self.by_s = moment.timestamp() - time.time()


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> SetClock:
    made = SetClock()
    monkeypatch.setattr(service, "time", made)
    return made


def test_no_night_is_lost_or_doubled(tmp_path: Path, clock: SetClock, capfd: pytest.CaptureFixture[str]) -> None:
    box = Box(tmp_path, settings='start = "02:30"\nfinish_by = "06:30"\nwatch_day = false')
    box.fill()
    box.ok("pair", "--yes", "recordings")
    evening = datetime(2026, 5, 2, 22, 0)
    clock.show(evening)
    daemon = Daemon(box.config, *take(box.config), Logger(), Notifier({}))
    daemon._clocks = ClockWatch(clock.time)
    begun: list[str] = []

    def look(moment: datetime) -> None:
        clock.show(moment)
        daemon._look()
        if daemon._running:
            begun.append(str(moment.date()))
            wait_for(lambda: daemon._running["recordings"].exit_code() is not None)
            daemon._look()
            assert not daemon._running

    try:
        daemon._adopt(daemon._settings)
        look(evening)
        look(datetime(2026, 5, 3, 2, 29, 58))
        look(datetime(2026, 5, 3, 2, 30, 1))  # the night of the 3rd
        assert begun == ["2026-05-03"]
        look(datetime(2026, 5, 3, 1, 0))  # back by an hour and a half: it comes to its start again
        look(datetime(2026, 5, 3, 2, 30, 1))
        look(datetime(2016, 1, 2, 12, 0))  # back by ten years, by day
        assert begun == ["2026-05-03"]
        look(datetime(2016, 1, 3, 2, 31))  # as wrong as it is, it goes on: nobody may ever set it right
        assert begun == ["2026-05-03", "2016-01-03"]
        look(datetime(2026, 5, 3, 5, 0))  # right again, in the window of a night that was done
        assert begun == ["2026-05-03", "2016-01-03"]
        look(datetime(2036, 7, 1, 3, 0))  # forward by ten years, into a window
        look(datetime(2026, 5, 4, 2, 30, 5))  # and right again
        look(datetime(2026, 5, 4, 5, 0))
        assert begun == ["2026-05-03", "2016-01-03", "2036-07-01", "2026-05-04"]
        look(datetime(2026, 5, 7, 12, 0) + timedelta(minutes=1))  # three days are gone
        assert len(begun) == 4
    finally:
        daemon._alarm.stop()
    told = capfd.readouterr().err
    assert "the clock was set" in told
    assert "event=missed pair=recordings nights=3 first=2026-05-05 last=2026-05-07" in told
    assert box.status()["last_run"]["number"] == 4
