"""What the daemon tells others: alerts, metrics, and a watcher outside that it lives. Beside the deciding, in threads.

A server that does not answer holds up no night. Each of these has one thread at a time.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from threading import Thread

from nightferry.reporting.look.logs import Logger
from nightferry.reporting.page.again import page_again
from nightferry.reporting.telling import alerts
from nightferry.reporting.telling.heartbeat import beat
from nightferry.settings import PairSettings, Settings

# How often it is looked whether somebody has to be told.
LOOK_EVERY_S = 60.0
# How often the figures are looked at; a night's own are written when it ends.
MEASURE_EVERY_S = 300.0


class Telling:
    """``look`` is to be called often."""

    def __init__(self, log: Logger) -> None:
        self._log = log
        self._beside: dict[str, tuple[Thread, float]] = {}
        self._said: dict[str, str | None] = {}
        self._pages: dict[str, Path] = {}

    def look(self, settings: Settings, *, is_alive: bool) -> None:
        """Tells what is to be told. ``is_alive``: whether the nights are; the watcher outside hears of it."""
        for pair in settings.pair:
            if alerts.is_anybody_told(pair):
                self._start(f"alerts of {pair.name}", LOOK_EVERY_S, partial(_alert, pair, settings))
        for pair_name, config in list(self._pages.items()):
            if self._start(f"page of {pair_name}", 0.0, partial(page_again, config, pair_name)):
                del self._pages[pair_name]
        if settings.metrics_file is not None:
            self._start("metrics", MEASURE_EVERY_S, partial(_measure, settings))
        if settings.heartbeat_url is not None and is_alive:
            self._start("heartbeat", settings.heartbeat_every.total_seconds(), partial(beat, settings))

    def page(self, pair: str, config: Path) -> None:
        """Something was entered in the pair's status by day: the page beside it is to say so too."""
        self._pages[pair] = config

    def soon(self, pair: str) -> None:
        """A night of this pair has ended: there may be something to tell at once."""
        for name in (f"alerts of {pair}", "metrics"):
            if name in self._beside:
                self._beside[name] = (self._beside[name][0], 0.0)

    def _start(self, name: str, every_s: float, do: Callable[[], str | None]) -> bool:
        """Whether it was begun: not while it is under way, nor too soon after."""
        before = self._beside.get(name)
        if before is not None and (before[0].is_alive() or time.monotonic() < before[1]):
            return False
        thread = Thread(target=self._do, args=(name, do), daemon=True)
        self._beside[name] = (thread, time.monotonic() + every_s)
        thread.start()
        return True

    def _do(self, name: str, do: Callable[[], str | None]) -> None:
        problem = do()
        # Once, and once when it is well again: the journal is for reading.
        if problem != self._said.get(name):
            if problem is not None:
                self._log.error("somebody could not be told", what=name, error=problem)
            elif name in self._said:
                self._log.info("somebody can be told again", what=name)
            self._said[name] = problem


def _alert(pair: PairSettings, settings: Settings) -> str | None:
    return alerts.tell(pair, settings.state_dir, time.time())


def _measure(settings: Settings) -> str | None:
    from nightferry.reporting.telling.metrics import leave_metrics

    return leave_metrics(settings, time.time())
