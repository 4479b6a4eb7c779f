"""The process that delivers one alert, or one heartbeat, over the network.

    python -P -m nightferry.reporting.telling.deliver        (what to deliver is one JSON document on standard input)

A process of its own, which its parent ends after a time: a server that answers a byte a minute, or for ever, then holds
up nothing, and what the libraries take of memory is given back. The address comes on standard input, since everybody
on the machine can read arguments. It answers with an exit code and not one word: what libraries and servers say may
have the address in it.
"""

from __future__ import annotations

import http.client
import json
import logging
import re
import resource
import sys
import urllib.error
import urllib.request
from typing import Any

DELIVERED = 0
NO_LIBRARY, NO_SUCH_SERVICE, NOT_REACHED, REFUSED, SERVER_FAULT, NOT_DELIVERED = range(64, 70)

# What each exit code means, in words that follow the name of what was tried.
MEANING = {
    NO_LIBRARY: "takes the apprise library, which is not installed: pip install 'nightferry[alerts]'",
    NO_SUCH_SERVICE: "is not an address that the apprise library knows",
    NOT_REACHED: "could not be reached, or broke off",
    REFUSED: "refused it",
    SERVER_FAULT: "has a fault of its own",
    NOT_DELIVERED: "could not deliver it",
}

_LIMIT_BYTES = 1 << 20
# An answer without end must not take the memory of a small box.
_MEMORY_BYTES = 1 << 30
_TIMEOUT_S = 10.0
_STATUS = re.compile(r"\berror=([1-5][0-9][0-9])\b")


def main() -> int:
    """Delivers what standard input says; returns the exit code."""
    resource.setrlimit(resource.RLIMIT_AS, (_MEMORY_BYTES, _MEMORY_BYTES))
    asked: dict[str, Any] = json.loads(sys.stdin.buffer.read(_LIMIT_BYTES))
    if "heartbeat" in asked:
        return _ask_for(asked["heartbeat"])
    return _notify(asked["url"], asked["title"], asked["text"], asked["kind"])


# --- a heartbeat


def _ask_for(address: str) -> int:
    request = urllib.request.Request(address, headers={"User-Agent": "nightferry"})
    try:
        with urllib.request.urlopen(request, timeout=_TIMEOUT_S) as answer:
            answer.read(1)
    except urllib.error.HTTPError as error:
        return _of_status(error.code)
    except (OSError, http.client.HTTPException, ValueError):
        return NOT_REACHED
    return DELIVERED


# --- an alert


def _notify(address: str, title: str, text: str, kind: str) -> int:
    try:
        import apprise
    except ImportError:
        return NO_LIBRARY
    heard = _Heard()
    logger = logging.getLogger("apprise")
    logger.handlers[:], logger.propagate = [heard], False
    told = apprise.Apprise()
    if not told.add(address):
        return NO_SUCH_SERVICE
    try:
        is_delivered = told.notify(
            body=text, title=title, notify_type=_TYPES[kind], body_format=apprise.NotifyFormat.TEXT
        )
    except (OSError, TypeError, ValueError, MemoryError):
        is_delivered = None
    return DELIVERED if is_delivered else heard.code


# What a service shows them with: a colour or a sign, where it has any.
_TYPES: dict[str, Any] = {"attention": "warning", "failed": "failure", "well": "success", "morning": "info"}


class _Heard(logging.Handler):
    """What went wrong, by what the library says of it: none of its words go further."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.code = NOT_DELIVERED

    def emit(self, record: logging.LogRecord) -> None:
        told = record.getMessage()
        if (found := _STATUS.search(told)) is not None:
            self.code = _of_status(int(found.group(1)))
        elif "onnection error" in told:
            self.code = NOT_REACHED


def _of_status(status: int) -> int:
    """Of HTTP (RFC 9110, section 15)."""
    return REFUSED if 400 <= status < 500 else SERVER_FAULT if status >= 500 else NOT_DELIVERED


if __name__ == "__main__":
    sys.exit(main())
