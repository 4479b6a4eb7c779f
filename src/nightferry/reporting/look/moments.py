"""Moments as texts, in status.json and in ``--json``: UTC, RFC 3339, whole seconds."""

from __future__ import annotations

from datetime import UTC, datetime


def moment(unix_s: float) -> str:
    """A moment as it stands in the file: UTC, whole seconds."""
    return datetime.fromtimestamp(unix_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def unix(written: str) -> float:
    """Raises ``ValueError`` where it is no moment."""
    found = datetime.fromisoformat(written)
    if found.tzinfo is None:
        raise ValueError(f"a moment without its zone: {written}")
    return found.timestamp()
