"""Bad copies that a reading back found: entered in the damage register, and mended at once from wherever is right.

That is mostly the primary; else any other place that has the content, under whatever name. So it is with retired
versions. What is put right goes through the ordinary commit protocol, with the bad bytes kept in ``retired/``. A bad
primary is only entered: to write there is a person's to decide.
"""

from __future__ import annotations

import stat
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field

from nightferry.manifest.fixity import Fixity
from nightferry.manifest.plan import Item, Step
from nightferry.manifest.records import Content, Entry, Intent
from nightferry.night.alter import other_names
from nightferry.night.carry import free_in_retired, in_copy, in_retired
from nightferry.night.commit import Batch, Pending, drive_failed, free_held, leave_out_refused
from nightferry.night.context import UNLISTED, Night
from nightferry.night.copying import Copier
from nightferry.night.missing import ensure_folder
from nightferry.night.stage import stage_from_place
from nightferry.night.verify import Finding, told
from nightferry.night.whereabouts import Whereabouts
from nightferry.planning.changes import content_untouched
from nightferry.planning.verification import Verdict
from nightferry.tree.durability import SyncFailed
from nightferry.tree.metadata import Kind, Stat, unsupported
from nightferry.tree.root import split

# Copies with bad bytes that one night mends. More is a drive that should not be worked harder; copies that somebody
# removed say nothing of the drive, and are all put back.
MEND_LIMIT = 1_000
REPLACE_DRIVE = (
    "Many files of one drive read back wrong: do not work it harder, copy the most precious off by hand and replace it."
)
MENDED = "mended from the primary; the bad bytes are in retired/"
PUT_BACK = "put back from the primary"
_MODES = {Kind.FOLDER: stat.S_IFDIR, Kind.FILE: stat.S_IFREG, Kind.SYMLINK: stat.S_IFLNK}


@dataclass
class Settled:
    """What became of some findings."""

    bad: int = 0  # with wrong or unreadable bytes, on either drive
    folders: list[int] = field(default_factory=list)  # rows of folders of the copy that were made again


def settle_findings(night: Night, findings: Sequence[Finding], *, mend: bool) -> Settled:
    """Enters each as damage, and closes what can be mended at once. Raises ``Interrupted`` and ``Failed``."""
    settled = Settled()
    with closing(_Mender(night)) as mender:
        _settle(night, findings, settled, mender, mend=mend)
        mender.put_back()
    return settled


def _settle(night: Night, findings: Sequence[Finding], settled: Settled, mender: _Mender, *, mend: bool) -> None:
    for finding in findings:
        night.stop.check()
        subject, target = finding.target.subject, finding.target
        is_gone = finding.verdict is Verdict.MISSING
        if subject.table == "past":
            settled.bad += not is_gone
            _enter(night, finding, "retired")
            if mend and (is_gone or settled.bad <= MEND_LIMIT):
                mender.bring_back(target.name)
            continue
        entry = night.manifest.entries.by_id(subject.id)
        if entry is None or entry.content != subject.content:
            continue  # replaced meanwhile
        settled.bad += not is_gone
        _enter(night, finding, target.side)
        if target.side == "primary" or not mend or (settled.bad > MEND_LIMIT and not is_gone):
            continue
        if entry.stat.kind is Kind.FOLDER and finding.verdict is Verdict.UNREADABLE:
            continue  # its names cannot be read: there is nothing to copy again
        if mender.mend(target.name, entry, is_gone=is_gone) and entry.stat.kind is Kind.FOLDER:
            settled.folders.append(entry.id)


def mend_open(night: Night) -> None:
    """What an earlier night found and could not mend: because it was held, stopped, or the primary was away."""
    with closing(_Mender(night)) as mender:
        _mend_open(night, mender)
        mender.put_back()


def _mend_open(night: Night, mender: _Mender) -> None:
    for damage in night.manifest.runs.damage()[:MEND_LIMIT]:
        night.stop.check()
        path, side = damage.path, damage.side
        if side == "retired" and damage.verdict != Verdict.UNLISTED.value:
            mender.bring_back(path, is_of_before=damage.found_run != night.number)
            continue
        if side != "secondary" or damage.verdict == Verdict.UNLISTED.value:
            continue  # what no run put there is a person's to decide
        entry = night.manifest.entries.find(path)
        if entry is None or (entry.stat.kind is Kind.FILE and entry.content.algorithm is None):
            night.manifest.runs.close_damage(path, side, night.number, "gone: the copy no longer has that name")
            continue
        if entry.stat.kind is Kind.FOLDER and damage.verdict == Verdict.UNREADABLE.value:
            continue  # as in settle_findings
        if _is_right(night, path, entry):
            night.manifest.runs.close_damage(path, side, night.number, "reads back right again")
            continue
        is_of_before = damage.found_run != night.number
        mender.mend(path, entry, is_gone=damage.verdict == Verdict.MISSING.value, is_of_before=is_of_before)


def _is_right(night: Night, path: bytes, entry: Entry) -> bool:
    place = in_copy(path)
    try:
        found = night.secondary.stat_or_none(place)
        if found is None or stat.S_IFMT(found.st_mode) != _MODES[entry.stat.kind]:
            return False
        if entry.stat.kind is Kind.FOLDER:
            return True
        if entry.stat.kind is Kind.SYMLINK:
            return night.secondary.readlink(place) == entry.content.target
    except OSError:
        return False
    assert entry.content.algorithm is not None
    read = night.platter.read(night.secondary, place, entry.content.algorithm, night.stop)
    return read is not None and read.digest == entry.content.digest


# --- the register


def _enter(night: Night, finding: Finding, side: str) -> None:
    runs, target, subject = night.manifest.runs, finding.target, finding.target.subject
    verdict, why = finding.verdict.value, told(finding)
    if not runs.is_damaged(target.name, side, found_run=night.number):  # its folder may have been met before
        night.tally.damage += 1
    runs.find_damage(target.name, side, verdict, "verify", night.number, night.clock.now_s(), why, bad=finding.bad)
    night.bad.forget()
    Fixity(night.manifest.database).mark_bad(target.side, subject.table, subject.id)
    night.progress.note("damage", path=target.name, side=side, verdict=verdict, why=why)


# --- one name of the copy


class _Mender:
    """Replaces bad copies one by one, and collects what is missing, which is put back in batches."""

    def __init__(self, night: Night) -> None:
        self._night = night
        self._copier = Copier(night)
        self._gone: dict[bytes, tuple[Item, bool]] = {}
        self._whereabouts = Whereabouts(night.manifest, night.secondary, night.primary)

    def close(self) -> None:
        self._whereabouts.close()

    def mend(self, path: bytes, entry: Entry, *, is_gone: bool, is_of_before: bool = False) -> bool:
        """Whether it is right now; False where no place has the right content, or where it is put back later.

        ``is_of_before``: an earlier night found it, so that it is counted with those of tonight once it is mended.
        """
        night = self._night
        try:
            now = _on_primary(night, path, entry)
            if now is None:
                return self._mend_from_elsewhere(path, entry, is_gone=is_gone, is_of_before=is_of_before)
            if now.kind is Kind.FOLDER:
                ensure_folder(night, path)
                self._close(path, is_gone=is_gone, is_of_before=is_of_before)
                return True
            names = [path, *other_names(night, path, entry)]
        except OSError:
            return False  # one bad file does not stop the night: it stays in the register
        _set_aside_another_kind(night, path, now.kind)
        if is_gone and now.nlink < 2:
            self._gone[path] = Item(0, Step.TOUCHED, path, entry.id, None, now, None, None), is_of_before
            return False
        rows = [night.manifest.entries.find(name) for name in names]
        done = [
            self._copier.replace_bad(Item(0, Step.TOUCHED, name, row.id, None, now, None, None))
            for name, row in zip(names, rows, strict=True)
            if row is not None
        ]
        if not all(done):
            return self._mend_from_elsewhere(path, entry, is_gone=is_gone, is_of_before=is_of_before)
        self._close(path, is_gone=is_gone, is_of_before=is_of_before)
        return True

    def _mend_from_elsewhere(self, path: bytes, entry: Entry, *, is_gone: bool, is_of_before: bool) -> bool:
        """From any other place that has the content: under another name, retired, or another name of the primary."""
        night = self._night
        if entry.stat.kind is not Kind.FILE or entry.content.digest is None:
            return False
        try:
            others = other_names(night, path, entry)
            staged = self._stage(entry.stat, entry.content, entry.xattrs)
            if staged is None:
                return False
            name, told_as = staged
            _set_aside_another_kind(night, path, Kind.FILE)
            ensure_folder(night, split(path)[0])
            batch = Batch(night)
            for each in (path, *others):
                row = night.manifest.entries.find(each)
                assert row is not None
                if each != path:
                    linked = night.staging_name()
                    night.secondary.link(name, linked)
                    night.barrier.names_changed(split(linked)[0])
                batch.add(Pending(self._placing(each, row, name if each == path else linked)))
        except SyncFailed as error:
            raise drive_failed(error) from error
        except OSError as error:
            leave_out_refused(night, path, error)
            return False
        done = batch.commit_or_fail()
        if len(done) < 1 + len(others) or not self._reads_well(in_copy(path), entry.content):
            return False
        self._close(path, is_gone=is_gone, is_of_before=is_of_before, became=f"mended from {told_as}")
        for each in others:
            night.manifest.runs.close_damage(each, "secondary", night.number, f"mended from {told_as}")
        return True

    def _placing(self, path: bytes, row: Entry, staged: bytes) -> Intent:
        night = self._night
        held = None if night.secondary.stat_or_none(in_copy(path)) is None else free_held(night, path)
        return Intent(
            "place", path, row.id, staged=staged, held=held, reason="decayed", stat=row.stat, content=row.content,
            xattrs=row.xattrs,
        )  # fmt: skip

    def _stage(self, stat: Stat, content: Content, xattrs: int | None) -> tuple[bytes, str] | None:
        """The name in ``staging/``, and where it came from. Raises ``OSError`` for the secondary."""
        night = self._night
        name = night.staging_name()
        attributes = night.manifest.entries.xattrs(xattrs)
        for place in self._whereabouts.places(content, stat):
            night.stop.check()
            if stage_from_place(
                place, name, stat, content, attributes, night.secondary, night.barrier, night.buffers, night.stop
            ):
                return name, place.told
        return None

    def _reads_well(self, path: bytes, content: Content) -> bool:
        night = self._night
        assert content.algorithm is not None
        night.platter.forget()
        read = night.platter.read(night.secondary, path, content.algorithm, night.stop)
        return read is not None and read.digest == content.digest

    def bring_back(self, held: bytes, *, is_of_before: bool = False) -> bool:
        """A retired version that is bad or gone: its content, from wherever it stands, as a file of its own.

        The bad bytes stay where they are, and are known as such from then on.
        """
        night = self._night
        known = night.manifest.past.held_file(held)
        if known is None:
            return False
        stat, content, xattrs = known
        try:
            there = night.secondary.stat_or_none(in_retired(held)) is not None
            if there and self._reads_well(in_retired(held), content):
                return False  # the next reading closes it
            staged = self._stage(stat, content, xattrs)
            if staged is None:
                return False
            stamp, _, path = held.partition(b"/")
            new = free_in_retired(night.secondary, stamp.partition(b"~")[0], path)
        except SyncFailed as error:
            raise drive_failed(error) from error
        except OSError as error:
            leave_out_refused(night, held, error)
            return False
        intent = Intent(
            "bring_back", held, staged=staged[0], held=new, reason="decayed" if there else "missing", stat=stat,
            content=content, xattrs=xattrs,
        )  # fmt: skip
        batch = Batch(night)
        batch.add(Pending(intent))
        if not batch.commit_or_fail() or not self._reads_well(in_retired(new), content):
            return False
        night.manifest.runs.close_damage(held, "retired", night.number, f"brought back from {staged[1]}")
        night.tally.damage += is_of_before
        night.tally.mended += 1
        return True

    def put_back(self) -> None:
        """What was found missing. Raises ``Interrupted`` and ``Failed``."""
        gone, self._gone = self._gone, {}
        for path in self._copier.put_back(item for item, _ in gone.values()):
            if path in gone:
                self._close(path, is_gone=True, is_of_before=gone.pop(path)[1])
        for path, (_, is_of_before) in gone.items():  # the primary would not give it, or gave other content
            self._night.stop.check()
            entry = self._night.manifest.entries.find(path)
            if entry is not None:
                self._mend_from_elsewhere(path, entry, is_gone=True, is_of_before=is_of_before)

    def _close(self, path: bytes, *, is_gone: bool, is_of_before: bool, became: str | None = None) -> None:
        night = self._night
        became = became or (PUT_BACK if is_gone else MENDED)
        night.manifest.runs.close_damage(path, "secondary", night.number, became)
        night.tally.damage += is_of_before
        night.tally.mended += 1


def _on_primary(night: Night, path: bytes, entry: Entry) -> Stat | None:
    """What the primary has, where that is still what the copy should be; else the next night sees to it."""
    if entry.stat.kind is Kind.SYMLINK and not night.capabilities.symlinks:
        return None
    found = night.primary.stat_or_none(path)
    if found is None or unsupported(found) is not None:
        return None
    now = Stat.of(found)
    if now.kind is not entry.stat.kind or (now.kind is not Kind.FOLDER and not _is_untouched(night, entry, now)):
        return None
    if now.kind is Kind.SYMLINK and night.primary.readlink(path) != entry.content.target:
        return None
    return now


def _is_untouched(night: Night, entry: Entry, now: Stat) -> bool:
    return content_untouched(entry.stat, now, inodes=night.inodes)


def _set_aside_another_kind(night: Night, path: bytes, kind: Kind) -> None:
    """A folder where a file was, a file where a symlink was: it is nothing that a run displaced, and is kept all the
    same."""
    try:
        found = night.secondary.stat_or_none(in_copy(path))
        if found is None or stat.S_IFMT(found.st_mode) == _MODES[kind]:
            return
        held = free_held(night, path)
    except OSError as error:
        raise drive_failed(error) from error
    night.leave_out(UNLISTED, path, "something on the secondary that no run put there was moved to retired/")
    batch = Batch(night)
    batch.add(Pending(Intent("unlisted", path, held=held, reason="unlisted")))
    batch.commit_or_fail()
