"""What the daemon has to enter in the status of a pair, until it stands there: a run in progress keeps the status."""

from __future__ import annotations

import queue
from collections.abc import Callable, Collection
from typing import NamedTuple

from nightferry.errors import Busy, NightferryError
from nightferry.reporting.look.logs import Logger


class Unsaid(NamedTuple):
    """``write`` enters it, given the moment (Unix time); the newest of a pair's of one ``what`` counts."""

    pair: str
    what: str
    write: Callable[[float], None]


class ToSay:
    """``put`` from any thread; ``say`` from one."""

    def __init__(self, log: Logger) -> None:
        self._log = log
        self._new: queue.SimpleQueue[Unsaid] = queue.SimpleQueue()
        self._waiting: dict[tuple[str, str], Unsaid] = {}

    def put(self, each: Unsaid) -> None:
        self._new.put(each)

    def say(self, now_s: float, busy: Collection[str]) -> set[str]:
        """Enters what can be entered; the pairs of which something was. ``busy``: those whose night runs.

        Where the status is not to be had at all, the journal has said it.
        """
        while not self._new.empty():
            each = self._new.get()
            self._waiting[each.pair, each.what] = each
        said = set()
        for key, each in list(self._waiting.items()):
            if each.pair in busy:
                continue
            try:
                each.write(now_s)
            except Busy:
                continue
            except (NightferryError, OSError, ValueError) as error:
                self._log.error("that could not be entered in the status", pair=each.pair, error=str(error))
            else:
                said.add(each.pair)
            del self._waiting[key]
        return said
