"""Mend: the good content back onto the primary, or the present content taken as the new truth.

One of the two commands that write to the primary, and only on a person's word. The file is
written whole beside the card, synced, given its metadata, and then renamed over the bad one.
"""

from __future__ import annotations

from collections.abc import Callable

from nightferry.errors import Failed
from nightferry.manifest.manifest import Manifest
from nightferry.night.context import Clock
from nightferry.recovery.damage import Place, Survey
from nightferry.tree.content import Buffers, ReadFailed, copy_content
from nightferry.tree.digests import by_id
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Stat, apply_to_open
from nightferry.tree.root import Root, split
from nightferry.volumes.card import MENDING_NAME


class Mender:
    """``primary`` must be open for writing."""

    def __init__(
        self,
        manifest: Manifest,
        primary: Root,
        secondary: Root,
        effects: Effects,
        buffers: Buffers,
        clock: Clock,
        should_stop: Callable[[], bool],
    ) -> None:
        self._manifest, self._primary, self._secondary = manifest, primary, secondary
        self._effects, self._buffers, self._clock, self._should_stop = effects, buffers, clock, should_stop

    def restore(self, survey: Survey) -> Place:
        """Puts the right content back on the primary; returns where it was taken from.

        Raises ``Failed`` where no place has it, where the primary was changed since, or where it cannot be written.
        """
        entry = survey.entry
        if entry is None:
            raise Failed("The manifest does not know this name any more, so there is nothing to put back.")
        if survey.changed_since:
            raise Failed(
                "Somebody has written this file since it was last copied: the next night copies it as a change and"
                " keeps the older version in retired/; nothing was put back."
            )
        if not survey.sources:
            raise Failed(
                "No place has the right content any more: neither the copy nor a retired version. An older version may"
                " be among those shown; copy it back by hand if it serves."
            )
        source = survey.sources[0]
        try:
            placed = self._write(source, survey)
            for name in self._other_names(survey):
                self._relink(survey.path, name)
        except OSError as error:
            raise Failed(
                f"The primary would not take the file ({error.strerror or error}): see that it is mounted for writing"
                " and has room; the file there is as it was."
            ) from error
        self._note(survey, placed, f"mended from {source.side}")
        return source

    def accept(self, survey: Survey, run: int) -> None:
        """Takes the present content as the new truth: the next night copies it and retires the old version."""
        if survey.entry is None:
            raise Failed("The manifest does not know this name any more, so there is nothing to accept.")
        with self._manifest.database.transaction():
            # A ctime that no file has makes the next night read the file and find that it changed.
            self._manifest.entries.observe(survey.entry.id, survey.entry.stat._replace(ctime_ns=0))
            self._forget_listing(survey.path)
        self._manifest.runs.close_damage(survey.path, "primary", run, "accepted as it is")

    # --- steps

    def _write(self, source: Place, survey: Survey) -> Stat:
        entry = survey.entry
        assert entry is not None and entry.content.algorithm is not None
        primary, effects = self._primary, self._effects
        if primary.stat_or_none(MENDING_NAME) is not None:
            primary.unlink(MENDING_NAME)  # of a command that was cut off
        fd = self._secondary.open_to_read(source.path)
        try:
            out = primary.create(MENDING_NAME)
            try:
                copied = copy_content(
                    fd, out, size_bytes=entry.stat.size_bytes, hasher=by_id(entry.content.algorithm).new(),
                    effects=effects, buffers=self._buffers, should_stop=self._should_stop,
                    progress=lambda size_bytes: None,
                )  # fmt: skip
                if copied.digest != entry.content.digest:
                    raise ReadFailed(5, "the good version read differently the second time")
                xattrs = self._manifest.entries.xattrs(entry.xattrs)
                apply_to_open(out, entry.stat, xattrs, effects, fresh=True)
                effects.fsync(out)
            except BaseException:
                primary.unlink(MENDING_NAME)
                raise
            finally:
                effects.close(out)
        finally:
            effects.close(fd)
        self._rename(survey.path)
        return Stat.of(primary.stat(survey.path))

    def _rename(self, path: bytes) -> None:
        """Over the bad file. The folder's time is put back: nobody changed what it holds."""
        folder = split(path)[0]
        fd = self._primary.folder(folder)
        before = self._effects.fstat(fd)
        self._primary.rename(MENDING_NAME, path)
        self._effects.utime(fd, ns=(before.st_atime_ns, before.st_mtime_ns))
        self._effects.fsync(fd)
        self._effects.fsync(self._primary.fd)

    def _other_names(self, survey: Survey) -> list[bytes]:
        """Hard links of the same bad file: each must become a link of the good one."""
        entry = survey.entry
        assert entry is not None
        if entry.stat.nlink < 2:
            return []
        return [
            self._manifest.entries.path(other.id)
            for other in self._manifest.entries.by_inode(entry.stat.inode)
            if other.id != entry.id and other.content == entry.content
        ]

    def _relink(self, good: bytes, name: bytes) -> None:
        self._primary.link(good, MENDING_NAME)
        self._rename(name)

    def _note(self, survey: Survey, placed: Stat, became: str) -> None:
        assert survey.entry is not None
        names = [survey.path, *self._other_names(survey)]
        now_s = int(self._clock.now_s())
        last = self._manifest.runs.last()
        run = 0 if last is None else last.number
        now = Stat.of(self._primary.stat(survey.path))
        with self._manifest.database.transaction():
            for name in names:
                entry = self._manifest.entries.find(name)
                if entry is not None:
                    self._manifest.entries.observe(entry.id, now)
                    self._manifest.entries.set_read_primary(entry.id, now_s)
                self._forget_listing(name)
        for name in names:
            self._manifest.runs.close_damage(name, "primary", run, became)

    def _forget_listing(self, path: bytes) -> None:
        folder = self._manifest.entries.find(split(path)[0])
        if folder is not None:
            self._manifest.entries.set_listing(folder.id, None)
