"""Copy: what is new or changed goes from the primary into the copy, in batches."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import closing

from nightferry.manifest.plan import Item, Step
from nightferry.manifest.records import Entry, Intent
from nightferry.night.alter import other_names, shares_inode
from nightferry.night.carry import in_copy
from nightferry.night.commit import (
    Batch,
    Pending,
    clear_the_way,
    drive_failed,
    free_held,
    leave_out_refused,
    refuse,
)
from nightferry.night.context import NO_ROOM, UNREADABLE, UNSETTLED, Interrupted, Night
from nightferry.night.destination import Destination, Destinations
from nightferry.night.failing import FailingDrive
from nightferry.night.lots import Lots
from nightferry.night.readback import read_back
from nightferry.night.reading import Decayed, Unreadable, Unsettled
from nightferry.night.register import (
    TURNED_UP,
    UNDER_OLD_DATE,
    enter,
    enter_turned_up,
    is_name_of_bad,
)
from nightferry.night.small import is_small
from nightferry.night.space import RoomLeft
from nightferry.night.stage import Staged, stage_file, stage_from_base, stage_link, stage_right, stage_symlink
from nightferry.night.verify import NOT_TOLD_APART
from nightferry.planning.changes import same_date
from nightferry.planning.drive_health import DRIVE_ERRORS
from nightferry.tree.content import Stopped
from nightferry.tree.durability import SyncFailed
from nightferry.tree.metadata import Kind
from nightferry.tree.root import split

# Files that changed while they were read, tried once more at the end.
RETRY_LIMIT = 10_000
# A file of this size is not begun before all that came before it is staged.
TAKES_TIME_BYTES = 16 << 20
# Files that the secondary may refuse with an I/O error before the night stops working it.
DRIVE_ERRORS_LIMIT = 16


class Copier:
    """One pass over planned items; ``run`` for each of the night's two, ``retry`` at the end."""

    def __init__(self, night: Night) -> None:
        self._night = night
        self._batch = Batch(night)
        self._staged: dict[int, tuple[bytes, Staged]] = {}  # by inode: multiply linked files of this batch
        self._again: list[Item] = []
        self._turned_up: list[tuple[bytes, Decayed]] = []  # of this batch: damaged files under other names
        self._is_retry = False
        self._is_replacing_bad = False
        self._drive_errors = 0
        self._put_back: set[bytes] = set()  # by this call
        self._mended: dict[int, bytes] = {}  # by inode: a name of each file that was bad and is right now
        self._folders = Destinations(night)
        self._small = Lots(night, self._batch, self._commit, lambda item: self._one(item, has_room=True))
        self._room = RoomLeft(night, self._small.not_written)

    def run(self, items: Iterator[Item]) -> None:
        """Raises ``Interrupted``, ``Stopped`` and ``Failed``; what was staged whole is committed before it stops."""
        self._night.rates.begin()
        try:
            with closing(self._night.ahead.over(self._without_small(items))) as opened:
                for item in opened:
                    self._night.stop.check()
                    self._one(item)
                    if self._batch.full:
                        self._commit()
            self._small.finish()
        except (Interrupted, Stopped):
            self._small.keep()
            self._commit()
            raise
        except FailingDrive as error:
            if error.role == "primary":
                self._small.keep()
                self._commit()  # what a dying drive still gave is not to be asked of it twice
            raise
        finally:
            self._small.end()
        self._commit()

    def retry(self) -> None:
        """Files that changed while they were read, once more; still changing, they wait for tomorrow."""
        again, self._again, self._is_retry = self._again, [], True
        self.run(iter(again))
        self._is_retry = False

    def replace_bad(self, item: Item) -> bool:
        """Copies one file again over one name of a bad copy; whether the copy is right now."""
        done = self._replace(item._replace(base=None))
        if read_back(self._night, [each for each in done if each.copied], self._copy_again):
            self._night.stop.check()  # not known to be right: the damage stays open
        if not any(each.intent.path == item.path for each in done):
            return False
        self._mended.setdefault(item.stat.inode, item.path)
        return True

    def put_back(self, items: Iterator[Item]) -> set[bytes]:
        """Copies names again that are missing from the copy, in batches; the paths that stand there now.

        For names of files with one name only. Raises as ``run`` does, also where reading back was cut short.
        """
        self._put_back = set()
        self._is_replacing_bad = True
        try:
            self.run(items)
        finally:
            self._is_replacing_bad = False
        self._night.stop.check()
        return self._put_back

    # --- small files, many at once

    def _without_small(self, items: Iterator[Item]) -> Iterator[Item]:
        """Keeps those back that can go the straight way (lots.py)."""
        for item in items:
            if not is_small(item) or not self._is_plain(item):
                if item.stat.size_bytes >= TAKES_TIME_BYTES:
                    self._small.finish()  # what came before it is safe, should the night be stopped meanwhile
                yield item
                continue
            self._small.add(item)

    def _is_plain(self, item: Item) -> bool:
        """Whether nothing can be in its way: its folder was made by this run, and nothing has its name there."""
        self._night.stop.check()
        if self._is_replacing_bad:
            return False
        folder, name = split(item.path)
        try:
            return self._folders.enter(folder).is_free(name) and self._room.takes(item)
        except OSError:
            return False  # the ordinary way meets the same, and can say what it means

    # --- one file

    def _one(self, item: Item, *, has_room: bool = False) -> None:
        """``has_room``: room for it was set aside before."""
        night = self._night
        folder, name = split(item.path)
        parent = self._folders.enter(folder)
        if parent.entry is None:
            night.tally.withheld += 1  # its folder is held back, or was refused and is named
            night.plan.mark_incomplete(folder)
            return
        then = None
        if item.entry is not None or not parent.is_new or self._is_replacing_bad:
            then = night.manifest.entries.child(parent.entry, name)
        if then is None and is_name_of_bad(night, item.stat):
            night.leave_out(UNREADABLE, item.path, "it is another name of a file that is damaged: mend that one")
            return
        try:
            if then is None and not self._name_is_free(item, parent, name):
                return
            if not (has_room or self._has_room(item)):
                night.leave_out(NO_ROOM, item.path, "the secondary has no room for it")
                return
            self._add(item, then, self._stage(item, then))
        except Unreadable as error:
            night.leave_out(UNREADABLE, item.path, str(error))
        except Unsettled as error:
            if self._is_retry or len(self._again) >= RETRY_LIMIT:
                night.leave_out(UNSETTLED, item.path, f"{error}; the next run tries again")
            else:
                self._again.append(item)
        except Decayed as found:
            self._decayed(item, then, found)
        except SyncFailed as error:
            raise drive_failed(error) from error
        except OSError as error:
            self._refused(item, error)

    def _decayed(self, item: Item, then: Entry | None, found: Decayed) -> None:
        """Bad content is not copied. Under another name than its own it takes its right content along."""
        night = self._night
        night.plan.mark_incomplete(split(item.path)[0])
        if then is not None and (found.row == then.id or then.content == found.right):
            enter(night, item.path, UNDER_OLD_DATE if night.inodes else NOT_TOLD_APART, found.bad)
            return
        try:
            staged = stage_right(night, item, found)
        except Unreadable as error:
            night.leave_out(UNREADABLE, item.path, str(error))
        except Unsettled as error:
            night.leave_out(UNSETTLED, item.path, f"{error}; the next run tries again")
        except SyncFailed as error:
            raise drive_failed(error) from error
        except OSError as error:
            self._refused(item, error)
        else:
            if staged is None:
                why = f"{TURNED_UP}, and the right one stands nowhere on the secondary"
                night.leave_out(UNREADABLE, item.path, why)
                return
            self._add(item, then, staged, was_read=False)
            self._turned_up.append((item.path, found))

    def _has_room(self, item: Item) -> bool:
        if self._room.takes(item):
            return True
        # Some of what counts as to come stands there by now, or could not be read: there may be more room than counted.
        if not self._is_replacing_bad:
            self._small.finish()
        self._room.ask_again()
        return self._room.takes(item)

    def _refused(self, item: Item, error: OSError) -> None:
        self._room.ask_again()
        if error.errno in DRIVE_ERRORS:
            # One bad spot is one file's trouble; a row of them is the drive's.
            self._drive_errors += 1
            if error.errno != errno.EIO or self._drive_errors >= DRIVE_ERRORS_LIMIT:
                raise drive_failed(error) from error
        leave_out_refused(self._night, item.path, error)

    def _name_is_free(self, item: Item, parent: Destination, name: bytes) -> bool:
        night = self._night
        if parent.is_free(name):
            return True
        if not night.capabilities.raw_names and not _can_hold(night, split(item.path)[1]):
            refuse(night, item.path, "the secondary's file system cannot hold this name")
            return False
        return clear_the_way(night, self._batch, item.path)

    def _stage(self, item: Item, then: Entry | None) -> Staged:
        night = self._night
        if item.stat.kind is Kind.SYMLINK:
            return stage_symlink(night, item)
        if item.stat.nlink > 1 and night.capabilities.hard_links:
            linked = self._link_to_mended(item, then) if self._is_replacing_bad else self._stage_linked(item, then)
            if linked is not None:
                return linked
        elif item.base is not None and then is None:
            base = night.manifest.entries.by_id(item.base)
            linked = None if base is None else stage_from_base(night, item, base)
            if linked is not None:
                return linked
        found = night.secondary.stat_or_none(in_copy(item.path)) if then is not None else None
        return stage_file(
            night, item, then,
            anew=self._is_replacing_bad or found is None,
            relink=found is not None and shares_inode(night, found, item.stat),
        )  # fmt: skip

    def _link_to_mended(self, item: Item, then: Entry | None) -> Staged | None:
        """Another name of a bad file, of which one name was put right just now."""
        leader = self._mended.get(item.stat.inode)
        if leader is None or then is None:
            return None
        xattrs = self._night.manifest.entries.xattrs(then.xattrs)
        return stage_link(self._night, item, in_copy(leader), item.stat, then.content, xattrs)

    def _stage_linked(self, item: Item, then: Entry | None) -> Staged | None:
        """Another name of a file that was staged in this batch, or that the copy has in this very state."""
        night = self._night
        if then is not None and night.bad.of_row(then.id) is not None and same_date(then.stat, item.stat):
            return None  # it is read, and found to be as bad as it was
        staged = self._staged.get(item.stat.inode)
        if staged is not None:
            leader, first = staged
            if _same_state(first, item):
                return stage_link(night, item, leader, first.stat, first.content, first.xattrs)
        for known in night.manifest.entries.by_inode(item.stat.inode):
            if not night.inodes:
                break
            if known.stat.kind is Kind.FILE and known.stat[1:5] == item.stat[1:5]:  # size, mtime, ctime, inode
                path = night.manifest.entries.path(known.id)
                if path == item.path or night.secondary.stat_or_none(in_copy(path)) is None:
                    continue
                xattrs = night.manifest.entries.xattrs(known.xattrs)
                return stage_link(night, item, in_copy(path), item.stat, known.content, xattrs)
        return None

    def _add(self, item: Item, then: Entry | None, staged: Staged, *, was_read: bool = True) -> None:
        """``was_read``: from the primary, where it is right."""
        night = self._night
        xattrs = night.manifest.entries.xattrs_row(staged.xattrs)
        if staged.same_as_before:
            assert then is not None
            night.plan.revise(
                item, Step.ALTERED, entry=then.id, digest=then.content.digest, algorithm=then.content.algorithm
            )
            return
        if staged.same_content or (then is not None and then.content == staged.content and staged.linked):
            # The same bytes, now shared with other names: nothing is displaced.
            held, reason = None, "metadata"
        else:
            held = self._held_for(item, then)
            reason = "decayed" if self._is_replacing_bad else "changed"
        action = "place" if staged.name is not None else "note"
        intent = Intent(
            action, item.path, None if then is None else then.id, staged=staged.name, held=held, reason=reason,
            stat=staged.stat, content=staged.content, xattrs=xattrs,
            read_primary_s=int(night.clock.now_s()) if was_read else None,
        )  # fmt: skip
        if was_read and item.stat.nlink > 1 and staged.name is not None and not staged.linked:
            self._staged[staged.stat.inode] = (staged.name, staged)
        self._batch.add(
            Pending(intent, item, copied=not staged.linked and item.stat.kind is Kind.FILE),
            0 if staged.linked else staged.stat.size_bytes,
        )

    def _held_for(self, item: Item, then: Entry | None) -> bytes | None:
        night = self._night
        if then is None or then.stat.kind is Kind.FOLDER:
            return None
        if then.stat.kind is Kind.SYMLINK and not night.capabilities.symlinks:
            return None
        if night.secondary.stat_or_none(in_copy(item.path)) is None:
            if self._is_replacing_bad:
                return None  # found and entered already: it is what is being mended
            night.manifest.runs.find_damage(
                item.path, "secondary", "missing", "copy", night.number, night.clock.now_s(),
                "the copy of this file was gone when its new version was to replace it",
            )  # fmt: skip
            night.manifest.runs.close_damage(item.path, "secondary", night.number, "replaced by the new version")
            night.tally.damage += 1
            return None
        return free_held(night, item.path)

    # --- a batch

    def _commit(self) -> None:
        night = self._night
        pending = list(self._batch.pending)
        self._staged.clear()
        try:
            done = self._batch.commit()
        except SyncFailed as first:
            # The pages that failed are marked clean: only writing them again can make them durable.
            night.note("The secondary failed to make a batch durable; it was written again.")
            self._small.begin_again()
            self._turned_up.clear()
            done = self._write_again(pending, first)
        copies = [each for each in done if each.item is not None]
        for each in copies:
            self._count(each)
        self._enter_turned_up({each.intent.path for each in copies})
        night.progress.advance(files=len(copies))
        if self._is_replacing_bad:
            self._put_back |= {each.intent.path for each in done}
        copied = [each for each in done if each.copied]
        copied_bytes = sum(each.intent.stat.size_bytes for each in copied if each.intent.stat is not None)
        night.rates.add("copy", len(copied), copied_bytes)
        before = (night.tally.read_back_files, night.tally.read_back_bytes)
        read_back(night, copied, self._copy_again)
        night.rates.add("read_back", night.tally.read_back_files - before[0], night.tally.read_back_bytes - before[1])

    def _enter_turned_up(self, done: set[bytes]) -> None:
        turned_up, self._turned_up = self._turned_up, []
        for path, found in turned_up:
            if path in done:
                enter_turned_up(self._night, path, found)

    def _write_again(self, pending: list[Pending], first: SyncFailed) -> list[Pending]:
        for each in pending:
            if each.item is not None:
                self._one(each.item)
        self._staged.clear()
        try:
            return self._batch.commit()
        except SyncFailed as second:
            raise drive_failed(second) from first

    def _copy_again(self, bad: Pending) -> list[Pending]:
        """Replaces a copy that reads back wrong, under each of its names; the bad bytes go to ``retired/``."""
        assert bad.item is not None
        item = bad.item._replace(base=None)
        entry = self._night.manifest.entries.find(item.path)
        others = [] if entry is None else other_names(self._night, item.path, entry)
        done = self._replace(item)
        if any(each.intent.path == item.path for each in done):
            self._mended[item.stat.inode] = item.path
            for name in others:
                row = self._night.manifest.entries.find(name)
                if row is not None:
                    done += self._replace(Item(0, Step.TOUCHED, name, row.id, None, item.stat, None, None))
        return done

    def _replace(self, item: Item) -> list[Pending]:
        self._is_replacing_bad = True
        try:
            self._one(item)
        finally:
            self._is_replacing_bad = False
        return self._batch.commit_or_fail()

    def _count(self, each: Pending) -> None:
        item, tally = each.item, self._night.tally
        assert item is not None and each.intent.stat is not None
        tally.linked += not each.copied and item.stat.kind is Kind.FILE
        if each.intent.reason != "decayed":
            tally.placed += 1
            tally.placed_bytes += each.intent.stat.size_bytes
        if each.intent.reason == "metadata":
            tally.metadata += 1
        elif each.intent.reason == "decayed":
            pass  # counted when it was first placed
        elif each.intent.entry is None:
            tally.added += 1
            tally.added_bytes += each.intent.stat.size_bytes
        else:
            tally.changed += 1
            tally.changed_bytes += each.intent.stat.size_bytes


def _same_state(first: Staged, item: Item) -> bool:
    return (first.stat.size_bytes, first.stat.mtime_ns, first.stat.ctime_ns) == (
        item.stat.size_bytes,
        item.stat.mtime_ns,
        item.stat.ctime_ns,
    )


def _can_hold(night: Night, name: bytes) -> bool:
    """Tries a name on file systems that refuse some, before a file is copied in vain."""
    path = b"staging/" + name
    try:
        night.effects.close(night.secondary.create(path))
        held = name in night.secondary.names(b"staging")
        night.secondary.unlink(path)
        return held
    except OSError:
        return False
