"""One night as a process of its own: started, looked at, asked to stop, ended."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from nightferry.daemon.sharing import drives_of, mounted_of
from nightferry.planning.schedule import Window
from nightferry.settings import PairSettings

# A night ends itself at the end of its window. One that does not is asked, and then ended.
ASK_AFTER_S = 15 * 60.0
END_AFTER_S = 20 * 60.0
# The process looks at its drives several times a second. One that has not run for this long is not alive; where systemd
# waits for less, half of that.
ALIVE_LIMIT_S = 120.0


class NightProcess:
    """A night that runs. ``drives``: what it works on; ``mounted``: what was there when it began (sharing.py)."""

    def __init__(self, pair: PairSettings, window: Window, left_s: float, settings: Path) -> None:
        """Starts it. Raises ``OSError``."""
        self.pair, self.window = pair.name, window
        self.drives, self.mounted = drives_of(pair), mounted_of(pair)
        command: Sequence[str] = (
            sys.executable, "-P", "-m", "nightferry.daemon.launch", str(os.getpid()), "--config", str(settings),
            "run", "--by-daemon", "--for", f"{max(1, round(left_s))}s", pair.name,
        )  # fmt: skip
        # In a session of its own: Ctrl-C reaches the daemon, which asks the night to stop.
        self._process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, start_new_session=True
        )
        self._ends_s = time.monotonic() + left_s
        self._mark: object = None
        self._marked_s = time.monotonic()
        self._asked_at_s: float | None = None

    @property
    def pid(self) -> int:
        return self._process.pid

    def exit_code(self) -> int | None:
        """Of a night that has ended: as a shell has it, 128 and the number for a signal."""
        code = self._process.poll()
        return code if code is None or code >= 0 else 128 - code

    def ask(self) -> None:
        """Asks it to stop."""
        self._signal(signal.SIGTERM)

    def end(self) -> None:
        """Ends it at once, and what it started."""
        with suppress(OSError):
            os.killpg(self.pid, signal.SIGKILL)

    def wait(self, seconds: float) -> bool:
        """Whether it ended within the time."""
        try:
            self._process.wait(seconds)
        except subprocess.TimeoutExpired:
            return False
        return True

    def keep_to_window(self) -> str | None:
        """To be called now and then; returns what had to be done about a night that goes on beyond its window."""
        over_s = time.monotonic() - self._ends_s
        if over_s > END_AFTER_S:
            self.end()
            return "ended"
        if over_s > ASK_AFTER_S and self._asked_at_s is None:
            self._asked_at_s = time.monotonic()
            self.ask()
            return "asked to stop"
        return None

    def is_alive(self, limit_s: float = ALIVE_LIMIT_S) -> bool:
        """Whether the process has run of late; to be called often. It watches over the drives (night/hang.py)."""
        mark = _times_run(self.pid)
        now_s = time.monotonic()
        if mark != self._mark:
            self._mark, self._marked_s = mark, now_s
        return now_s - self._marked_s < limit_s

    def _signal(self, number: signal.Signals) -> None:
        with suppress(OSError):
            self._process.send_signal(number)


def _times_run(pid: int) -> tuple[str, ...]:
    """What moves whenever a process runs (proc_pid_status(5))."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return ()
    return tuple(line for line in lines if "ctxt_switches" in line)
