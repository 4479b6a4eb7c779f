"""The night's own reading back: a slice of both drives, and how far it gets within the cycle."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime

from nightferry.manifest.fixity import Fixity, Side, Subject
from nightferry.night.context import Night, Stop
from nightferry.night.failing import given_up
from nightferry.night.links import join_links
from nightferry.night.mending import MEND_LIMIT, REPLACE_DRIVE, mend_open, settle_findings
from nightferry.night.register import close_right_again
from nightferry.night.verify import Target, Verified, due, target_of, verify
from nightferry.planning.verification import PACE_NIGHTS, NightRead, cycle_problem, pace
from nightferry.tree.metadata import Kind

SIDES: tuple[Side, Side] = ("primary", "secondary")
_PAGE = 10_000
_DAY_S = 86_400


def verify_slice(night: Night, *, mend: bool) -> Verified:
    """Reads what is due within the time that is left, and mends where ``mend`` allows (not on a held night).

    Raises ``Interrupted`` and ``Failed``, while mending only.
    """
    if mend:
        mend_open(night)
    if night.settings.verify_share <= 0.0:
        return Verified()
    cycle_s = night.settings.verify_cycle.total_seconds()
    limit = _Share(night, night.settings.verify_share)
    symlinks = night.capabilities.symlinks
    new_at_once = night.settings.read_back >= 1.0  # those that a stop kept from being read back
    verified = _read(
        night,
        {
            side: due(night.manifest, side, cycle_s, night.clock, symlinks=symlinks, new_at_once=new_at_once)
            for side in SIDES
        },
        limit,
    )
    verified.offered_s = limit.seconds
    _count(night, verified)
    _say_if_the_cycle_breaks(night, verified, cycle_s)
    for side in verified.given_up:
        night.note(given_up(night, side))
    mend = mend and not verified.given_up  # neither to read the one nor to write to the other
    settled = settle_findings(night, verified.bad, mend=mend)
    if settled.folders:
        # Somebody removed folders of the copy: what they held is looked for now, not when its turn comes.
        below = _read(night, {"secondary": _never_read_below(night, settled.folders)}, limit)
        settled.bad += settle_findings(night, below.bad, mend=mend).bad
    if mend:
        join_links(night, verified.apart)
    close_right_again(night.manifest, night.number, night.clock.now_s())
    night.bad.forget()
    if settled.bad > MEND_LIMIT:
        night.note(REPLACE_DRIVE)
    return verified


def _read(night: Night, targets: dict[Side, Iterator[Target]], limit: _Share) -> Verified:
    night.platter.forget()
    roots = {"primary": night.primary.again(), "secondary": night.secondary.again()}
    try:
        return verify(
            night.manifest,
            targets,
            {side: roots[side] for side in targets},
            night.effects,
            night.clock,
            night.progress,
            limit,
            direct={"primary": True, "secondary": night.capabilities.direct_reads},
            health=night.health,
            inodes=night.inodes,
        )
    finally:
        for root in roots.values():
            root.close()


def _never_read_below(night: Night, folders: list[int]) -> Iterator[Target]:
    fixity = Fixity(night.manifest.database)
    for folder in folders:
        last: Subject | None = None
        while page := fixity.oldest("secondary", 1.0, _PAGE, last, below=folder, retired=False):
            for subject in page:
                target = target_of(night.manifest, "secondary", subject)
                if target is not None and (subject.stat.kind is not Kind.SYMLINK or night.capabilities.symlinks):
                    yield target
            last = page[-1]


class _Share:
    """Says when the night's share for reading back is used up, or the night is to stop."""

    def __init__(self, night: Night, share: float) -> None:
        left_s = night.stop.left_s()
        self.seconds = None if left_s is None else max(0.0, left_s * share)
        self._stop: Stop = night.stop
        self._night = night
        self._until_s = None if self.seconds is None else night.clock.monotonic_s() + self.seconds

    def __call__(self) -> bool:
        if self._stop():
            return True
        return self._until_s is not None and self._night.clock.monotonic_s() >= self._until_s


def _count(night: Night, verified: Verified) -> None:
    tally = night.tally
    tally.verified_files = verified.files["primary"] + verified.files["secondary"]
    tally.verified_primary_bytes = verified.size_bytes["primary"]
    tally.verified_secondary_bytes = verified.size_bytes["secondary"]


# --- can the cycle be kept


def _say_if_the_cycle_breaks(night: Night, verified: Verified, cycle_s: float) -> None:
    """Ahead of time: with the rate of this night and those before, and the time that a night has."""
    if verified.offered_s is None:
        return  # no window, so nothing that ends the reading
    fixity = Fixity(night.manifest.database)
    earlier = list(_earlier(night))
    for side in SIDES:
        tonight = NightRead(verified.size_bytes[side], verified.seconds[side], verified.offered_s)
        nights = [tonight, *(each[side] for each in earlier)]
        rate_bytes_per_s, seconds = pace(nights, _window_s(night) * night.settings.verify_share)
        problem = cycle_problem(fixity.total_bytes(side), rate_bytes_per_s, cycle_s, seconds)
        if problem is not None:
            night.note(f"On the {side}: {problem}")


def _window_s(night: Night) -> float:
    day = datetime(2000, 1, 1)
    start, end = (datetime.combine(day, at) for at in (night.settings.start, night.settings.finish_by))
    return (end - start).total_seconds() % _DAY_S or float(_DAY_S)


def _earlier(night: Night) -> Iterator[dict[Side, NightRead]]:
    """What reading back came to in the newest nights that did any."""
    given = 0
    for run in night.manifest.runs.all():
        if given >= PACE_NIGHTS - 1:
            return
        try:
            found = json.loads(run.summary)["reading"]
            offered_s = found["offered_s"]
            nights: dict[Side, NightRead] = {
                side: NightRead(
                    int(found[side]["bytes"]), float(found[side]["s"]), None if offered_s is None else float(offered_s)
                )
                for side in SIDES
            }
        except (ValueError, KeyError, TypeError, AttributeError):
            continue  # tonight's own run, or one that was cut off
        given += 1
        yield nights


def reading_of(verified: Verified) -> dict[str, object]:
    """For the run's summary, by which later nights tell the pace."""
    sides: dict[str, object] = {
        side: {"bytes": verified.size_bytes[side], "s": round(verified.seconds[side], 3)} for side in SIDES
    }
    return {"offered_s": verified.offered_s, **sides}
