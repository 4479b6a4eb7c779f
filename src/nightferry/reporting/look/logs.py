"""Log lines through structlog: readable on a terminal and in a file, JSON for the journal.

One line an event. Whatever a value holds, the line is not broken and no terminal obeys it.
"""

from __future__ import annotations

import os
import sys
from typing import Any, TextIO

from nightferry.units import show_name, show_text


def in_journal(stream: TextIO) -> bool:
    """Whether a stream is the one that systemd connected to its journal (systemd.exec(5), $JOURNAL_STREAM)."""
    device, _, inode = os.environ.get("JOURNAL_STREAM", "").partition(":")
    found = getattr(stream, "file_behind", None)  # of a stream that another process writes for this one (night/hang.py)
    try:
        found = found or os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return (device, inode) == (str(found.st_dev), str(found.st_ino))


def shown(value: object) -> object:
    """A value as it may stand in a line."""
    if isinstance(value, bytes):
        return show_name(value)
    if isinstance(value, int | float):
        return value
    if isinstance(value, list | tuple):
        return "; ".join(str(shown(each)) for each in value)
    return show_text(str(value))


class Logger:
    """Says what happened. A stream that takes no more is given up on."""

    def __init__(self, stream: TextIO | None = None, **always: object) -> None:
        import structlog

        stream = stream or sys.stderr
        processors: list[Any]
        if in_journal(stream):
            processors = [structlog.processors.JSONRenderer(ensure_ascii=True)]  # the journal has the time
        else:
            processors = [
                structlog.processors.TimeStamper(fmt="iso", utc=True, key="at"),
                structlog.processors.LogfmtRenderer(
                    key_order=["at", "level", "event", "pair"], bool_as_flag=False, drop_missing=True
                ),
            ]
        self._logger: Any = structlog.wrap_logger(
            structlog.PrintLogger(file=stream), processors=processors, cache_logger_on_first_use=False
        )
        self._always = always
        self._gone = False

    def info(self, event: str, **details: object) -> None:
        self._say("info", event, details)

    def warning(self, event: str, **details: object) -> None:
        self._say("warning", event, details)

    def error(self, event: str, **details: object) -> None:
        self._say("error", event, details)

    def _say(self, level: str, event: str, details: dict[str, object]) -> None:
        if self._gone:
            return
        found = {key: shown(value) for key, value in {**self._always, **details}.items() if value is not None}
        if level != "info":
            found["level"] = level
        try:
            self._logger.info(shown(event), **found)
        except (OSError, ValueError):
            self._gone = True
