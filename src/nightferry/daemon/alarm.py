"""Rings when a night is to start, through APScheduler.

Only an alarm: what is due is decided by planning/schedule.py, whoever rings and how often. So the trigger is one of our
own, built on the same function, since the library's cron trigger has known faults around changes of the clock (its
tracker: #606, #1021). The library also sleeps until the wall clock's next moment, however far a clock that was set back
has moved that away; the daemon looks by itself every few seconds, and sets the alarm anew when the clock was set.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime

from apscheduler.schedulers.background import BackgroundScheduler  # type: ignore[import-untyped]
from apscheduler.triggers.base import BaseTrigger  # type: ignore[import-untyped]

from nightferry.planning.schedule import Calendar, next_window


class StartOfNight(BaseTrigger):  # type: ignore[misc]  # the library is not typed
    """Fires at the next start that a calendar has after now."""

    def __init__(self, calendar: Calendar) -> None:
        self.calendar = calendar

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime | None:
        """See the library's ``BaseTrigger``. Never a time that has passed: what was missed is nothing to ring for."""
        after_s = now.timestamp() if previous_fire_time is None else max(now, previous_fire_time).timestamp()
        window = next_window(self.calendar, after_s)
        return None if window is None else datetime.fromtimestamp(window.start_s, UTC)


class Alarm:
    """One ring for each start of each pair. ``ring`` is called in a thread of the library's."""

    def __init__(self, ring: Callable[[], None]) -> None:
        self._ring = ring
        self._scheduler: BackgroundScheduler | None = None

    def set(self, calendars: Mapping[str, Calendar]) -> None:
        """In place of what was set before."""
        self.stop()
        scheduler = BackgroundScheduler(timezone=UTC)
        for name, calendar in calendars.items():
            scheduler.add_job(
                self._ring, StartOfNight(calendar), id=name, misfire_grace_time=None, coalesce=True, max_instances=1
            )
        scheduler.start()
        self._scheduler = scheduler

    def stop(self) -> None:
        scheduler, self._scheduler = self._scheduler, None
        if scheduler is not None:
            scheduler.shutdown(wait=False)
