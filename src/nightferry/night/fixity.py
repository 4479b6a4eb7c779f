"""The night's own reading back: a slice of both drives, and what is done about bad files at once.

A copy that is bad while the primary is intact is replaced in the same night, through the ordinary
commit protocol, with the bad bytes kept in ``retired/``. A bad primary is only reported.
"""

from __future__ import annotations

from nightferry.manifest.fixity import Fixity, Side
from nightferry.manifest.plan import Item, Step
from nightferry.manifest.records import Entry
from nightferry.night.carry import in_copy
from nightferry.night.context import Night, Stop
from nightferry.night.copying import Copier
from nightferry.night.register import close_right_again
from nightferry.night.verify import Finding, Verified, due, verify
from nightferry.planning.changes import content_untouched
from nightferry.planning.verification import Verdict, cycle_problem
from nightferry.tree.metadata import Kind, Stat

# Bad copies that one night mends. More is a drive that should not be worked harder.
MEND_LIMIT = 1_000
REPLACE_DRIVE = (
    "Many files of one drive read back wrong: do not work it harder, copy the most precious off by hand and replace it."
)


def verify_slice(night: Night, *, mend: bool) -> Verified:
    """Reads what is due within the time that is left, and mends where ``mend`` allows (not on a held night).

    Raises ``Interrupted`` and ``Failed``, while mending only.
    """
    if mend:
        _mend_open(night)
    if night.settings.verify_share <= 0.0:
        return Verified()
    now_s = night.clock.now_s()
    cycle_s = night.settings.verify_cycle.total_seconds()
    limit = _Share(night, night.settings.verify_share)
    sides: tuple[Side, Side] = ("primary", "secondary")
    night.platter.forget()
    roots = {"primary": night.primary.again(), "secondary": night.secondary.again()}
    try:
        verified = verify(
            night.manifest,
            {side: due(night.manifest, side, cycle_s, now_s) for side in sides},
            {side: roots[side] for side in sides},
            night.effects,
            night.clock,
            night.progress,
            limit,
            direct={"primary": True, "secondary": night.capabilities.direct_reads},
        )
    finally:
        for root in roots.values():
            root.close()
    _count(night, verified)
    _say_if_the_cycle_breaks(night, verified, cycle_s, limit.seconds)
    settle_findings(night, verified.bad, "verify", mend=mend)
    close_right_again(night.manifest, night.number, night.clock.now_s())
    if verified.bad_count > MEND_LIMIT:
        night.note(REPLACE_DRIVE)
    return verified


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


def _say_if_the_cycle_breaks(night: Night, verified: Verified, cycle_s: float, seconds: float | None) -> None:
    """Ahead of time: with the rate of this very night, and the time a night has."""
    fixity = Fixity(night.manifest.database)
    sides: tuple[Side, Side] = ("primary", "secondary")
    for side in sides:
        if verified.seconds[side] <= 0.0:
            continue
        rate_bytes_per_s = verified.size_bytes[side] / verified.seconds[side]
        problem = cycle_problem(fixity.total_bytes(side), rate_bytes_per_s, cycle_s, seconds)
        if problem is not None:
            night.note(f"On the {side}: {problem}")


# --- what was found bad


def settle_findings(night: Night, findings: list[Finding], found_by: str, *, mend: bool) -> None:
    """Enters each as damage, and closes what can be mended at once."""
    copier = Copier(night)
    for finding in findings[:MEND_LIMIT]:
        night.stop.check()
        subject, target = finding.target.subject, finding.target
        if subject.table == "past":
            _enter(night, finding, found_by, side="retired")
            continue
        entry = night.manifest.entries.by_id(subject.id)
        if entry is None or entry.content != subject.content:
            continue  # replaced meanwhile
        if target.side == "primary":
            _enter(night, finding, found_by, side="primary")
            continue
        _enter(night, finding, found_by, side="secondary")
        if mend and _mend_copy(night, copier, target.name, entry):
            _mended(night, target.name)


def _mended(night: Night, path: bytes) -> None:
    night.manifest.runs.close_damage(
        path, "secondary", night.number, "mended from the primary; the bad bytes are in retired/"
    )
    night.tally.mended += 1


def _mend_open(night: Night) -> None:
    """What an earlier night found and could not mend: because it was held, stopped, or the primary was away."""
    copier = Copier(night)
    for path, side, verdict, _ in night.manifest.runs.open_damage()[:MEND_LIMIT]:
        night.stop.check()
        if side != "secondary" or verdict == Verdict.UNLISTED.value:
            continue  # what no run put there is a person's to decide
        entry = night.manifest.entries.find(path)
        if entry is not None and entry.stat.kind is Kind.FOLDER:
            continue  # one that could not be listed: nothing to copy again
        if entry is None or entry.stat.kind is not Kind.FILE or entry.content.algorithm is None:
            night.manifest.runs.close_damage(path, side, night.number, "gone: the copy no longer has that name")
            continue
        found = night.platter.read(night.secondary, in_copy(path), entry.content.algorithm, night.stop)
        if found is not None and found.digest == entry.content.digest:
            night.manifest.runs.close_damage(path, side, night.number, "reads back right again")
        elif _mend_copy(night, copier, path, entry):
            night.tally.damage += 1  # as those of tonight: found, and mended
            _mended(night, path)


def _mend_copy(night: Night, copier: Copier, path: bytes, entry: Entry) -> bool:
    """Replaces a bad copy, where the primary still has the right content; False where it has not."""
    found = night.primary.stat_or_none(path)
    if found is None:
        return False  # a retired version may have it: the next night retires what stands there
    try:
        now = Stat.of(found)
    except KeyError:
        return False
    if now.kind is not Kind.FILE or not content_untouched(entry.stat, now):
        return False  # changed since: the next night copies it anyway
    names = [path, *_other_names(night, path, entry)]
    rows = [night.manifest.entries.find(name) for name in names]
    done = [
        copier.replace_bad(Item(0, Step.TOUCHED, name, row.id, None, now, None, None))
        for name, row in zip(names, rows, strict=True)
        if row is not None
    ]
    return all(done)


def _other_names(night: Night, path: bytes, entry: Entry) -> list[bytes]:
    """Names that share the bad file on the secondary, so that all of them are put right together."""
    bad = night.secondary.stat_or_none(in_copy(path))
    if entry.stat.nlink < 2 or bad is None:
        return []
    names = [
        night.manifest.entries.path(other.id)
        for other in night.manifest.entries.by_inode(entry.stat.inode)
        if other.id != entry.id and other.content == entry.content
    ]
    found = [(name, night.secondary.stat_or_none(in_copy(name))) for name in names]
    return [name for name, there in found if there is not None and there.st_ino == bad.st_ino]


def _enter(night: Night, finding: Finding, found_by: str, *, side: str) -> None:
    words = {
        Verdict.DECAYED: "its content is not what was written, and nobody wrote to it",
        Verdict.MISSING: "it is gone, and no run removed it",
        Verdict.UNREADABLE: f"it cannot be read ({finding.detail or 'read error'})",
    }
    night.manifest.runs.find_damage(
        finding.target.name, side, finding.verdict.value, found_by, night.number, night.clock.now_s(),
        words.get(finding.verdict, finding.detail),
    )  # fmt: skip
    night.tally.damage += 1
    night.progress.note(
        "damage", path=finding.target.name, side=side, verdict=finding.verdict.value, why=finding.detail
    )
