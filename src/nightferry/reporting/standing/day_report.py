"""day.json: what was seen on the primary before a night, beside the pair's state; and what is said of it.

A hint: what the night itself found is in the audit. Written when the night begins.
"""

from __future__ import annotations

import binascii
import json
import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

from nightferry.night.preflight import lock_pair
from nightferry.planning.day import Day
from nightferry.reporting.look import moments
from nightferry.reporting.standing import status
from nightferry.reporting.standing.status import ATTENTION, FAILED, STATES, Reason
from nightferry.units import format_count, json_name, show_text
from nightferry.volumes.lock import REPORT

FILE_NAME = "day.json"
FORMAT = 1
_LIMIT_BYTES = 8 << 20
_BUSIEST = 20
_SHOWN = 20
# Between the end of the day and the start of the run that followed it.
_NIGHT_BEGINS_WITHIN_S = 900.0


def as_json(day: Day, until_s: float) -> dict[str, Any]:
    """Under stable names. Moments are texts in UTC."""
    return {
        "format": FORMAT,
        "since": moments.moment(day.since_s),
        "until": moments.moment(until_s),
        "complete": not day.incomplete,
        "incomplete": list(day.incomplete),
        "created": day.created,
        "changed": day.changed,
        "deleted": day.deleted,
        "moved": day.moved,
        "came_and_went_count": day.gone_count,
        "came_and_went": [
            {**json_name(each.path), "came": moments.moment(each.came_s), "went": moments.moment(each.went_s)}
            for each in day.gone
        ],
        "busiest": [
            {**json_name(path), "writes": busy.writes, "last": moments.moment(busy.last_s)}
            for path, busy in day.busiest(_BUSIEST)
        ],
    }


def write(folder: Path, day: Day, until_s: float) -> None:
    """Replaces the pair's day. Not synced: a hint is not worth a write to a small flash card. Raises ``OSError``."""
    temporary = folder / (FILE_NAME + ".new")
    flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC | os.O_NOFOLLOW
    with os.fdopen(os.open(temporary, flags, 0o600), "wb") as file:
        file.write(json.dumps(as_json(day, until_s)).encode("ascii"))
    os.replace(temporary, folder / FILE_NAME)


def read(folder: Path, run_started_s: float) -> dict[str, Any] | None:
    """The day before a run; None where it was not watched, or another run followed it."""
    try:
        fd = os.open(folder / FILE_NAME, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
        with os.fdopen(fd, "rb") as file:
            found: dict[str, Any] = json.loads(file.read(_LIMIT_BYTES))
        until_s = moments.unix(found["until"])
        if found["format"] != FORMAT or not 0 <= run_started_s - until_s + 1 <= _NIGHT_BEGINS_WITHIN_S:
            return None
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    return found


def busy_folders(folder: Path, now_s: float) -> list[bytes]:
    """The folders that were busy in the day that ended just now, the busiest first; none where it was not watched."""
    found = read(folder, now_s)
    paths = []
    with suppress(KeyError, TypeError, ValueError, AttributeError):
        for each in (found or {})["busiest"][:_BUSIEST]:
            packed = each.get("path_bytes")
            path = each["path"].encode() if packed is None else binascii.a2b_base64(packed, strict_mode=True)
            if not path.startswith(b"/") and b"\0" not in path:
                paths.append(path)
    return paths


def sentences(found: dict[str, Any]) -> Iterator[str]:
    """What a person should know of it; nothing where nothing was lost."""
    count = found["came_and_went_count"]
    if count:
        noun = "file" if count == 1 else "files"
        them = "it" if count == 1 else "them"
        yield f"By day {format_count(count)} {noun} appeared and vanished again before a night could copy {them}:"
        for each in found["came_and_went"][:_SHOWN]:
            yield f"  {show_text(str(each['path']))}"
        if count > _SHOWN:
            yield f"  and {format_count(count - _SHOWN)} more."
    if found["incomplete"] and (count or found["created"]):
        why = " ".join(show_text(str(each)) for each in found["incomplete"])
        yield f"The journal of the day is incomplete: {why}"


def leave_surge(state_dir: Path, pair: str, reasons: list[str], now_s: float) -> None:
    """Enters in the status that something is out of the ordinary; errors as :func:`leave_reason`."""
    told = (
        f"Something is out of the ordinary on the primary: {' '.join(reasons)} If nobody did that on purpose, take"
        " the box off the network and look, before the night; what was copied is safe."
    )
    leave_reason(state_dir, pair, Reason("surge", told), now_s)


def leave_missed(state_dir: Path, pair: str, first: date, last: date, now_s: float) -> None:
    """Enters in the status that nights were missed; errors as :func:`leave_reason`."""
    which = f"The night of {last} was" if first == last else f"The nights from {first} to {last} were"
    told = (
        f"{which} missed: this machine was off, or busy with this pair, while it was time. The next one does all; or"
        f" run it now with `nightferry run {pair}`."
    )
    leave_reason(state_dir, pair, Reason("missed", told), now_s)


def leave_given_up(state_dir: Path, pair: str, day: date, attempts: int, now_s: float) -> None:
    """Enters in the status that a night did not come to its end; errors as :func:`leave_reason`."""
    told = (
        f"The night of {day} was begun {attempts} times, and each time its process was ended before it could say why:"
        f" see the system log, for want of memory or a drive that never answers. The next night tries anew; or run it"
        f" now with `nightferry run {pair}`."
    )
    leave_reason(state_dir, pair, Reason("given_up", told), now_s, FAILED)


def leave_reason(state_dir: Path, pair: str, reason: Reason, now_s: float, at_best: str = ATTENTION) -> None:
    """Enters a reason in the status, in place of one with its code. Never makes a state better than it was.

    Raises:
        NightferryError, OSError, ValueError: it could not be entered, as while a run of this pair is in progress.
    """
    with lock_pair(state_dir, pair, REPORT) as folder:
        found = status.read(folder)
        if found is None:
            return
        others = tuple(each for each in found.reasons if each.code != reason.code)
        state = max(found.state, at_best, key=STATES.index)
        # Nobody else has the lock: a run that still stands there was cut off.
        found = replace(found, state=state, reasons=(*others, reason), written=status.moment(now_s), run=None)
        status.write(folder, found)
