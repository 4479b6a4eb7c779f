"""Restoring a sample for real: written into the scratch place as a restore writes, read back, compared, removed.

Batch by batch, as much as the scratch place holds. What is larger than that, or has a name that its file system cannot
hold, is read from the secondary whole and compared with its checksum, without being written down.
"""

from __future__ import annotations

import os
import stat as stat_module
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from nightferry.errors import Failed
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import ROOT_ID, Entry
from nightferry.night.context import Clock, Progress
from nightferry.recovery.rehearsing.pick import is_absence
from nightferry.recovery.rehearsing.result import Mismatch, Pick, Rehearsal, Tested, What
from nightferry.recovery.rehearsing.scratch import empty
from nightferry.recovery.restoring.refusals import Refused
from nightferry.recovery.restoring.target import Target, WrongContent
from nightferry.recovery.restoring.target_opening import open_target
from nightferry.tree.content import Buffers, ReadFailed, Stopped, hash_content, hash_from_platter
from nightferry.tree.digests import by_id
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind
from nightferry.tree.root import Root, join, split

BATCH_FILES = 64
# Mismatches that are named; a drive with more is to be replaced, not listed.
MISMATCH_LIMIT = 1_000

_INTO = b"restored"
_DIFFERS = "restored, and its {} is not what the manifest says"


class Restorer:
    """One rehearsal's restoring. What comes of it is entered in ``result``."""

    def __init__(
        self,
        manifest: Manifest,
        source: Root,
        scratch: Path | None,
        result: Rehearsal,
        effects: Effects,
        clock: Clock,
        progress: Progress,
        should_stop: Callable[[], bool],
        *,
        direct: bool,
    ) -> None:
        """``source``: the secondary's root. ``direct``: whether O_DIRECT passes by every cache of that drive."""
        self.manifest, self.source, self._scratch, self.result = manifest, source, scratch, result
        self.effects, self.clock, self._progress = effects, clock, progress
        self.should_stop, self._direct = should_stop, direct
        self._room_bytes = result.place.room_bytes if scratch is not None else 0
        self.buffers = Buffers()
        self._batch: list[Pick] = []
        self._batch_bytes = 0
        self.timed: list[tuple[int, float]] = []

    def close(self) -> None:
        self.buffers.close()

    def take(self, pick: Pick) -> None:
        """The next one; carried out now or with those that follow, in this order. Raises ``Stopped``."""
        if pick.size_bytes > self._room_bytes or self._scratch is None:
            self.flush()
            self.stream(pick)
            return
        if len(self._batch) >= BATCH_FILES or self._batch_bytes + pick.size_bytes > self._room_bytes:
            self.flush()
        self._batch.append(pick)
        self._batch_bytes += pick.size_bytes

    def flush(self) -> None:
        """Carries out what waits. Raises ``Stopped``.

        Where the scratch place gives up, that says nothing of the secondary: from then on files are read and compared.
        """
        batch, self._batch, self._batch_bytes = self._batch, [], 0
        if not batch:
            return
        scratch = self._scratch
        assert scratch is not None
        try:
            _Batch(self, scratch / os.fsdecode(_INTO), batch).run()
        except Failed as error:
            self._scratch, self.result.place.why_none = None, f"the scratch place gave up ({error})"
        finally:
            with suppress(OSError):
                empty(scratch, self.effects)
        if self._scratch is None:
            done = {id(each.pick) for each in self.result.tested}
            for pick in batch:
                if id(pick) not in done:
                    self.stream(pick)

    # --- what a batch needs of it

    def done(self, pick: Pick, seconds: float, *, streamed: bool = False, is_right: bool = True) -> None:
        self.result.tested.append(Tested(pick, streamed, seconds, is_right))
        self.result.read_s += seconds
        if is_right and pick.stat.kind is Kind.FILE:
            self.timed.append((pick.size_bytes, seconds))
        self._progress.advance(files=1)

    def mismatch(self, pick: Pick, what: What, detail: str) -> None:
        if len(self.result.mismatches) < MISMATCH_LIMIT:
            self.result.mismatches.append(Mismatch(pick.path, pick.side, pick.name, what, detail))
        self._progress.note("mismatch", path=pick.path, side=pick.side, what=what, why=detail)

    # --- without writing

    def stream(self, pick: Pick) -> None:
        began_s = self.clock.monotonic_s()
        try:
            right, direct = self._read(pick)
        except (OSError, ReadFailed) as error:
            self.unreadable(pick, error, self.clock.monotonic_s() - began_s, streamed=True)
            return
        self.result.past_cache &= direct
        if not right:
            self.wrong_content(pick, self.clock.monotonic_s() - began_s, streamed=True)
            return
        self.done(pick, self.clock.monotonic_s() - began_s, streamed=True)

    def _read(self, pick: Pick) -> tuple[bool, bool]:
        """Whether what stands on the secondary is right, and whether it was read past every cache."""
        folder_fd, name = self.source.at(pick.place)
        if pick.stat.kind is Kind.SYMLINK:
            return self.effects.readlink(name, dir_fd=folder_fd) == pick.content.target, True
        assert pick.content.algorithm is not None
        found = hash_from_platter(
            folder_fd, name, hasher=by_id(pick.content.algorithm).new(), effects=self.effects, buffers=self.buffers,
            should_stop=self.should_stop, progress=self.advance, direct=self._direct,
        )  # fmt: skip
        return (found.read_bytes, found.digest) == (pick.stat.size_bytes, pick.content.digest), found.direct

    def advance(self, size_bytes: int) -> None:
        self._progress.advance(size_bytes=size_bytes)

    # --- what is wrong

    def unreadable(self, pick: Pick, error: OSError, seconds: float, *, streamed: bool = False) -> None:
        if is_absence(error.errno):
            self.mismatch(pick, "missing", "it is not on the secondary")
        else:
            self.mismatch(pick, "unreadable", f"it cannot be read from the secondary ({error.strerror or error})")
        self.done(pick, seconds, streamed=streamed, is_right=False)

    def wrong_content(self, pick: Pick, seconds: float, *, streamed: bool = False) -> None:
        """Read once more: a drive that gives other bytes each time has another fault than one that keeps wrong ones."""
        try:
            right, _ = self._read(pick)
        except (OSError, ReadFailed):
            right = False
        if right:
            self.mismatch(
                pick, "unstable",
                "its content was read wrong once and right the second time: suspect cable, power or memory",
            )  # fmt: skip
        else:
            self.mismatch(pick, "decayed", "its content on the secondary is not what its checksum says")
        self.done(pick, seconds, streamed=streamed, is_right=False)


class _Batch:
    """One filling of the scratch place."""

    def __init__(self, restorer: Restorer, into: Path, picks: list[Pick]) -> None:
        self._of, self._into, self._picks = restorer, into, picks
        self._written: list[tuple[Pick, bytes, float]] = []  # with its path in the target, and the seconds it took
        self._folders: dict[bytes, Entry] = {}
        self._streamed: list[Pick] = []

    def run(self) -> None:
        of = self._of
        began_s = of.clock.monotonic_s()
        with open_target(
            self._into, of.effects, of.buffers, should_stop=of.should_stop, progress=of.advance, cold=True
        ) as (target, _):
            target.tally.lost.clear()
            for number, pick in enumerate(self._picks):
                self._restore(target, number, pick)
            target.finish()
            late = {refusal.path for refusal in target.tally.late}
            self._streamed += [pick for pick, path, _ in self._written if path in late]
            self._written = [each for each in self._written if each[1] not in late]
            # What the whole batch took beside its files, making folders, names and barriers, is shared by them.
            beside_s = of.clock.monotonic_s() - began_s - sum(seconds for _, _, seconds in self._written)
            share_s = max(0.0, beside_s) / max(1, len(self._written))
            for pick, path, seconds in self._written:
                self._compare(target, pick, path, seconds + share_s)
            self._compare_folders(target)
            of.result.lost.update(target.tally.lost)
        for pick in self._streamed:
            of.stream(pick)

    # --- writing

    def _restore(self, target: Target, number: int, pick: Pick) -> None:
        of = self._of
        if of.should_stop():
            raise Stopped
        began_s = of.clock.monotonic_s()
        try:
            path = self._make_place(target, number, pick)
            if pick.stat.kind is Kind.SYMLINK:
                assert pick.content.target is not None
                target.symlink(path, pick.stat, pick.content.target, pick.xattrs)
            else:
                target.file(path, pick.stat, pick.xattrs, pick.content, of.source, pick.place)
        except Refused:
            # About the scratch place, and not about the secondary.
            self._streamed.append(pick)
        except ReadFailed as error:
            of.unreadable(pick, error, of.clock.monotonic_s() - began_s)
        except WrongContent:
            of.wrong_content(pick, of.clock.monotonic_s() - began_s)
        else:
            self._written.append((pick, path, of.clock.monotonic_s() - began_s))

    def _make_place(self, target: Target, number: int, pick: Pick) -> bytes:
        """The folders above, and the path in the target: a file of the copy under its own, a retired one beside."""
        if pick.side == "retired":
            folder = b".retired-%d" % number
            target.make_folder(folder)
            return join(folder, split(pick.path)[1])
        above: list[tuple[bytes, Entry]] = []
        folder, row = split(pick.path)[0], pick.parent
        while folder:
            if folder in self._folders:
                break
            entry = self._of.manifest.entries.by_id(row)
            if entry is None or entry.stat.kind is not Kind.FOLDER or entry.id == ROOT_ID:
                raise ReadFailed(None, "the sealed manifest does not know its folder")
            above.append((folder, entry))
            folder, row = split(folder)[0], entry.parent
        for path, entry in reversed(above):
            target.folder(path, entry.stat, self._of.manifest.entries.xattrs(entry.xattrs))
            self._folders[path] = entry
        return pick.path

    # --- reading back

    def _compare(self, target: Target, pick: Pick, path: bytes, seconds: float) -> None:
        try:
            wrong = self._differences(target, pick, path)
        except (OSError, ReadFailed) as error:
            raise Failed(
                f"What was restored into {self._into} cannot be read back ({error.strerror or error}): see to that"
                " place, or choose another with rehearse_scratch."
            ) from error
        if wrong:
            self._of.mismatch(pick, "metadata", _DIFFERS.format(", ".join(wrong)))
        self._of.done(pick, seconds, is_right=not wrong)

    def _differences(self, target: Target, pick: Pick, path: bytes) -> list[str]:
        if pick.stat.kind is Kind.SYMLINK:
            wrong = target.differs(path, pick.stat, pick.xattrs)
            return wrong if target.root.readlink(path) == pick.content.target else ["target", *wrong]
        of = self._of
        fd = target.root.open_to_read(path)
        try:
            wrong = target.differs(fd, pick.stat, pick.xattrs)
            with suppress(OSError):
                of.effects.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
            assert pick.content.algorithm is not None
            size_bytes, digest = hash_content(
                fd, hasher=by_id(pick.content.algorithm).new(), effects=of.effects, buffers=of.buffers,
                should_stop=of.should_stop, progress=lambda done_bytes: None,
            )  # fmt: skip
        finally:
            of.effects.close(fd)
        if (size_bytes, digest) != (pick.stat.size_bytes, pick.content.digest):
            wrong.insert(0, "content")
        return wrong

    def _compare_folders(self, target: Target) -> None:
        of = self._of
        for path, entry in self._folders.items():
            fd = target.root.folder(path)
            wrong = target.differs(fd, entry.stat, of.manifest.entries.xattrs(entry.xattrs))
            if not stat_module.S_ISDIR(of.effects.fstat(fd).st_mode):
                wrong.insert(0, "kind")
            of.result.folders += 1
            if wrong:
                pick = Pick("secondary", path, path, path, entry.stat, (), entry.content, entry.parent)
                of.mismatch(pick, "metadata", _DIFFERS.format(", ".join(wrong)))
