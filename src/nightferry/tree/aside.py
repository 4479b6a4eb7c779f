"""Work beside reading: one block is hashed, and written, while the next comes from the drive.

A drive is asked for its next block as soon as it has given the last one, so its rate is its own and not what is left of
it by the checksum: with XXH3 on a fast processor that is a percent, with SHA-256 on a small board a quarter.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable

# Threads wait in short sleeps: one that has not run for longer is one that a drive keeps waiting (night/hang.py).
_SLEEP_S = 1.0


class Aside:
    """Takes one block at a time. Its thread begins with the first one, and goes when it is closed."""

    def __init__(self) -> None:
        self._todo: queue.SimpleQueue[tuple[Callable[[memoryview], object], memoryview] | None] = queue.SimpleQueue()
        self._done = threading.Event()
        self._done.set()
        self._error: BaseException | None = None
        self._thread: threading.Thread | None = None

    def do(self, action: Callable[[memoryview], object], data: memoryview) -> None:
        """Hands a block over, once the one before is done; it must stay as it is until ``wait`` has returned."""
        self.wait()
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="beside reading", daemon=True)
            self._thread.start()
        self._done.clear()
        self._todo.put((action, data))

    def wait(self) -> None:
        """Returns when nothing is under way. Raises what the action raised."""
        while not self._done.wait(_SLEEP_S):
            pass
        error, self._error = self._error, None
        if error is not None:
            raise error

    def close(self) -> None:
        thread, self._thread = self._thread, None
        if thread is not None:
            self._todo.put(None)
            while thread.is_alive():
                thread.join(_SLEEP_S)

    def _run(self) -> None:
        while True:
            try:
                work = self._todo.get(timeout=_SLEEP_S)
            except queue.Empty:
                continue
            if work is None:
                return
            try:
                action, data = work
                action(data)
            except BaseException as error:  # handed to the thread that waits for it
                self._error = error
            finally:
                del work, action, data  # the memory may be given back as soon as it is said to be done
                self._done.set()
