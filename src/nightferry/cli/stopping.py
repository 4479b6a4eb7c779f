"""Signals that would end the process ask a command to stop instead."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from nightferry.night.context import Stop


# The signals that would end a process and that a person or a system sends for it.
ENDING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class Asked:
    """Whether somebody asked to stop, how often, and the run that is to hear of it."""

    def __init__(self) -> None:
        self.is_set = False
        self.times = 0
        self._stop: Stop | None = None

    def attend(self, stop: Stop) -> None:
        """From now on, ``stop`` is the one that is told."""
        self._stop = stop
        if self.is_set:
            stop.request("asked to stop")

    def __call__(self, number: int, frame: object) -> None:
        self.is_set = True
        self.times += 1
        if self._stop is not None:
            self._stop.request("asked to stop")


@contextmanager
def stopping_on_signals() -> Iterator[Asked]:
    """For the time of the block, the signals that would end the process ask the run to stop instead."""
    asked = Asked()
    before = {number: signal.getsignal(number) for number in ENDING}
    for number, handler in before.items():
        if handler is not signal.SIG_IGN:  # as nohup(1) wants it
            signal.signal(number, asked)
    try:
        yield asked
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
