"""Handing a document to another process: a command of the user's, or our own that talks to the network.

No shell is in between; the document goes to standard input, what the process prints goes nowhere, and one that takes
too long is ended with all that it started. What went wrong comes back in words without its arguments, which may be
secret.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress

# What takes longer hangs.
TIME_LIMIT_S = 60.0


def to_command(command: Sequence[str], document: Mapping[str, object], time_limit_s: float) -> str | None:
    """Runs a command of the user's with a document. What went wrong, in words that follow its name, else None."""
    try:
        code = _run(command, document, time_limit_s)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else "its arguments cannot be passed on"
        return f"could not be started ({why})"
    if code is None:
        return f"did not end within {time_limit_s:g} s and was killed"
    if code:
        return f"ended with signal {-code}" if code < 0 else f"ended with exit code {code}"
    return None


def to_network(document: Mapping[str, object], time_limit_s: float) -> str | None:
    """Has a document delivered (deliver.py). What went wrong, in words that follow the name of the address."""
    # -P: nothing is imported from the working directory.
    command = (sys.executable, "-P", "-m", "nightferry.reporting.telling.deliver")
    try:
        code = _run(command, document, time_limit_s)
    except OSError as error:
        return f"could not be tried ({error.strerror})"
    if code is None:
        return f"did not answer within {time_limit_s:g} s"
    if code:
        from nightferry.reporting.telling import deliver  # what it loads is for the other process

        return deliver.MEANING.get(code, f"could not be tried (exit code {code})")
    return None


def _run(command: Sequence[str], document: Mapping[str, object], time_limit_s: float) -> int | None:
    """The exit code; None for one that had to be ended."""
    process = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )
    try:
        process.communicate(json.dumps(document).encode("ascii") + b"\n", timeout=time_limit_s)
    except subprocess.TimeoutExpired:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        return None
    return process.returncode
