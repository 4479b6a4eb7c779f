"""Telling somebody: a command of the user's gets the status when it wants attention, and when it is well again.

It decides nothing about a pair: the status file is all it knows. What was said last stands beside it.
"""

from __future__ import annotations

import fcntl
import json
import os
import signal
import subprocess
from contextlib import suppress
from dataclasses import asdict, replace
from pathlib import Path

from nightferry.errors import NightferryError
from nightferry.night.preflight import lock_pair
from nightferry.planning.alerting import Kind, Told, wanted
from nightferry.reporting import status
from nightferry.reporting.status import ATTENTION, SOUND, Reason, Status
from nightferry.settings import PairSettings

FILE_NAME = "alerts.json"
# A command that takes longer hangs; what it started is ended with it.
TIME_LIMIT_S = 60.0

_CODE = "alert_failed"
_LIMIT_BYTES = 64 * 1024
_REASONS_KEPT = 100


def tell(settings: PairSettings, state_dir: Path, now_s: float, time_limit_s: float = TIME_LIMIT_S) -> str | None:
    """Runs the pair's ``alert_command`` where somebody is to be told. A sentence where that failed, else None.

    A failure is entered in the status and tried again at a later call; raises nothing.
    """
    if not settings.alert_command:
        return None
    folder = state_dir / settings.name
    try:
        lock = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError:
        return None  # there is no state yet, so there is nothing to tell
    try:
        # The daemon and a run may both have something to say: one of them does.
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return _tell(settings, state_dir, now_s, time_limit_s)
    except BlockingIOError:
        return None
    finally:
        os.close(lock)


def _tell(settings: PairSettings, state_dir: Path, now_s: float, time_limit_s: float) -> str | None:
    folder = state_dir / settings.name
    found, state, reasons = status.judged(settings.name, folder, now_s)
    if any(reason.code == "no_status" for reason in reasons):
        return None  # a pair that waits for its first night
    told = _read(folder)
    own = tuple(reason for reason in reasons if reason.code != _CODE)
    if reasons != own and not own:
        state = SOUND  # nothing is wrong but that this could not be said
    codes = frozenset(reason.code for reason in own)
    kind = wanted(told, state, codes, now_s, settings.alert_repeat_after.total_seconds())
    if kind is None:
        return None
    problem = _run(settings.alert_command, _document(settings.name, kind, state, own, found), time_limit_s)
    if problem is None:
        _write(folder, Told(state, tuple(sorted(codes))[:_REASONS_KEPT], now_s))
    else:
        problem = f"The alert_command of {settings.name} {problem}; it is tried again later."
        _write(folder, replace(told, failures=told.failures + 1, failed_at_s=now_s))
    _enter(state_dir, settings.name, problem, now_s)
    return problem


def _document(pair: str, kind: Kind, state: str, reasons: tuple[Reason, ...], found: Status | None) -> bytes:
    document = {
        "pair": pair, "kind": kind, "state": state, "reasons": [reason._asdict() for reason in reasons],
        "status": None if found is None else found.as_json(),
    }  # fmt: skip
    return json.dumps(document).encode("ascii") + b"\n"


def _run(command: tuple[str, ...], document: bytes, time_limit_s: float) -> str | None:
    """What went wrong, in words that follow the command's name; its arguments may be secret and are not said."""
    try:
        process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            start_new_session=True,
        )  # fmt: skip
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else "its arguments cannot be passed on"
        return f"could not be started ({why})"
    try:
        process.communicate(document, timeout=time_limit_s)
    except subprocess.TimeoutExpired:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        return f"did not end within {time_limit_s:g} s and was killed"
    if process.returncode:
        ended = f"signal {-process.returncode}" if process.returncode < 0 else f"exit code {process.returncode}"
        return f"ended with {ended}"
    return None


def _enter(state_dir: Path, pair: str, problem: str | None, now_s: float) -> None:
    """Where the status cannot be written now, the next try enters it."""
    with suppress(NightferryError, OSError, ValueError), lock_pair(state_dir, pair, "report") as folder:
        found = status.read(folder)
        if found is None or found.run is not None:
            return
        reasons = tuple(reason for reason in found.reasons if reason.code != _CODE)
        state = found.state
        if problem is not None:
            state = ATTENTION if state == SOUND else state
            reasons = (*reasons, Reason(_CODE, problem))
        elif reasons != found.reasons and not reasons and found.outcome == "complete":
            state = SOUND  # it was nothing else, of a night that did its work
        if (state, reasons) != (found.state, found.reasons):
            status.write(folder, replace(found, state=state, reasons=reasons, written=status.moment(now_s)))


# --- what was said last


def _read(folder: Path) -> Told:
    """Nothing was said where the file is absent or is not one: then rather too much is said."""
    try:
        with (folder / FILE_NAME).open("rb") as file:
            found = json.loads(file.read(_LIMIT_BYTES))
        told = Told(
            str(found["state"]), tuple(str(code) for code in found["codes"]), float(found["at_s"]),
            max(0, int(found["failures"])), float(found["failed_at_s"]),
        )  # fmt: skip
    except (OSError, ValueError, TypeError, KeyError, OverflowError, RecursionError):
        return Told()
    return told if told.state in status.STATES else Told()


def _write(folder: Path, told: Told) -> None:
    """Lost in a crash, something is said twice. Raises nothing: a disk that is full is the status's to say."""
    with suppress(OSError):
        temporary = folder / (FILE_NAME + ".new")
        temporary.write_text(json.dumps(asdict(told)) + "\n", encoding="ascii")
        os.replace(temporary, folder / FILE_NAME)
