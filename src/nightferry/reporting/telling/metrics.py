"""Figures for those who scrape: a text file in the format of Prometheus, by the names that project asks for.

https://prometheus.io/docs/practices/naming/: a prefix of the application, base units (seconds, bytes) as a suffix of
the plural, ``_total`` for what only grows, ``_info`` for what is text. Moments are ``…_timestamp_seconds``: how old
something is, whoever scrapes computes. What is not known has no sample. Written where it changed, so that a disk that
is a small flash card takes it a few times a day.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightferry import __version__
from nightferry.planning.schedule import calendar_of, next_window
from nightferry.reporting.standing import status
from nightferry.reporting.standing.status import STATES, Status, unix
from nightferry.settings import PairSettings, Settings
from nightferry.units import show_text

if TYPE_CHECKING:
    from prometheus_client import CollectorRegistry

_PREFIX = "nightferry"
_LIMIT_BYTES = 4 << 20

# Name without the prefix, what it says. Each has the label `pair`.
_GAUGES = {
    "status_written_timestamp_seconds": "When the status was written.",
    "status_valid_until_timestamp_seconds": "Until when the status counts; later, a night did not report.",
    "run_in_progress": "Whether a run is under way: 1 or 0.",
    "last_run_start_timestamp_seconds": "When the last run began.",
    "last_run_end_timestamp_seconds": "When the last run ended.",
    "last_complete_run_end_timestamp_seconds": "When the last complete run ended.",
    "protected_timestamp_seconds": "What stood on the primary at this moment is on the secondary.",
    "next_run_timestamp_seconds": "When the next night starts by the configuration.",
    "unprotected_files": "New and changed files without a copy when the last night ended.",
    "unprotected_bytes": "Bytes of new and changed files without a copy when the last night ended.",
    "open_damage_files": "Names whose damage is neither mended nor accepted.",
    "hold": "Whether a hold is open and not released: 1 or 0.",
    "secondary_free_bytes": "Room on the secondary.",
    "secondary_size_bytes": "Size of the secondary.",
    "secondary_full_timestamp_seconds": "When the secondary is likely to be full at the present pace.",
    "verify_cycle_seconds": "In how long every byte is to be read back.",
    "rehearsal_end_timestamp_seconds": "When the last restore test ended.",
    "rehearsal_passed": "Whether all that the last restore test restored was right: 1 or 0.",
}
# Each has the labels `pair` and `place`: primary, secondary, retired.
_COVERAGE = {
    "files": "Files of a place that are to be read back.",
    "bytes": "Bytes of a place that are to be read back.",
    "verified_files": "Files read back and found intact within the cycle.",
    "verified_bytes": "Bytes read back and found intact within the cycle.",
    "overdue_files": "Files not read back within the cycle, that were there before it.",
    "oldest_verification_timestamp_seconds": "The oldest reading of those that were read.",
}


def leave_metrics(settings: Settings, now_s: float) -> str | None:
    """Writes ``metrics_file`` where that is set. A sentence where it could not be written, else None."""
    path = settings.metrics_file
    if path is None:
        return None
    where = f"The metrics_file {show_text(str(path))}"
    try:
        content = metrics(settings, now_s)
    except ImportError:
        return (
            f"{where} takes the prometheus_client library, which is not installed: pip install 'nightferry[metrics]'."
        )
    try:
        _write(path, content)
    except OSError as error:
        return f"{where} cannot be written ({error.strerror}): see that its folder is there and may be written to."
    return None


def metrics(settings: Settings, now_s: float) -> bytes:
    """The text. Raises ``ImportError`` where the library is not installed."""
    from prometheus_client import CollectorRegistry, Gauge, Info, disable_created_metrics, generate_latest

    # The moment of this writing, which would make each text another one.
    disable_created_metrics()  # type: ignore[no-untyped-call]
    registry = CollectorRegistry()
    Info(f"{_PREFIX}_build", "The version that wrote this.", registry=registry).info({"version": __version__})
    figures = _Figures(registry)
    state = Gauge(
        f"{_PREFIX}_state", "The state of a pair: 1 for the one it is in.", ["pair", "state"], registry=registry
    )
    reason = Gauge(f"{_PREFIX}_reason", "Why a pair is not sound: 1 for each.", ["pair", "code"], registry=registry)
    for pair in settings.pair:
        found, now_in, reasons = status.judged(pair.name, settings.state_dir / pair.name, now_s)
        for each in STATES:
            state.labels(pair.name, each).set(each == now_in)
        for code in {each.code for each in reasons}:
            reason.labels(pair.name, code).set(1)
        figures.next_run(pair, now_s)
        if found is not None:
            figures.of(pair.name, found)
    return generate_latest(registry)


class _Figures:
    def __init__(self, registry: CollectorRegistry) -> None:
        from prometheus_client import Counter, Gauge

        self._gauges = {
            name: Gauge(f"{_PREFIX}_{name}", says, ["pair"], registry=registry) for name, says in _GAUGES.items()
        }
        self._covered = {
            name: Gauge(f"{_PREFIX}_fixity_{name}", says, ["pair", "place"], registry=registry)
            for name, says in _COVERAGE.items()
        }
        self._runs = Counter(f"{_PREFIX}_runs", "Runs of a pair since it was made.", ["pair"], registry=registry)

    def next_run(self, pair: PairSettings, now_s: float) -> None:
        window = next_window(calendar_of(pair), now_s)
        self._set("next_run_timestamp_seconds", pair.name, None if window is None else window.start_s)

    def of(self, pair: str, found: Status) -> None:
        last, complete, room = found.last_run, found.last_complete, found.secondary_room
        unprotected, rehearsal = found.unprotected, found.rehearsal
        for name, value in {
            "status_written_timestamp_seconds": _moment(found.written),
            "status_valid_until_timestamp_seconds": _moment(found.valid_until),
            "run_in_progress": found.run is not None,
            "last_run_start_timestamp_seconds": _moment(last.started if last else None),
            "last_run_end_timestamp_seconds": _moment(last.ended if last else None),
            "last_complete_run_end_timestamp_seconds": _moment(complete.ended if complete else None),
            "protected_timestamp_seconds": _moment(found.protected_as_of),
            "unprotected_files": unprotected.files if unprotected else None,
            "unprotected_bytes": unprotected.bytes if unprotected else None,
            "open_damage_files": found.open_damage,
            "hold": found.hold is not None and not found.hold.released,
            "secondary_free_bytes": room.free_bytes if room else None,
            "secondary_size_bytes": room.total_bytes if room else None,
            "secondary_full_timestamp_seconds": _moment(found.full.likely if found.full else None),
            "verify_cycle_seconds": found.verify_cycle_s,
            "rehearsal_end_timestamp_seconds": _moment(rehearsal.ended if rehearsal else None),
            "rehearsal_passed": rehearsal.outcome in ("passed", "short") if rehearsal else None,
        }.items():
            self._set(name, pair, value)
        if last is not None:
            self._runs.labels(pair).inc(last.number)
        for place, each in found.coverage.items():
            for name, value in {
                "files": each.files_total, "bytes": each.total_bytes, "verified_files": each.files,
                "verified_bytes": each.size_bytes, "overdue_files": each.overdue_files,
                "oldest_verification_timestamp_seconds": each.oldest_s,
            }.items():  # fmt: skip
                if value is not None:
                    self._covered[name].labels(pair, place).set(value)

    def _set(self, name: str, pair: str, value: Any) -> None:
        if value is not None:
            self._gauges[name].labels(pair).set(float(value))


def _moment(written: str | None) -> float | None:
    return None if written is None else unix(written)


def _write(path: Path, content: bytes) -> None:
    """Replaces the file in one step, readable for everybody; leaves one that says the same as it is."""
    with suppress(OSError), path.open("rb") as file:
        if file.read(_LIMIT_BYTES) == content:
            return
    # A name that scrapers pass over: they read *.prom.
    temporary = path.with_name(f".{path.name}.new")
    fd = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644)
    with os.fdopen(fd, "wb") as file:
        os.fchmod(fd, 0o644)
        file.write(content)
    os.replace(temporary, path)
