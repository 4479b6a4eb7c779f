"""What a service tells systemd: that it is ready, alive, what it does (sd_notify(3), a datagram to $NOTIFY_SOCKET)."""

from __future__ import annotations

import os
import socket
import time
from contextlib import suppress

_STATUS_LIMIT = 400


class Notifier:
    """Talks to whoever started this process; says nothing where nobody listens."""

    def __init__(self, environment: dict[str, str] | None = None) -> None:
        """Takes the variables out of the environment, so that no process started from here answers for this one."""
        found = os.environ if environment is None else environment
        self._address = found.pop("NOTIFY_SOCKET", None)
        every = found.pop("WATCHDOG_USEC", "")
        meant_for = found.pop("WATCHDOG_PID", "")
        self._every_s = int(every) / 2e6 if every.isdigit() and meant_for in ("", str(os.getpid())) else None
        self._pinged_s: float | None = None
        self._said = ""

    @property
    def ping_every_s(self) -> float | None:
        """Half of what systemd waits, as sd_watchdog_enabled(3) asks for; None where it does not wait."""
        return self._every_s

    def ready(self) -> None:
        self._send("READY=1")

    def reloading(self) -> None:
        self._send(f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def status(self, text: str) -> None:
        """One line that `systemctl status` shows."""
        shown = " ".join(text.split())[:_STATUS_LIMIT]
        if shown != self._said:
            self._said = shown
            self._send(f"STATUS={shown}")

    def alive(self) -> None:
        """To be called often; pings as often as systemd wants it."""
        now_s = time.monotonic()
        if self._every_s is not None and (self._pinged_s is None or now_s - self._pinged_s >= self._every_s / 2):
            self._pinged_s = now_s
            self._send("WATCHDOG=1")

    def _send(self, message: str) -> None:
        if not self._address:
            return
        # "@" stands for the NUL of an abstract address (unix(7)).
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as speaker:
            speaker.setblocking(False)
            speaker.sendto(message.encode(), address)
