"""Moments as texts: in status.json and in ``--json`` UTC, RFC 3339, whole seconds; for a person with their zone."""

from __future__ import annotations

from datetime import UTC, datetime


def moment(unix_s: float) -> str:
    """A moment as it stands in the file: UTC, whole seconds."""
    return datetime.fromtimestamp(unix_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def shown(unix_s: float) -> str:
    """For a person, to the minute, in the machine's own zone, which may be another one in summer than in winter:
    "2026-05-03 02:30 +02:00"."""
    written = datetime.fromtimestamp(unix_s).astimezone().isoformat(sep=" ", timespec="minutes")
    return f"{written[:16]} {written[16:]}"


def unix(written: str) -> float:
    """Raises ``ValueError`` where it is no moment."""
    found = datetime.fromisoformat(written)
    if found.tzinfo is None:
        raise ValueError(f"a moment without its zone: {written}")
    return found.timestamp()
