"""A daemon as a process over a box, whose nights are due at once."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from box import Box, wait_for

# A night that goes on until somebody ends it.
LONG = 'settle_quiet = "30min"\nsettle_limit = "1h"'


class Service:
    """Its nights' window is open, and the daemon is known of old. ``environment`` is added to that of the process."""

    def __init__(self, box: Box, log: Path) -> None:
        self.box, self.log = box, log
        self.process: subprocess.Popen[bytes] | None = None
        self.environment: dict[str, str] = {}

    def configure(self, *pairs: str, per_pair: Mapping[str, str] | None = None, open_s: float = 3600.0) -> None:
        now = datetime.now()
        start, end = now - timedelta(minutes=3), now + timedelta(seconds=open_s)
        self.box.configure(pairs, f'start = "{start:%H:%M}"\nfinish_by = "{end:%H:%M}"', dict(per_pair or {}))
        for pair in pairs:
            if not (self.box.folder(pair) / "manifest.sqlite3").exists():
                self.box.fill(pair)
                self.box.ok("pair", "--yes", pair)
            self.known_of_old(pair, start)

    def known_of_old(self, pair: str, start: datetime) -> None:
        """As if the daemon had begun its work yesterday, so that a night which started before now is its own."""
        known = self.box.folder(pair) / "schedule.json"
        if not known.exists():
            yesterday = (start - timedelta(hours=12)).timestamp()
            known.write_text(json.dumps({"format": 1, "since_s": yesterday, "nights": []}))

    def start(self) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                self.box.command("daemon"), stdin=subprocess.DEVNULL, stderr=log, env={**os.environ, **self.environment}
            )

    def says(self, *words: str) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, self.log.read_text()
        return any(all(word in line for word in words) for line in self.log.read_text().splitlines())

    def wait(self, what: Callable[[], bool]) -> None:
        try:
            wait_for(what, 90)
        except BaseException:
            print(self.log.read_text())
            raise

    def night(self, pair: str = "recordings") -> dict[str, Any]:
        nights = json.loads((self.box.folder(pair) / "schedule.json").read_text())["nights"]
        return nights[-1] if nights else {"state": None, "attempts": 0, "exit_code": None}

    def night_pid(self, pair: str = "recordings") -> int:
        """The process of the newest night of a pair, once the daemon has said it."""
        self.wait(lambda: self.says(f"pair={pair}", "pid="))
        lines = [line for line in self.log.read_text().splitlines() if f"pair={pair}" in line and "pid=" in line]
        return int(lines[-1].rpartition("pid=")[2].split()[0])

    def resident_mib(self) -> float:
        """What the daemon's own process takes of memory (proc_pid_status(5))."""
        assert self.process is not None
        lines = Path(f"/proc/{self.process.pid}/status").read_text().splitlines()
        return int(next(line for line in lines if line.startswith("VmRSS")).split()[1]) / 1024

    def signal(self, number: signal.Signals) -> None:
        assert self.process is not None
        self.process.send_signal(number)

    def stop(self) -> int:
        assert self.process is not None
        if self.process.poll() is None:
            self.signal(signal.SIGTERM)
        return self.process.wait(60)

    def close(self) -> None:
        if self.process is not None:
            if self.process.poll() is None:
                self.process.kill()
            self.process.wait()


class Listener:
    """Listens as systemd does (sd_notify(3)): ``heard`` has all messages until now."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._socket.setblocking(False)
        self._heard: list[str] = []
        self.environment = {"NOTIFY_SOCKET": str(path)}

    def heard(self) -> list[str]:
        while True:
            try:
                self._heard.append(self._socket.recv(4096).decode())
            except BlockingIOError:
                return self._heard

    def pings(self) -> int:
        return self.heard().count("WATCHDOG=1")

    def close(self) -> None:
        self._socket.close()
