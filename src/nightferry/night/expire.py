"""Retired versions whose time is over, or whose room is needed for tonight."""

from __future__ import annotations

from collections.abc import Iterator

from nightferry.manifest.records import Intent
from nightferry.night.commit import Batch, Pending
from nightferry.night.context import Night
from nightferry.planning.dates import elapsed_s
from nightferry.planning.retention import Candidate, Retention, to_expire


def expire(night: Night, *, is_open: bool, bytes_wanted: int = 0, files_wanted: int = 0) -> int:
    """Lets go of what ``retention`` allows; returns the bytes freed.

    ``is_open`` False (a hold, damage, or a clock that is not to be trusted): nothing goes.
    """
    retention = Retention(
        keep_s=night.settings.keep_retired.total_seconds(),
        floor_s=night.settings.keep_retired_at_least.total_seconds(),
        expiry_open=is_open,
    )
    batch = Batch(night)
    freed_bytes = 0
    for candidate in to_expire(candidates(night), retention, bytes_wanted, files_wanted):
        night.stop.check()
        batch.add(Pending(Intent("expire", candidate.held), size_bytes=candidate.size_bytes))
        if batch.full:
            freed_bytes += _flush(night, batch)
    return freed_bytes + _flush(night, batch)


def candidates(night: Night) -> Iterator[Candidate]:
    """Oldest first; what this night itself retired is never among them."""
    runs = night.manifest.runs
    # A forecast of the night has no run that was entered.
    now = [] if runs.by_number(night.number) is not None else [night.clock.now_s()]
    run, age_s, nights = -1, 0.0, 0
    for past in night.manifest.past.held_until(night.number - 1):
        if past.until != run:
            run = past.until
            age_s = elapsed_s([*runs.starts_from(run), *now])
            nights = runs.completed_since(run)
        assert past.held is not None
        yield Candidate(past.held, past.size_bytes, age_s, nights)


def _flush(night: Night, batch: Batch) -> int:
    done = batch.commit_or_fail()
    freed_bytes = sum(each.size_bytes for each in done)
    night.tally.expired += len(done)
    night.tally.expired_bytes += freed_bytes
    return freed_bytes
