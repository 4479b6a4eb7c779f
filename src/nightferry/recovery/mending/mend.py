"""Mend: the good content back onto the primary, or the present content taken as the new truth.

One of the commands that write to the primary, and only on a person's word. What is displaced is kept in ``retired/``
on the secondary first (keeping.py). The new file is written whole beside the card, synced, read back, given its
metadata, and then changes places with the bad one (replacing.py): at any instant the name has either content whole, and
what somebody saved meanwhile is not displaced. The times of the folders are put back, and the manifest notes what the
primary says of all of them, so that the next night finds nothing to do.
"""

from __future__ import annotations

import errno
from collections.abc import Callable
from contextlib import suppress

from nightferry.errors import Failed
from nightferry.manifest.night_findings import FOUND_BY_COMMAND
from nightferry.manifest.records import Content, Entry
from nightferry.night.carry import in_retired
from nightferry.night.context import STAGING, Clock
from nightferry.night.register import GONE, RIGHT_AGAIN
from nightferry.night.whereabouts import Place as Whereabout
from nightferry.planning.changes import Difference, compare
from nightferry.recovery.mending.damage import Case, Place, Survey
from nightferry.recovery.mending.keeping import Keeper, Seen
from nightferry.recovery.mending.replacing import Folders, MovedError, Replacer
from nightferry.recovery.opening import Opened
from nightferry.tree.content import ReadFailed, copy_content, hash_from_platter
from nightferry.tree.digests import by_id
from nightferry.tree.metadata import Kind, Stat, Xattrs, apply_to_open, read_xattrs
from nightferry.tree.root import split
from nightferry.volumes.card import MENDING_NAME

ACCEPTED = "accepted as it is"
WRITTEN_SINCE = "somebody has written it since, and a night has copied that; the version of before is in retired/"
# In the manifest's table "meta": the checksum list says something else than the manifest, until a night seals.
STALE_LISTS = ("lists", "stale")


MOVED = (
    "Somebody changed this file while the question stood, so it is left as it is, and nothing was done with it. Look at"
    " it again, then decide anew."
)

MORE_NAMES = (
    ". The bad file has {} on the primary, with the wrong content still, that no night has copied yet: the next night"
    " tells which, and `nightferry mend` puts that right too"
)


class Mender:
    """The primary of ``opened`` must be open for writing, but for ``accept``."""

    def __init__(self, opened: Opened, clock: Clock, should_stop: Callable[[], bool]) -> None:
        self._opened, self._clock, self._should_stop = opened, clock, should_stop
        self._manifest, self._effects, self._buffers = opened.manifest, opened.effects, opened.buffers
        self._primary, self._secondary = opened.drives.primary, opened.drives.secondary
        self._keeper = Keeper(opened, should_stop)
        self._replacer = Replacer(opened.drives.primary, opened.manifest, opened.effects)
        self.touched: set[int] = set()  # inodes of the primary of which this call took a name, which moves their ctime
        self.settled: set[bytes] = set()  # names put right or accepted along with another name of the same file

    def finish_cut_off(self) -> None:
        """What a call before this one left on either drive is finished or taken back, before anybody looks.

        Raises ``Failed``, ``WrongDrive`` and ``Stopped``.
        """
        folders = Folders(self._primary, self._effects)
        try:
            try:
                self._replacer.clear(folders)
            finally:
                folders.put_back()
            if self._manifest.journal.is_open() or self._secondary.names(STAGING):
                self._keeper.secondary()
        except OSError as error:
            raise _refused(error) from error

    # --- the primary is put right

    def restore(self, survey: Survey, chosen: Place | None = None) -> str:
        """Puts the right content back on the primary; returns in words what was done.

        ``chosen``: a person's choice where no place has the right content; its content is the truth from now on.

        Raises ``Failed`` where no place has it, where the primary was changed since, or where it cannot be written, and
        ``Stopped``. Whatever is raised, the file on the primary is whole: the one before, or the restored one.
        """
        entry = self._known(survey)
        if (done := self._stands_already(survey, entry, chosen)) is not None:
            return done
        if not survey.primary.is_there:
            raise Failed(
                "The primary does not have this file any more, and the next night retires its copy. To have it back,"
                " copy it from copy/ on the secondary by hand."
            )
        if survey.changed_since:
            raise Failed(
                "Somebody has written this file since it was last copied: the next night copies it as a change and"
                " keeps the older version in retired/; nothing was put back. To have it close this now, give --accept."
            )
        source = chosen or next(iter(survey.sources), None)
        if source is None:
            raise Failed(
                "No place has the right content any more: neither the copy nor a retired version. Choose one of those"
                " shown with --from, or take the present content with --accept."
            )
        if source.digest is None:
            raise Failed("The version chosen cannot be read whole: choose another of those shown, with --from.")
        if source == survey.primary:
            return self._declare_in_place(survey, entry)
        folders = Folders(self._primary, self._effects)
        more = self._names_not_known(survey, entry)
        try:
            new = self._replace(source, survey, entry, folders, is_chosen=chosen is not None)
        except MovedError as error:
            raise Failed(MOVED) from error
        except ReadFailed as error:
            raise Failed(
                f"The version to be put back cannot be read ({error.strerror or error}): choose another with --from."
            ) from error
        except OSError as error:
            raise _refused(error) from error
        if (source.algorithm, source.digest) != (entry.content.algorithm, entry.content.digest):
            return self._declare(survey, entry, source, new, folders)
        return self._finish(survey, entry, f"put back from {_words(source)}", new, folders) + more

    def _replace(self, source: Place, survey: Survey, entry: Entry, folders: Folders, *, is_chosen: bool) -> Seen:
        """Returns the state of the new file."""
        try:
            twin = None if is_chosen else self._good_twin(survey, entry)
            shown = self._keep_shown(survey, entry, is_chosen=is_chosen)
            if twin is None:
                self._write(source, survey, entry, shown, folders)
            else:
                self._replacer.link(twin, entry.id, shown, folders)
            return self._put(survey.path, shown, folders)
        finally:
            folders.put_back()

    def _keep_shown(self, survey: Survey, entry: Entry, *, is_chosen: bool) -> Seen:
        """What is to be displaced is kept on the secondary, once it is known to be what was shown.

        An unreadable file, whose right content is at hand, is not read once more: there is nothing to keep.
        """
        shown = survey.primary.seen
        assert shown is not None
        if survey.primary.digest is None and not is_chosen:
            return shown
        now, content = self._keep(survey.path, entry, around=survey.primary.digest is None)
        if now != shown or (survey.primary.digest is not None and content.digest != survey.primary.digest):
            raise MovedError
        return shown

    def _keep(self, path: bytes, entry: Entry, *, around: bool) -> tuple[Seen, Content]:
        assert entry.content.algorithm is not None
        try:
            return self._keeper.keep(path, entry, entry.content.algorithm, around=around)
        except ReadFailed as error:
            raise Failed(
                f"What stands on the primary cannot be read any more ({error.strerror or error}), so that it cannot be"
                " kept: nothing was put back. Look at it again, then decide anew."
            ) from error

    def _put(self, path: bytes, shown: Seen, folders: Folders) -> Seen:
        self.touched.add(shown.inode)
        return self._replacer.put(path, shown, folders)

    def _stands_already(self, survey: Survey, entry: Entry, chosen: Place | None) -> str | None:
        """Somebody put it back, or a call before this one was cut off behind its renaming. None where neither is so."""
        if chosen is not None and (chosen.side == "primary" or not _is_same(chosen, survey.primary)):
            return None
        if survey.primary.seen is None:
            return None
        if survey.primary.is_right:
            if self._is_written_since(entry):
                return self._accept_written(survey)
            return self._finish(survey, entry, "it has the right content already", survey.primary.seen)
        return None if chosen is None else self._declare(survey, entry, chosen, survey.primary.seen)

    def _is_written_since(self, entry: Entry) -> bool:
        """Whether the copy has another content by now than the one that was damaged."""
        content = (entry.content.algorithm, entry.content.digest)
        return any(
            each.side == "primary" and each.entry == entry.id and each.digest is not None
            and (each.algorithm, each.digest) != content
            for each in self._manifest.runs.damage()
        )  # fmt: skip

    def _accept_written(self, survey: Survey) -> str:
        self._manifest.runs.close_damage(survey.path, "primary", self._opened.last_run, ACCEPTED)
        return WRITTEN_SINCE

    def _known(self, survey: Survey) -> Entry:
        if survey.entry is None:
            raise Failed(
                "The manifest does not know this name any more, so there is nothing to put back: --accept closes this."
            )
        return survey.entry

    def _write(self, source: Place, survey: Survey, entry: Entry, shown: Seen, folders: Folders) -> None:
        primary, effects = self._primary, self._effects
        bad = primary.stat(survey.path)
        now = Stat.of(bad)
        # Of the bad file as it is: only its content is wrong, and a mode may have been changed meanwhile.
        wanted = entry.stat._replace(mode=now.mode, uid=now.uid, gid=now.gid)
        try:
            fd = (primary if source.side == "primary" else self._secondary).open_to_read(source.path)
        except OSError as error:
            raise ReadFailed(error.errno, error.strerror) from error
        try:
            out = self._replacer.create(entry.id, shown, folders)
            try:
                self._fill(fd, out, source, wanted, self._xattrs(survey.path, entry), bad.st_atime_ns)
            except BaseException:
                with suppress(OSError):
                    primary.unlink(MENDING_NAME)
                raise
            finally:
                effects.close(out)
        finally:
            effects.close(fd)

    def _xattrs(self, path: bytes, entry: Entry) -> Xattrs:
        try:
            fd = self._primary.open_to_read(path)
        except OSError:
            return self._manifest.entries.xattrs(entry.xattrs)
        try:
            return read_xattrs(fd, self._effects)
        finally:
            self._effects.close(fd)

    def _fill(self, fd: int, out: int, source: Place, wanted: Stat, xattrs: Xattrs, atime_ns: int) -> None:
        assert source.algorithm is not None
        effects = self._effects
        copied = copy_content(
            fd, out, size_bytes=source.size_bytes, hasher=by_id(source.algorithm).new(), effects=effects,
            buffers=self._buffers, should_stop=self._should_stop, progress=lambda size_bytes: None,
        )  # fmt: skip
        if copied.digest != source.digest:
            raise ReadFailed(errno.EIO, "it read differently the second time")
        apply_to_open(out, wanted, xattrs, effects, fresh=True)
        with suppress(PermissionError):
            effects.utime(out, ns=(atime_ns, wanted.mtime_ns))
        effects.fsync(out)
        try:
            back = hash_from_platter(
                self._primary.fd, MENDING_NAME, hasher=by_id(source.algorithm).new(), effects=effects,
                buffers=self._buffers, should_stop=self._should_stop, progress=lambda size_bytes: None,
                direct=self._opened.direct["primary"],
            )  # fmt: skip
        except ReadFailed as error:
            raise OSError(error.errno, error.strerror) from error
        if back.digest != source.digest:
            raise OSError(errno.EIO, "what was written there reads back differently")

    # --- other names of the same file

    def _links(self, survey: Survey, entry: Entry) -> list[tuple[bytes, Entry]]:
        """The name itself, and the other names of the same file as the manifest knows them."""
        names = [(survey.path, entry)]
        if entry.stat.nlink > 1:
            names += [
                (self._manifest.entries.path(other.id), other)
                for other in self._manifest.entries.by_inode(entry.stat.inode)
                if other.id != entry.id and other.stat.kind is Kind.FILE and other.content == entry.content
            ]
        return names

    def _names_not_known(self, survey: Survey, entry: Entry) -> str:
        """Tells of names of the bad file that no night has copied, in words; empty where there are none."""
        found = self._primary.stat_or_none(survey.path)
        if found is None or found.st_nlink < 2:
            return ""
        names = [self._primary.stat_or_none(name) for name, _ in self._links(survey, entry)]
        more = found.st_nlink - sum(each is not None and each.st_ino == found.st_ino for each in names)
        return "" if more < 1 else MORE_NAMES.format("1 more name" if more == 1 else f"{more} more names")

    def _good_twin(self, survey: Survey, entry: Entry) -> bytes | None:
        """Another name of the same file that a call before this one has put right, and no more than that."""
        for name, row in self._links(survey, entry)[1:]:
            found = self._primary.stat_or_none(name)
            if found is None or found.st_ino == entry.stat.inode:
                continue
            if (found.st_size, found.st_mtime_ns) != (row.stat.size_bytes, row.stat.mtime_ns):
                continue
            assert entry.content.algorithm is not None
            folder_fd, last = self._primary.at(name)
            with suppress(ReadFailed):
                read = hash_from_platter(
                    folder_fd, last, hasher=by_id(entry.content.algorithm).new(), effects=self._effects,
                    buffers=self._buffers, should_stop=self._should_stop, progress=lambda size_bytes: None,
                    direct=self._opened.direct["primary"],
                )  # fmt: skip
                if read.digest == entry.content.digest:
                    return name
        return None

    def _relink(
        self, survey: Survey, entry: Entry, new: Seen, folders: Folders, *, around: bool
    ) -> list[tuple[bytes, Entry]]:
        """Each name that still leads to the bad file becomes a link of the good one; returns all that do then.

        ``around``: also what cannot be read of the bad file is kept, with its bad spots left out.
        """
        done = [(survey.path, entry)]
        for name, row in self._links(survey, entry)[1:]:
            found = self._primary.stat_or_none(name)
            if found is None or found.st_ino not in (new.inode, entry.stat.inode):
                continue  # it has become another file since
            if found.st_ino != new.inode:
                if (found.st_size, found.st_mtime_ns) != (row.stat.size_bytes, row.stat.mtime_ns):
                    continue  # somebody wrote it since
                shown = Seen.of(found)
                with suppress(MovedError):
                    if survey.primary.digest is not None or around or survey.primary.is_right:
                        shown, _ = self._keep(name, row, around=around and survey.primary.digest is None)
                    self._replacer.link(survey.path, row.id, shown, folders)
                    self._put(name, shown, folders)
                    done.append((name, row))
                continue
            done.append((name, row))
        return done

    def _finish(self, survey: Survey, entry: Entry, became: str, new: Seen, folders: Folders | None = None) -> str:
        """``new``: the good file, as it was put there or found there."""
        names = self._relinked(survey, entry, new, folders := folders or Folders(self._primary, self._effects))
        now_s = int(self._clock.now_s())
        with self._manifest.database.transaction():
            for name, row in names:
                if (now := self._unsaved(name, row, new)) is not None:
                    self._manifest.entries.observe(row.id, now)
                    self._manifest.entries.set_read_primary(row.id, now_s)
            self._note_folders(folders, names)
            self._close(names, f"mended: {became}")
        return self._settle(names, became)

    def _unsaved(self, name: bytes, row: Entry, new: Seen) -> Stat | None:
        """What the primary says of the good file; None where somebody saved another over it, for the night to see."""
        found = self._primary.stat_or_none(name)
        if found is None or not new.is_untouched(Seen.of(found)):
            return None
        now = Stat.of(found)
        if self._xattrs(name, row) != self._manifest.entries.xattrs(row.xattrs):
            # Attributes are compared where the time of change has moved: those set since the last night have to be.
            return now._replace(ctime_ns=now.ctime_ns - 1)
        return now

    def _close(self, names: list[tuple[bytes, Entry]], became: str) -> None:
        """In the transaction that says what the primary has now: cut off, a name is known in full or is open still."""
        for name, _ in names:
            self._manifest.runs.settle_damage(name, "primary", self._opened.last_run, became)

    def _settle(self, names: list[tuple[bytes, Entry]], told: str) -> str:
        self.settled.update(name for name, _ in names)
        return told

    def _relinked(
        self, survey: Survey, entry: Entry, new: Seen, folders: Folders, *, around: bool = False
    ) -> list[tuple[bytes, Entry]]:
        try:
            try:
                self._replacer.clear(folders)  # of a call before this one
                return self._relink(survey, entry, new, folders, around=around)
            finally:
                folders.put_back()
        except OSError as error:
            raise _refused(error) from error

    def _note_folders(self, folders: Folders, names: list[tuple[bytes, Entry]]) -> None:
        for path in folders.paths:
            row = self._manifest.entries.find(path)
            # Where the manifest had it right before, a night has nothing to look at.
            if row is not None and compare(row.stat, folders.before(path)) is Difference.NONE:
                self._manifest.entries.observe(row.id, Stat.of(self._primary.stat(path)))
        for name, _ in names:
            self._forget_listing(name)

    # --- another content is the truth from now on

    def _declare(self, survey: Survey, entry: Entry, source: Place, new: Seen, folders: Folders | None = None) -> str:
        """What the primary has now is right. Where the copy differs, the next night replaces it."""
        folders = folders or Folders(self._primary, self._effects)
        names = self._relinked(survey, entry, new, folders, around=True)
        now_s, runs, run = self._clock.now_s(), self._manifest.runs, self._opened.last_run
        content = Content(source.algorithm, source.digest)
        became = f"a person chose {_words(source)} as the version that counts"
        with self._manifest.database.transaction() as connection:
            for name, row in names:
                if (now := self._unsaved(name, row, new)) is not None:
                    self._manifest.past.keep(row.id, run + 1, "changed", None)
                    self._manifest.entries.redeclare(row.id, now, content, run + 1, int(now_s))
            self._note_folders(folders, names)
            connection.execute("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)", STALE_LISTS)
            self._close(names, became)
            if (survey.secondary.algorithm, survey.secondary.digest) == (source.algorithm, source.digest):
                for name, _ in names:
                    runs.settle_damage(name, "secondary", run, became)
            else:  # which the next night reads by this, and puts right
                verdict = "decayed" if survey.secondary.is_there else "missing"
                detail = f"{became}; the copy has another"
                runs.enter_damage(survey.path, "secondary", verdict, "mend", run, now_s, detail)
        return self._settle(names, became)

    # --- a retired version

    def bring_back(self, held: bytes, source: Place) -> str:
        """A retired version that is bad or gone, from a place that has its content; returns in words what was done.

        The bad bytes stay where they are, and are known as such from then on. Raises ``Failed`` and ``Stopped``.
        """
        known = self._manifest.past.held_file(held)
        if known is None:
            raise Failed("The manifest does not know this version any more: --accept closes this.")
        root = self._primary if source.side == "primary" else self._secondary
        self._keeper.bring_back(held, *known, place=Whereabout(root, source.path, source.side, source.told))
        told = f"brought back from {source.told}"
        self._manifest.runs.close_damage(held, "retired", self._opened.last_run, f"mended: {told}")
        return told

    # --- the present state is accepted

    def accept(self, case: Case, survey: Survey | None) -> str:
        """Takes things as they are; returns in words what that means. Raises ``Failed`` where it cannot be."""
        runs, run = self._manifest.runs, self._opened.last_run
        if case.in_retired:
            verdict = case.damage[0].verdict
            if verdict == "missing" and self._secondary.stat_or_none(in_retired(case.path)) is not None:
                raise Failed(
                    "It stands there again, so it is not given up: `nightferry verify` reads it, and closes this where"
                    " it is right."
                )
            with self._manifest.database.transaction():
                if verdict == "missing":
                    self._manifest.past.expire(case.path, run)
                elif verdict != "unlisted":
                    self._manifest.past.let_go(case.path)
            kept = "it stays where it is" if verdict == "unlisted" else "this version is given up"
            runs.close_damage(case.path, "retired", run, f"accepted: {kept}")
            return kept
        if case.verdict("secondary") == "unlisted":
            runs.close_damage(case.path, "secondary", run, "accepted: it stays where it is")
            return "it stays where it is"
        if case.verdict("primary") is None:
            if survey is not None and survey.entry is None and case.verdict("secondary") != "unreadable":
                runs.close_damage(case.path, "secondary", run, GONE + FOUND_BY_COMMAND)
                return GONE
            raise Failed(
                "Only the copy is bad: there is nothing to accept, the next night mends it from the primary where that"
                " is intact."
            )
        assert survey is not None
        return self._accept_primary(survey)

    def _accept_primary(self, survey: Survey) -> str:
        runs, run, primary = self._manifest.runs, self._opened.last_run, survey.primary
        entry = survey.entry
        if entry is None or not primary.is_there:
            runs.close_damage(survey.path, "primary", run, "accepted: it is gone")
            return "it is gone from the primary; the next night retires what is left of it"
        if primary.is_right and self._is_written_since(entry):
            return self._accept_written(survey)
        if primary.is_right:
            runs.close_damage(survey.path, "primary", run, RIGHT_AGAIN + FOUND_BY_COMMAND)
            return RIGHT_AGAIN
        if survey.changed_since:
            runs.close_damage(survey.path, "primary", run, ACCEPTED)
            return "somebody wrote it since; the next night copies it"
        if primary.digest is None:
            raise Failed(
                "It cannot be read, so there is no content to accept: put it back with --restore, or save what can be"
                " read with --salvage."
            )
        if not survey.secondary.is_right:
            return self._declare_in_place(survey, entry)
        names = self._links(survey, entry)
        with self._manifest.database.transaction():
            for name, row in names:
                # A ctime that no file has makes the next night read the file and find that it changed.
                self._manifest.entries.observe(row.id, row.stat._replace(ctime_ns=0))
                self._forget_listing(name)
            self._close(names, ACCEPTED)
        return self._settle(names, "the next night copies it, and keeps the older version in retired/")

    def _declare_in_place(self, survey: Survey, entry: Entry) -> str:
        """As ``_declare``, with nothing written to the primary, which may be open for reading only."""
        now_s, runs, run = self._clock.now_s(), self._manifest.runs, self._opened.last_run
        content = Content(survey.primary.algorithm, survey.primary.digest)
        names = self._links(survey, entry)
        with self._manifest.database.transaction() as connection:
            for name, row in names:
                self._manifest.past.keep(row.id, run + 1, "changed", None)
                self._manifest.entries.redeclare(row.id, row.stat, content, run + 1, int(now_s))
                self._forget_listing(name)
            connection.execute("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)", STALE_LISTS)
            self._close(names, ACCEPTED)
            if (survey.secondary.algorithm, survey.secondary.digest) == (content.algorithm, content.digest):
                runs.settle_damage(survey.path, "secondary", run, ACCEPTED)
            else:
                verdict = "decayed" if survey.secondary.is_there else "missing"
                runs.enter_damage(survey.path, "secondary", verdict, "mend", run, now_s, "another content was accepted")
        return self._settle(names, "the next night replaces the bad copy with it")

    def _forget_listing(self, path: bytes) -> None:
        folder = self._manifest.entries.find(split(path)[0])
        if folder is not None:
            self._manifest.entries.set_listing(folder.id, None)


def _is_same(one: Place, other: Place) -> bool:
    return one.digest is not None and (one.algorithm, one.digest) == (other.algorithm, other.digest)


def _words(place: Place) -> str:
    if place.told:
        return place.told
    if place.version is not None and place.version.reason == "displaced":
        return f"what a command displaced after night {place.version.since}, in retired/"
    if place.side == "retired" and place.version is not None:
        return f"the version of night {place.version.since} in retired/"
    return "the copy" if place.side == "secondary" else f"what the {place.side} has"


def _refused(error: OSError) -> Failed:
    return Failed(
        f"The primary would not take the file ({error.strerror or error}): see that it has room and is sound, and that"
        " you may write there; the file there is whole, as it was or restored already, and calling this again goes on."
    )
