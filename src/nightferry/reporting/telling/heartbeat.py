"""A sign of life for a watcher outside, who notices where it stays away."""

from __future__ import annotations

from nightferry.reporting.telling.hand_over import TIME_LIMIT_S, to_network
from nightferry.settings import Settings


def beat(settings: Settings, time_limit_s: float = TIME_LIMIT_S) -> str | None:
    """Tells the watcher outside that this machine and what it is to do are alive; a sentence where that failed."""
    if settings.heartbeat_url is None:
        return None
    problem = to_network({"heartbeat": settings.heartbeat_url.get_secret_value()}, time_limit_s)
    return None if problem is None else f"The watcher of the heartbeat_url {problem}."
