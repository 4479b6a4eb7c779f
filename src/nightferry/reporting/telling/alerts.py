"""Telling somebody: a command of the user's and services get the status when it wants attention, and when it is well.

It decides nothing about a pair: the status file is all it knows. What was said last stands beside it, for each place.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

from nightferry.errors import NightferryError
from nightferry.night.preflight import lock_pair
from nightferry.planning.alerting import Kind, Told, wanted
from nightferry.reporting.standing import status
from nightferry.reporting.standing.status import ATTENTION, SOUND, Reason, Status
from nightferry.reporting.telling import alert_text
from nightferry.reporting.telling.hand_over import TIME_LIMIT_S, to_command, to_network
from nightferry.settings import PairSettings
from nightferry.volumes.lock import REPORT

FILE_NAME = "alerts.json"

_CODE = "alert_failed"
_LIMIT_BYTES = 256 * 1024
_REASONS_KEPT = 100


class _Place(NamedTuple):
    """Where somebody is told. ``name``: in a sentence, without anything secret."""

    key: str
    name: str
    tell: Callable[[Mapping[str, object], float], str | None]


def is_anybody_told(settings: PairSettings) -> bool:
    """Whether there is anywhere to tell anybody."""
    return bool(settings.alert_command or settings.alert_urls)


def tell(settings: PairSettings, state_dir: Path, now_s: float, time_limit_s: float = TIME_LIMIT_S) -> str | None:
    """Tells the pair's places where somebody is to be told. A sentence where that failed, else None.

    A failure is entered in the status and tried again at a later call; raises nothing.

    Args:
        time_limit_s: for each place.
    """
    if not is_anybody_told(settings):
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
    own = tuple(reason for reason in reasons if reason.code != _CODE)
    if reasons != own and not own:
        state = SOUND  # nothing is wrong but that this could not be said
    codes = frozenset(reason.code for reason in own)
    ended = None if found is None or found.run is not None else found.last_run
    night = ended.number if settings.alert_mornings and ended is not None else 0
    before = _read(folder)
    after: dict[str, Told] = {}
    failed_now = False
    for place in _places(settings):
        told = before.get(place.key, Told())
        kind = wanted(told, state, codes, now_s, settings.alert_repeat_after.total_seconds(), night)
        if kind is not None:
            problem = place.tell(_document(settings.name, kind, state, own, found), time_limit_s)
            if problem is None:
                told = _said(told, kind, state, codes, now_s, night)
            else:
                problem = f"{place.name} of {settings.name} {problem}; it is tried again later."
                told = replace(told, failures=told.failures + 1, failed_at_s=now_s, problem=problem)
                failed_now = True
        after[place.key] = told
    if after != before:
        _write(folder, after)
    problems = " ".join(each.problem for each in after.values() if each.problem)
    # Each time: a night's own status has since taken the place of the one that said so.
    _enter(state_dir, settings.name, found, problems, now_s)
    return problems if failed_now else None


def _said(told: Told, kind: Kind, state: str, codes: frozenset[str], now_s: float, night: int) -> Told:
    if kind == "morning":  # of trouble that stands as it was told, it is not repeated any later for that
        return replace(told, night=night, failures=0, problem="")
    return Told(state, tuple(sorted(codes))[:_REASONS_KEPT], now_s, max(night, told.night))


def _places(settings: PairSettings) -> Iterator[_Place]:
    if settings.alert_command:
        yield _Place("command", "The alert_command", partial(to_command, settings.alert_command))
    for position, secret in enumerate(settings.alert_urls, 1):
        address = secret.get_secret_value()
        # Known again where others come before it, without being written down.
        key = hashlib.sha256(address.encode()).hexdigest()[:16]
        service = address.partition("://")[0]
        yield _Place(f"url {key}", f"Number {position} of the alert_urls ({service})", partial(_to_service, address))


def _to_service(address: str, document: Mapping[str, object], time_limit_s: float) -> str | None:
    kind = "failed" if document["kind"] == "attention" and document["state"] == "failed" else document["kind"]
    asked = {"url": address, "title": document["title"], "text": document["text"], "kind": kind}
    return to_network(asked, time_limit_s)


def _document(
    pair: str, kind: Kind, state: str, reasons: tuple[Reason, ...], found: Status | None
) -> dict[str, object]:
    return {
        "pair": pair, "kind": kind, "state": state, "title": alert_text.title(pair, kind, state),
        "text": alert_text.text(pair, reasons, found), "reasons": [reason._asdict() for reason in reasons],
        "status": None if found is None else found.as_json(),
    }  # fmt: skip


def _enter(state_dir: Path, pair: str, seen: Status | None, problems: str, now_s: float) -> None:
    """Where the status cannot be written now, the next call enters it."""
    if seen is None or _problems_in(seen) == problems:
        return
    with suppress(NightferryError, OSError, ValueError), lock_pair(state_dir, pair, REPORT) as folder:
        found = status.read(folder)
        if found is None or found.run is not None:
            return
        reasons = tuple(reason for reason in found.reasons if reason.code != _CODE)
        state = found.state
        if problems:
            state = ATTENTION if state == SOUND else state
            reasons = (*reasons, Reason(_CODE, problems))
        elif reasons != found.reasons and not reasons and found.outcome == "complete":
            state = SOUND  # it was nothing else, of a night that did its work
        if (state, reasons) != (found.state, found.reasons):
            status.write(folder, replace(found, state=state, reasons=reasons, written=status.moment(now_s)))


def _problems_in(found: Status) -> str:
    return " ".join(reason.sentence for reason in found.reasons if reason.code == _CODE)


# --- what was said last, by place


def _read(folder: Path) -> dict[str, Told]:
    """Nothing was said where the file is absent or is not one: then rather too much is said."""
    try:
        with (folder / FILE_NAME).open("rb") as file:
            found = json.loads(file.read(_LIMIT_BYTES))
        return {str(key): _told(each) for key, each in found["places"].items()}
    except (OSError, ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError):
        return {}


def _told(found: dict[str, Any]) -> Told:
    if found["state"] not in status.STATES:
        raise ValueError("no such state")
    return Told(
        str(found["state"]), tuple(str(code) for code in found["codes"]), float(found["at_s"]),
        max(0, int(found["night"])), max(0, int(found["failures"])), float(found["failed_at_s"]),
        str(found["problem"]),
    )  # fmt: skip


def _write(folder: Path, told: Mapping[str, Told]) -> None:
    """Lost in a crash, something is said twice. Raises nothing: a disk that is full is the status's to say."""
    document = {"places": {key: asdict(each) for key, each in told.items()}}
    with suppress(OSError):
        temporary = folder / (FILE_NAME + ".new")
        flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC | os.O_NOFOLLOW
        with os.fdopen(os.open(temporary, flags, 0o600), "w", encoding="ascii") as file:
            file.write(json.dumps(document) + "\n")
        os.replace(temporary, folder / FILE_NAME)
