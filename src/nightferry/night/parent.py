"""A process that does not outlive the one that started it."""

from __future__ import annotations

import ctypes
import os
import signal

_PR_SET_PDEATHSIG = 1  # linux/prctl.h


def die_with_parent(parent: int) -> None:
    """From now on the kernel kills this process when its parent ends. ``parent``: the process id it should have.

    A night whose watcher was killed would go on unseen. That it may be killed at any instant is what it is built for.
    """
    ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    if os.getppid() != parent:  # it ended before the call
        os._exit(1)
