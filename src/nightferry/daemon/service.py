"""The daemon: begins each night when it is due, once, in a process of its own, and lives through what happens to it.

One thread decides; it never touches a drive. It wakes when the alarm rings (alarm.py), when a night ends, on a signal,
and every few seconds, so that a clock that was set, a drive that came free or an alarm that did not ring cost no night.
"""

from __future__ import annotations

import os
import queue
import signal
import time
from collections.abc import Callable
from datetime import date
from functools import partial
from pathlib import Path

from nightferry.daemon.alarm import Alarm
from nightferry.daemon.clocks import ClockWatch
from nightferry.daemon.configuration import take
from nightferry.daemon.diary import BEGUN, ENDED, GIVEN_UP, STOPPED, WAITING, Diary, Entry
from nightferry.daemon.notify import Notifier
from nightferry.daemon.process import ALIVE_LIMIT_S, NightProcess
from nightferry.daemon.sharing import Mounted, drives_of, mounted_of
from nightferry.daemon.telling import Telling
from nightferry.daemon.to_say import ToSay, Unsaid
from nightferry.daemon.watching import DayWatch
from nightferry.errors import NightferryError
from nightferry.night.excluding import excluder
from nightferry.planning.schedule import Window, calendar_of, due, next_window
from nightferry.reporting.look import exits
from nightferry.reporting.look.logs import Logger
from nightferry.reporting.standing.day_report import leave_given_up, leave_missed, leave_surge
from nightferry.reporting.standing.day_report import write as write_day
from nightferry.settings import PairSettings, Settings
from nightferry.units import format_duration

TICK_S = 5.0
# Nights on different drives go at the same time, up to so many: they share a small box's processor and memory.
MOST_AT_ONCE = 2
# After it found that somebody else works on the pair.
BUSY_AGAIN_S = 60.0
# What a night takes to stop; systemd allows more (TimeoutStopSec).
STOP_LIMIT_S = 90.0

_Inbox = queue.SimpleQueue[str]


class Daemon:
    """One daemon over all pairs of a configuration."""

    def __init__(self, config: Path | None, settings: Settings, copy: Path, log: Logger, notifier: Notifier) -> None:
        self._config, self._settings, self._copy = config, settings, copy
        self._log, self._notifier = log, notifier
        self._inbox: _Inbox = queue.SimpleQueue()
        self._alarm = Alarm(lambda: self._inbox.put("alarm"))
        self._clocks = ClockWatch()
        self._diaries: dict[str, Diary] = {}
        self._running: dict[str, NightProcess] = {}
        self._not_before_s: dict[str, float] = {}  # by the monotonic clock
        self._told_waiting: set[tuple[str, object]] = set()
        self._lame: set[str] = set()
        self._alive_limit_s = min(ALIVE_LIMIT_S, notifier.ping_every_s or ALIVE_LIMIT_S)
        self._unsaid = ToSay(log)
        self._mounted: dict[str, Mounted] = {}  # of pairs whose night found a drive missing
        self._day_ended: dict[str, date] = {}
        self._watches: dict[str, tuple[PairSettings, DayWatch]] = {}
        self._telling = Telling(log)

    def run(self) -> int:
        """Until somebody asks it to stop; returns the exit code."""
        before = {number: signal.signal(number, self._heard) for number in _SIGNALS}
        try:
            self._adopt(self._settings)
            self._look()
            self._notifier.ready()
            self._log.info("ready", pairs=len(self._settings.pair))
            while True:
                word = self._next_word()
                if word == "stop":
                    return self._stop()
                if word == "reload":
                    self._reload()
                self._look()
        finally:
            self._alarm.stop()
            for _, watch in self._watches.values():
                watch.stop()
            for number, handler in before.items():
                signal.signal(number, handler)

    # --- what wakes it

    def _heard(self, number: int, frame: object) -> None:
        word = {signal.SIGHUP: "reload", signal.SIGCHLD: "night"}.get(signal.Signals(number), "stop")
        self._inbox.put(word)  # a SimpleQueue may be put to in a handler

    def _next_word(self) -> str:
        try:
            return self._inbox.get(timeout=TICK_S)
        except queue.Empty:
            return "tick"

    # --- the configuration

    def _adopt(self, settings: Settings) -> None:
        now_s = time.time()
        for pair in settings.pair:
            if pair.name not in self._diaries:
                diary = Diary(settings.state_dir / pair.name, now_s)
                self._diaries[pair.name] = diary
                self._keep(pair.name, diary.begin_keeping)
        self._settings = settings
        self._set_alarm()
        for pair in settings.pair:
            window = next_window(calendar_of(pair), now_s)
            if window is not None:
                self._log.info("next night", pair=pair.name, start=_shown(window.start_s), end=_shown(window.end_s))

        self._watch_days(settings)

    def _watch_days(self, settings: Settings) -> None:
        """Watches what is to be watched; a watch goes on where its settings are as they were."""
        wanted = {pair.name: pair for pair in settings.pair if pair.watch_day}
        for name, (watched, watch) in list(self._watches.items()):
            if wanted.get(name) != watched:
                watch.stop()
                del self._watches[name]
        for name, pair in wanted.items():
            if name not in self._watches:
                watch = DayWatch(
                    pair.primary,
                    require_mount=pair.require_mount,
                    most_folders=pair.watch_folders,
                    limit=pair.hold_count,
                    excludes=excluder(pair.exclude)[0],
                    tell=partial(self._tell_surge, name),
                )
                self._watches[name] = (pair, watch)
                watch.start()

    def _tell_surge(self, pair: str, reasons: list[str]) -> None:
        """Called in the thread of a watch."""
        self._log.warning("something is out of the ordinary on the primary", pair=pair, reasons=reasons)
        self._unsaid.put(Unsaid(pair, "surge", partial(leave_surge, self._settings.state_dir, pair, reasons)))
        self._inbox.put("tick")

    def _tell_missed(self, pair: str, windows: tuple[Window, ...], event: str) -> None:
        days = sorted(window.day for window in windows)
        self._keep(pair, lambda: self._diaries[pair].enter_missed(windows))
        self._log.error(event, pair=pair, nights=len(days), first=str(days[0]), last=str(days[-1]))
        state_dir = self._settings.state_dir
        self._unsaid.put(Unsaid(pair, "missed", partial(leave_missed, state_dir, pair, days[0], days[-1])))

    def _tell_given_up(self, pair: str, night: Entry) -> None:
        self._keep(pair, lambda: self._diaries[pair].enter(night.window, GIVEN_UP))
        self._log.error("a night is given up", pair=pair, night=str(night.day), attempts=night.attempts)
        state_dir = self._settings.state_dir
        self._unsaid.put(Unsaid(pair, "given_up", partial(leave_given_up, state_dir, pair, night.day, night.attempts)))

    def _end_day(self, pair: PairSettings) -> None:
        """A night begins: what was seen until now goes beside it."""
        if pair.name in self._watches:
            day = self._watches[pair.name][1].turn()
            self._keep(pair.name, lambda: write_day(self._settings.state_dir / pair.name, day, time.time()))

    def _set_alarm(self) -> None:
        self._alarm.set({pair.name: calendar_of(pair) for pair in self._settings.pair})

    def _reload(self) -> None:
        self._notifier.reloading()
        try:
            settings, copy = take(self._config)
            if settings.state_dir != self._settings.state_dir:
                raise NightferryError("state_dir changed, which takes a restart of the daemon")
        except NightferryError as error:
            self._log.error("configuration not taken, the one before still counts", error=str(error))
        else:
            self._copy = copy
            self._adopt(settings)
            self._log.info("configuration taken", pairs=len(settings.pair))
        self._notifier.ready()

    # --- looking around

    def _look(self) -> None:
        moved_s = self._clocks.look()
        if moved_s is not None:
            way = "forward" if moved_s > 0 else "back"
            self._log.warning("the clock was set", way=way, by=format_duration(abs(moved_s)))
            self._set_alarm()
        time.tzset()  # the machine's zone may have been changed too
        for night in list(self._running.values()):
            self._look_after(night)
        for pair in self._settings.pair:
            if pair.name not in self._running:
                self._decide(pair, time.time())
        for pair_name in self._unsaid.say(time.time(), busy=self._running.keys()):
            self._telling.soon(pair_name)
            self._telling.page(pair_name, self._copy)
        if not self._lame:
            self._notifier.alive()
        self._telling.look(self._settings, is_alive=not self._lame)
        self._notifier.status(self._summary())

    def _look_after(self, night: NightProcess) -> None:
        code = night.exit_code()
        if code is not None:
            del self._running[night.pair]
            self._lame.discard(night.pair)
            self._ended(night, code)
            self._telling.soon(night.pair)
            return
        done = night.keep_to_window()
        if done is not None:
            self._log.error("a night went on beyond its window", pair=night.pair, night=str(night.window.day), was=done)
        if night.is_alive(self._alive_limit_s):
            self._lame.discard(night.pair)
        elif night.pair not in self._lame:
            # systemd is no longer told that all is well, and starts the daemon anew.
            self._lame.add(night.pair)
            self._log.error("a night's process does not run any more", pair=night.pair, pid=night.pid)

    def _ended(self, night: NightProcess, code: int) -> None:
        diary = self._diaries[night.pair]
        if code == exits.BUSY:
            self._not_before_s[night.pair] = time.monotonic() + BUSY_AGAIN_S
            self._keep(night.pair, lambda: diary.enter(night.window, WAITING, code))
            self._log.info("another run of this pair is in progress; tried again later", pair=night.pair)
            return
        killed = code > 128
        # Ended from outside, by the kernel for want of memory for one: carried on with, a few times.
        self._keep(night.pair, lambda: diary.enter(night.window, BEGUN if killed else ENDED, code))
        if killed:
            self._not_before_s[night.pair] = time.monotonic() + BUSY_AGAIN_S
        if code == exits.WRONG_DRIVE:
            self._mounted[night.pair] = night.mounted
        say = self._log.info if code in (exits.SOUND, exits.ATTENTION) else self._log.error
        say("night ended", pair=night.pair, night=str(night.window.day), exit_code=code)

    def _decide(self, pair: PairSettings, now_s: float) -> None:
        diary = self._diaries[pair.name]
        given_up = diary.to_give_up(now_s)
        if given_up is not None:
            self._tell_given_up(pair.name, given_up)
        if time.monotonic() < self._not_before_s.get(pair.name, 0.0):
            return
        in_vain = diary.waited_in_vain(now_s)
        if in_vain:
            self._tell_missed(pair.name, in_vain, "missed, since other runs of this pair took all of the window")
        cut_off = diary.to_resume(now_s)
        if cut_off is not None:
            self._begin(pair, cut_off.window, now_s, "a night that was cut off is carried on with")
            return
        without_drive = diary.without_drive(now_s)
        if without_drive is not None and self._has_drive_come(pair):
            self._begin(pair, without_drive.window, now_s, "a drive came, and its night is begun again")
            return
        found = due(calendar_of(pair), pair.if_missed, now_s, diary.begun, diary.told, diary.since_s(now_s))
        if found.missed:
            self._tell_missed(pair.name, found.missed, "missed")
        if found.begin is not None:
            self._begin(pair, found.begin, now_s, "a night begins late" if found.is_late else "a night begins")

    def _has_drive_come(self, pair: PairSettings) -> bool:
        """Whether both drives are mounted, and one of them was not, or another one, when it was last looked."""
        now = mounted_of(pair)
        before = self._mounted.get(pair.name)
        if before is not None and not now.is_both:
            self._mounted[pair.name] = now
        return now.is_both and now != before

    def _begin(self, pair: PairSettings, window: Window, now_s: float, event: str) -> None:
        drives = drives_of(pair)
        in_use = [each for each in self._running.values() if each.drives & drives]
        if in_use or len(self._running) >= MOST_AT_ONCE:
            if (pair.name, window.day) not in self._told_waiting:
                self._told_waiting.add((pair.name, window.day))
                first = (in_use or list(self._running.values()))[0].pair
                self._log.info("a night waits for another", pair=pair.name, waits_for=first)
            return
        self._told_waiting.discard((pair.name, window.day))
        self._keep(pair.name, lambda: self._diaries[pair.name].enter(window, BEGUN))
        if self._day_ended.get(pair.name) != window.day:  # a night that is carried on with has had its day
            self._day_ended[pair.name] = window.day
            self._end_day(pair)
        try:
            night = NightProcess(pair, window, window.end_s - now_s, self._copy)
        except OSError as error:
            self._not_before_s[pair.name] = time.monotonic() + BUSY_AGAIN_S
            self._log.error("a night cannot be started; tried again later", pair=pair.name, error=error.strerror)
            return
        self._running[pair.name] = night
        self._log.info(event, pair=pair.name, night=str(window.day), until=_shown(window.end_s), pid=night.pid)

    def _keep(self, pair: str, write: Callable[[], None]) -> None:
        """What cannot be written down is still known until the daemon ends."""
        try:
            write()
        except OSError as error:
            self._log.error("the schedule cannot be written down", pair=pair, error=error.strerror)

    def _summary(self) -> str:
        if self._running:
            return "night of " + ", ".join(sorted(self._running))
        now_s = time.time()
        following = [(next_window(calendar_of(pair), now_s), pair.name) for pair in self._settings.pair]
        starts = sorted((window.start_s, name) for window, name in following if window is not None)
        return f"next night: {starts[0][1]} at {_shown(starts[0][0])}" if starts else "no night to come"

    # --- the end

    def _stop(self) -> int:
        self._notifier.stopping()
        self._log.info("stopping", nights=len(self._running))
        for night in self._running.values():
            night.ask()
        until_s = time.monotonic() + STOP_LIMIT_S
        for night in self._running.values():
            if not night.wait(max(0.0, until_s - time.monotonic())):
                night.end()
                night.wait(5.0)
            code = night.exit_code()
            diary = self._diaries[night.pair]
            # A night that came to its end in this very moment is done; any other is carried on with in its window.
            state = ENDED if code == exits.SOUND else STOPPED
            self._keep(night.pair, lambda d=diary, n=night, s=state, c=code: d.enter(n.window, s, c))  # type: ignore[misc]
            self._log.info("night stopped", pair=night.pair, exit_code=code)
        self._unsaid.say(time.time(), busy=())
        return exits.SOUND


_SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGCHLD)


def _shown(unix_s: float) -> str:
    return time.strftime("%Y-%m-%d %H:%M %Z", time.localtime(unix_s))


def single(state_dir: Path) -> Path:
    """The lock file of the one daemon that a state folder has; makes the folder. Raises ``OSError``."""
    os.makedirs(state_dir, mode=0o755, exist_ok=True)
    return state_dir / "daemon.lock"
