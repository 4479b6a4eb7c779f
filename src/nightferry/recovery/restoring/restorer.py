"""Restoring, name by name: what is chosen goes from wherever its right content stands into the target.

Two passes over the records: the first adds up what is to be written and whether it fits, the second writes. Folders get
their metadata in a third, when no name in them changes any more. Nothing is remembered of single names between them, so
that memory does not grow with their number, and a call after a crash does the same and finds most of it done.
"""

from __future__ import annotations

import errno
import stat as stat_module
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from nightferry.errors import Failed, WrongUse
from nightferry.manifest.linked import Linked
from nightferry.night.context import Clock
from nightferry.night.whereabouts import Place
from nightferry.planning.target_room import Needs, shortfall
from nightferry.recovery.restoring import staging
from nightferry.recovery.restoring.bad import Marker
from nightferry.recovery.restoring.meter import Meter
from nightferry.recovery.restoring.origin import Origin, Piece
from nightferry.recovery.restoring.pick import Picker
from nightferry.recovery.restoring.refusals import Refusal, Refused, refusing
from nightferry.recovery.restoring.result import RestoreResult
from nightferry.recovery.restoring.selection import Selection, is_at_or_below
from nightferry.recovery.restoring.standing import Comparer, Standing
from nightferry.recovery.restoring.target import Target, WrongContent
from nightferry.tree.content import Buffers, ReadFailed, Stopped
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Xattrs
from nightferry.tree.root import join, split
from nightferry.units import format_count, format_size, show_name, show_text
from nightferry.volumes.filesystem import room


@dataclass(frozen=True)
class How:
    """``overwrite``: what stands there and differs is replaced. ``bad``: what no place has right is restored marked."""

    overwrite: bool = False
    bad: bool = False


class Restorer:
    """One restore into one target."""

    def __init__(
        self,
        origin: Origin,
        picker: Picker,
        target: Target,
        selection: Selection,
        how: How,
        result: RestoreResult,
        effects: Effects,
        buffers: Buffers,
        meter: Meter,
        clock: Clock,
        should_stop: Callable[[], bool],
    ) -> None:
        self._origin, self._picker, self._target, self._selection = origin, picker, target, selection
        self._how, self._result, self._effects = how, result, effects
        self._meter, self._progress = meter, meter.progress
        self._clock, self._should_stop = clock, should_stop
        self._linked = Linked()
        self._marker = Marker(target, result, effects, meter, should_stop, wanted=how.bad, overwrite=how.overwrite)
        self._comparer = Comparer(target, effects, buffers, should_stop, meter.advance)
        # Folders down to the present one, why one is not there, and whether this call made it.
        self._above: list[tuple[bytes, str | None, bool]] = []
        self._absent: bytes | None = None  # a folder that the target does not have
        self._totals = (0, 0)

    def close(self) -> None:
        self._linked.close()

    # --- whether it fits

    def check_room(self, otherwise: str = "make room there, restore less, or give another folder.") -> None:
        """Adds up what is to be written. Raises ``Failed`` where it does not fit, ``WrongUse`` where nothing is.

        ``otherwise``: what to do about it, for the message.
        """
        self._progress.phase("look")
        free = room(self._target.root.fd, self._effects)
        needs = self._add_up(exactly=False)
        if shortfall(needs, free.free_bytes, free.free_inodes) != (0, 0):
            # Once more, with what files with holes really take, which has to be asked of the drive.
            needs = self._add_up(exactly=True)
        lacking_bytes, lacking_names = shortfall(needs, free.free_bytes, free.free_inodes)
        shown = show_text(str(self._result.into))
        if lacking_bytes:
            raise Failed(
                f"It does not fit: {format_size(needs.size_bytes)} are to be written, and {shown} has"
                f" {format_size(free.free_bytes)} free, {format_size(lacking_bytes)} too little. Nothing was restored:"
                f" {otherwise}"
            )
        if lacking_names:
            raise Failed(
                f"It does not fit: {format_count(needs.names)} names are to be written, and the file system of {shown}"
                f" has inodes for {format_count(free.free_inodes or 0)}. Nothing was restored: {otherwise}"
            )

    def _add_up(self, *, exactly: bool) -> Needs:
        counts = self._effects.fstatvfs(self._target.root.fd)
        needs = Needs(counts.f_frsize or 4096)
        files = size_bytes = 0
        is_empty = True
        self._absent = None
        for piece in self._origin.pieces(self._selection):
            self._check_stop()
            is_empty = False
            if self._is_own(piece):
                continue
            if not piece.is_folder:
                files += 1
                size_bytes += piece.stat.size_bytes if piece.stat.kind is Kind.FILE else 0
                self._progress.advance(files=1)
            self._add(needs, piece, exactly=exactly)
        self._linked.forget_all()
        if is_empty:
            raise WrongUse(
                "There is nothing to restore: no name was ever copied as of then. Choose a later night, or leave"
                " --as-of out; `nightferry history` lists the nights."
            )
        self._totals = (files, size_bytes)
        return needs

    def _add(self, needs: Needs, piece: Piece, *, exactly: bool) -> None:
        if piece.stat.kind is Kind.FILE and self._target.can.hard_links:
            number = self._origin.file_number(piece)
            if self._linked.first(number) is not None:
                return
            self._linked.remember(number, piece.path)
        if self._absent is not None and is_at_or_below(piece.path, self._absent):
            needs.add(self._needed_bytes(piece, exactly=exactly))
            return
        with suppress(OSError):
            found = self._target.root.stat_or_none(piece.path)
            if found is None and piece.is_folder:
                self._absent = piece.path  # what is below it comes next, and none of it is there
            if found is not None and (piece.is_folder or found.st_size == piece.stat.size_bytes):
                return
            if found is not None and not self._how.overwrite:
                return
        needs.add(self._needed_bytes(piece, exactly=exactly))

    def _needed_bytes(self, piece: Piece, *, exactly: bool) -> int:
        size_bytes = piece.stat.size_bytes if piece.stat.kind is Kind.FILE else 0
        return min(size_bytes, self._allocated_bytes(piece, size_bytes)) if exactly and size_bytes else size_bytes

    def _allocated_bytes(self, piece: Piece, size_bytes: int) -> int:
        if not self._target.can.sparse:
            return size_bytes
        for place in self._origin.places(piece):
            with suppress(OSError):
                return place.root.stat(place.path).st_blocks * 512
        return size_bytes

    # --- the work

    def run(self) -> None:
        """Writes everything; raises ``Failed`` where the target gives up. A stop is noted in the result."""
        began_s = self._clock.monotonic_s()
        self._progress.phase("restore", *self._totals)
        try:
            for piece in self._origin.pieces(self._selection):
                self._check_stop()
                self._one(piece)
            self._target.commit()
            self._target.wait()
            self._take_late()
            self._progress.phase("finish folders")
            self._finish()
        except Stopped:
            self._result.stopped = True
            self._target.settle()
            self._take_late()
        finally:
            self._result.writing_s = self._clock.monotonic_s() - began_s
            self._result.content_bytes = self._meter.size_bytes
            self._result.written = self._target.tally

    def _check_stop(self) -> None:
        if self._should_stop():
            raise Stopped

    def _is_own(self, piece: Piece) -> bool:
        """Whether nightferry itself has that name at the top of a drive or target: no night copies these."""
        top = piece.path.split(b"/", 1)[0]
        return (top if self._target.can.case_sensitive else top.lower()) in staging.OWN_NAMES

    def _one(self, piece: Piece) -> None:
        if self._is_own(piece):
            self._refuse(piece, "it is a name of nightferry's own, which no night copies: the records were altered")
            return
        why = self._make_way(split(piece.path)[0] if not piece.is_folder else piece.path, piece)
        if piece.is_folder:
            return
        if why is not None:
            self._refuse(piece, why)
        else:
            try:
                self._file_or_symlink(piece)
            except Refused as error:
                self._refuse(piece, str(error))
        self._progress.advance(files=1)

    def _refuse(self, piece: Piece, why: str) -> None:
        path = piece.path or b"."  # the target itself
        self._result.refused.add(Refusal(path, why))
        self._progress.note("not restored", path=path, why=why)

    # --- folders

    def _make_way(self, folder: bytes, piece: Piece) -> str | None:
        """Makes a folder and those above it; returns why it is not there, None where it is."""
        while self._above and not is_at_or_below(folder, self._above[-1][0]):
            self._above.pop()
        if not self._above:
            self._above.append((b"", None, False))
        at = self._above[-1][0]
        while at != folder:
            rest = folder[len(at) + 1 :] if at else folder
            at = join(at, rest.split(b"/", 1)[0])
            why = self._above[-1][1]
            self._above.append((at, why, False) if why is not None else (at, *self._make_folder(at, piece)))
        return self._above[-1][1]

    def _make_folder(self, path: bytes, piece: Piece) -> tuple[str | None, bool]:
        try:
            return None, self._target.make_folder(path) == "made"
        except Refused as error:
            if piece.is_folder and piece.path == path:
                self._refuse(piece, str(error))
            return f"its folder could not be made: {error}", False

    def _finish(self) -> None:
        """Metadata of folders, from the deepest up."""
        top: tuple[Piece, Xattrs] | None = None
        for piece, is_chosen in self._origin.folders(self._selection):
            self._check_stop()
            if self._is_own(piece):
                continue
            with suppress(Refused):  # told already
                state = self._target.folder_state(piece.path, piece.stat)
                if state is None or (state == "there" and not self._may_dress(piece, is_chosen=is_chosen)):
                    continue
                xattrs = self._origin.xattrs(piece)
                if not piece.path:
                    top = piece, xattrs
                    continue
                try:
                    self._target.dress_folder(piece.path, piece.stat, xattrs)
                except Refused as error:
                    self._refuse(piece, f"its date, rights and attributes: {error}")
        if top is None:
            self._target.finish()
            return
        try:
            self._target.finish(top[0].stat, top[1])
        except Refused as error:
            self._refuse(top[0], f"its date, rights and attributes: {error}")

    def _may_dress(self, piece: Piece, *, is_chosen: bool) -> bool:
        """Of a folder that was there before; without modes nothing tells it from one that was made now.

        In a target of our own a call before this one gave it its metadata, and this one may have put a name into it.
        """
        is_wanted = self._how.overwrite or self._target.is_ours or not self._target.can.modes
        return is_chosen and bool(piece.path) and is_wanted

    # --- files and symlinks

    def _file_or_symlink(self, piece: Piece) -> None:
        xattrs = self._origin.xattrs(piece)
        number = self._origin.file_number(piece) if piece.stat.kind is Kind.FILE else None
        if self._link(piece, number):
            return
        before_bytes = self._meter.size_bytes
        # In a folder that this call made stands nothing but what it put there; should that change, no name is replaced.
        is_new = self._above[-1][2] and self._target.can.case_sensitive
        standing = Standing("absent") if is_new else self._comparer.look(piece, xattrs)
        if standing.verdict == "right" and self._is_apart(piece, number):
            self._join(piece, number)
            return
        if standing.verdict == "right":
            self._result.right += 1
            self._result.right_bytes += piece.stat.size_bytes if piece.stat.kind is Kind.FILE else 0
            self._linked.remember(number, piece.path)
            return
        if standing.verdict != "absent" and not self._how.overwrite:
            self._leave(piece, standing.detail)
            return
        if standing.verdict == "metadata":
            self._target.alter(piece.path, piece.stat, xattrs)
            self._linked.remember(number, piece.path)
            return
        self._meter.take_back(before_bytes)
        replace = standing.verdict == "differs"
        if piece.stat.kind is Kind.SYMLINK:
            self._target.symlink(piece.path, piece.stat, piece.content.target or b"", xattrs, replace=replace)
        else:
            self._write(piece, xattrs, number, replace=replace)

    def _leave(self, piece: Piece, why: str) -> None:
        self._result.left.add(Refusal(piece.path, why))
        self._progress.note("left as it is", path=piece.path, why=why)

    def _link(self, piece: Piece, number: int | None) -> bool:
        """Makes it another name of a file that is there; False where it has to be looked at and written itself."""
        first = self._linked.first(number)
        if first is None:
            return False
        if not self._target.can.hard_links:
            self._target.tally.lost["links"] += 1
            return False
        with refusing():
            found = self._target.root.stat_or_none(piece.path)
            if found is None:
                done = self._target.link(first, piece.path)
            else:
                self._target.check_spelling(piece.path)
                if self._target.is_same(first, found):
                    self._result.right += 1
                    self._result.right_bytes += piece.stat.size_bytes
                    done = True
                elif self._how.overwrite and not stat_module.S_ISDIR(found.st_mode):
                    done = self._target.link(first, piece.path, replace=True)
                else:
                    return False
        if done:
            self._meter.advance(piece.stat.size_bytes)
        else:
            self._target.tally.lost["links"] += 1
        return done

    def _is_apart(self, piece: Piece, number: int | None) -> bool:
        """Whether a file that stands there is one of its own, and not another name of the one that it should be."""
        first = self._linked.first(number)
        if first is None or not self._target.can.hard_links:
            return False
        with refusing():
            found = self._target.root.stat_or_none(piece.path)
        return found is not None and not self._target.is_same(first, found)

    def _join(self, piece: Piece, number: int | None) -> None:
        """A name whose content is right already; a call before this one could not restore the others of its file."""
        first = self._linked.first(number)
        assert first is not None
        if not self._target.is_ours:
            self._leave(piece, f"it has the right content, and is not another name of {show_name(first)}")
        elif not self._target.link(first, piece.path, replace=True):  # it can have no more names
            self._target.tally.lost["links"] += 1
            self._result.right += 1
            self._result.right_bytes += piece.stat.size_bytes

    def _write(self, piece: Piece, xattrs: Xattrs, number: int | None, *, replace: bool) -> None:
        wrong: list[tuple[Place, str]] = []
        for place in self._picker.places(piece):
            before_bytes = self._meter.size_bytes
            try:
                written = self._target.file(
                    piece.path, piece.stat, xattrs, piece.content, place.root, place.path, replace=replace
                )
            except (ReadFailed, WrongContent) as error:
                self._meter.take_back(before_bytes)
                wrong.append((place, _why(error)))
                continue
            self._linked.remember(number, piece.path)
            self._result.unverified += not written.verified
            if wrong or not self._is_first(place, piece):
                why = "; ".join(f"{each.told}: {detail}" for each, detail in wrong) or "the copy is missing"
                self._result.elsewhere.add(Refusal(piece.path, f"{why}; it was taken from {place.told}"))
                self._progress.note("taken from elsewhere", path=piece.path, why=why, source=place.told)
            return
        why = "; ".join(f"{each.told}: {detail}" for each, detail in wrong)
        first = next(self._origin.places(piece), None)
        suspects = [] if wrong else self._picker.suspects(piece)
        places = [place for place, _ in wrong] or suspects
        self._marker.take(piece, xattrs, why or _why_nowhere(first, suspects), places)

    def _is_first(self, place: Place, piece: Piece) -> bool:
        """Whether that is where the records have it first; also where they have it nowhere."""
        first = next(self._origin.places(piece), None)
        return first is None or (place.what, place.path) == (first.what, first.path)

    def _take_late(self) -> None:
        """What the target refused when its batch got its names."""
        for each in self._target.tally.late:
            self._result.refused.add(each)
            self._progress.note("not restored", path=each.path, why=each.why)
        self._target.tally.late.clear()


def _why_nowhere(first: Place | None, suspects: list[Place]) -> str:
    if suspects:
        return f"{suspects[0].told} is known to be damaged, and no other place has its content"
    if first is None:
        return "its content is not kept any more"
    return f"it is missing: {show_name(first.path)} is not on the secondary"


def _why(error: ReadFailed | WrongContent) -> str:
    if isinstance(error, WrongContent):
        return str(error)
    if error.errno == errno.EIO:
        return "a part of it cannot be read (I/O error)"
    if error.errno in (errno.EACCES, errno.EPERM):
        return f"you may not read it ({error.strerror}): run as root, or as a user that may"
    return f"it cannot be read ({error.strerror or error})"
