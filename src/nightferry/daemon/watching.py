"""Watches a primary by day, through watchdog's layer over inotify(7).

That layer, and not its observer: the observer walks the tree with ``os.walk``, which marks every folder as read, keeps
two copies of every path, and passes on neither a full queue nor a full table of watches. Here both are told.

Two threads: the library's reads events and notes them; one of our own adds folders, looks whether the drive is there,
and says what is out of the ordinary. Only that one touches the drive: where the drive never answers, it waits alone.
"""

from __future__ import annotations

import errno
import os
import threading
import time
import warnings
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from watchdog.observers.inotify_c import CallbackId, InotifyConstants, InotifyEvent, InotifyFD, Mask, WatchDescriptor

from nightferry.daemon.folders import Folders, listed, opened
from nightferry.errors import NightferryError
from nightferry.planning.day import Day
from nightferry.planning.surge import HOUR_S, Surge
from nightferry.units import format_count
from nightferry.volumes.mounts import is_mount_point

_ASKED = Mask(
    InotifyConstants.IN_CREATE
    | InotifyConstants.IN_DELETE
    | InotifyConstants.IN_MOVED_FROM
    | InotifyConstants.IN_MOVED_TO
    | InotifyConstants.IN_CLOSE_WRITE
    | InotifyConstants.IN_ONLYDIR
    | InotifyConstants.IN_EXCL_UNLINK
)
_ID = CallbackId(1)
# The library warns of a folder that is watched already; here that is how one is found again after a move.
warnings.filterwarnings("ignore", "Callback with id", RuntimeWarning)
# How often it is looked whether the drive is there, and whether something is out of the ordinary.
LOOK_S = 5.0
# How long the second half of a rename is waited for (it follows at once, inotify(7)).
_PAIR_S = 2.0
# Folders that wait to be watched; more arise faster than that only where something unpacks an archive.
_MOST_WAITING = 10_000
_MOST_HALVES = 1_000
# A tree is walked anew after events were lost, but not again and again.
_REWALK_S = 600.0
# The drive and the processor get a rest after so many folders.
_REST_AFTER, _REST_S = 500, 0.02
_DEEPEST = 200


class DayWatch:
    """Watches one primary until it is stopped.

    Args:
        root: the primary.
        require_mount: whether it has to be a mount point to be watched.
        most_folders: how many folders are watched at most.
        limit: what :meth:`Surge.reasons` takes.
        tell: called with sentences when something is out of the ordinary, at most once an hour.
    """

    def __init__(
        self,
        root: Path,
        *,
        require_mount: bool,
        most_folders: int,
        limit: int | None,
        excludes: Callable[[bytes, bool], bool],
        tell: Callable[[list[str]], None],
    ) -> None:
        self._root, self._require_mount, self._most = root, require_mount, most_folders
        self._limit, self._excludes, self._tell = limit, excludes, tell
        self._lock = threading.RLock()
        self._day = Day(time.time(), excludes)
        self._surge = Surge()
        self._folders = Folders()
        self._waiting: deque[tuple[int, bytes]] = deque()
        self._halves: dict[int, tuple[int, bytes, bool, float]] = {}
        self._device: int | None = None
        self._rewalk_s: float | None = None
        self._told_s: float | None = None
        self._inotify: InotifyFD | None = None
        self._wake = threading.Event()
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name=f"day watch {root}", daemon=True)

    @property
    def watched(self) -> int:
        """How many folders are watched now."""
        with self._lock:
            return len(self._folders)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Does not wait for a drive."""
        self._stopping = True
        self._wake.set()
        self._thread.join(1.0)
        if self._inotify is not None:
            self._inotify.stop()

    def turn(self) -> Day:
        """Ends the day, for a night begins; returns it. A new one has begun."""
        with self._lock:
            day = self._day
            self._day = Day(time.time(), self._excludes)
            if self._device is None:
                self._day.may_be_incomplete(_NOT_THERE)
            return day

    def look(self) -> Day:
        """The day so far; only to be read."""
        return self._day

    # --- what the library calls, in its thread

    def on_event(self, event: InotifyEvent) -> None:
        try:
            with self._lock:
                self._note(event)
        except Exception as error:  # the thread is the library's: an error would end it without a word
            with self._lock:
                self._day.may_be_incomplete(f"Something could not be noted ({type(error).__name__}).")

    def on_watch_deleted(self, wd: WatchDescriptor) -> None:
        with self._lock:
            self._folders.drop(wd)

    def on_queue_overflow(self) -> None:
        with self._lock:
            self._day.may_be_incomplete("More happened at once than the kernel kept (fs.inotify.max_queued_events).")
            self._waiting.clear()
            self._rewalk_s = self._rewalk_s or time.monotonic()
        self._wake.set()

    def _note(self, event: InotifyEvent) -> None:
        if event.mask & InotifyConstants.IN_UNMOUNT:
            self._lose("The drive was unmounted.")
            return
        folder = self._folders.path(event.wd)
        if folder is None or not event.name:
            return
        path = folder + b"/" + event.name if folder else event.name
        if event.mask & InotifyConstants.IN_ISDIR:
            self._note_folder(event, path)
        else:
            self._note_file(event, path, time.time(), time.monotonic())

    def _note_folder(self, event: InotifyEvent, path: bytes) -> None:
        if event.is_create or event.is_moved_to:
            self._halves.pop(event.cookie, None)
            if not self._excludes(path, True):
                self._put_off(event.wd, path)
        elif event.is_moved_from:
            self._keep_half(event, path)

    def _note_file(self, event: InotifyEvent, path: bytes, now_s: float, counted_s: float) -> None:
        day, surge = self._day, self._surge
        if event.is_create:
            day.file_created(path, now_s)
        elif event.is_close_write:
            if day.file_written(path, now_s):
                surge.changed(counted_s)
        elif event.is_delete:
            if day.file_deleted(path, now_s):
                surge.deleted(counted_s)
        elif event.is_moved_from:
            self._keep_half(event, path)
        elif event.is_moved_to:
            half = self._halves.pop(event.cookie, None)
            if half is None:
                day.file_created(path, now_s)  # from another drive, or a folder that is not watched
                return
            parent, name, _, _ = half
            above = self._folders.path(parent)
            old = name if not above else above + b"/" + name
            if day.file_moved(old, path, now_s):
                surge.renamed(name, event.name, counted_s)

    def _keep_half(self, event: InotifyEvent, path: bytes) -> None:
        if len(self._halves) >= _MOST_HALVES:
            self._finish_halves(0.0)
        is_folder = bool(event.mask & InotifyConstants.IN_ISDIR)
        self._halves[event.cookie] = (event.wd, event.name, is_folder, time.monotonic())

    def _put_off(self, parent: int, path: bytes) -> None:
        if len(self._waiting) >= _MOST_WAITING:
            self._day.may_be_incomplete("More folders appeared at once than could be looked into.")
            self._rewalk_s = self._rewalk_s or time.monotonic()
            return
        self._waiting.append((parent, path))
        self._wake.set()

    # --- our own thread

    def _run(self) -> None:
        while not self._stopping:
            try:
                self._attend()
            except (OSError, NightferryError) as error:
                why = error.strerror if isinstance(error, OSError) else str(error)
                with self._lock:
                    self._day.may_be_incomplete(f"The primary could not be watched ({why}).")
            self._wake.wait(LOOK_S)
            self._wake.clear()

    def _attend(self) -> None:
        looked_s = time.monotonic()
        if self._device is None:
            self._attach()
        if self._rewalk_s is not None and looked_s >= self._rewalk_s and self._device is not None:
            self._rewalk_s = None
            self._walk(b"", -1, b"", is_new=False)
            self._put_off_rewalk()
        while self._waiting and not self._stopping:
            with self._lock:
                if not self._waiting:
                    break
                parent, path = self._waiting.popleft()
            self._walk(path, parent, path.rpartition(b"/")[2], is_new=True)
        with self._lock:
            self._finish_halves(time.monotonic() - _PAIR_S)
            reasons = self._surge.reasons(self._limit, time.monotonic())
        if reasons and (self._told_s is None or time.monotonic() - self._told_s >= HOUR_S):
            self._told_s = time.monotonic()
            self._tell(reasons)

    def _put_off_rewalk(self) -> None:
        """Events that are lost within some minutes of a walk wait for the next one."""
        with self._lock:
            if self._rewalk_s is not None:
                self._rewalk_s = time.monotonic() + _REWALK_S

    def _attach(self) -> None:
        if not self._root.is_dir() or (self._require_mount and not is_mount_point(self._root)):
            with self._lock:
                self._day.may_be_incomplete(_NOT_THERE)
            return
        if self._inotify is None:
            self._inotify = InotifyFD()
            self._inotify.start()
        with opened(self._root, b"") as fd:
            self._device = os.fstat(fd).st_dev
        self._walk(b"", -1, b"", is_new=False)

    def _lose(self, why: str) -> None:
        with self._lock:
            self._day.may_be_incomplete(why)
            self._device = None
            self._waiting.clear()
            self._halves.clear()
            gone = self._folders.clear()
        if self._inotify is not None:
            with suppress(OSError):
                self._inotify.remove_callbacks([(WatchDescriptor(watch), _ID) for watch in gone])

    def _walk(self, path: bytes, parent: int, name: bytes, *, is_new: bool) -> None:
        """Watches a folder and all below it; ``is_new``: what is in it appeared with it."""
        try:
            with opened(self._root, path) as fd:
                self._walk_open(fd, path, parent, name, is_new=is_new, depth=0)
        except OSError as error:
            if error.errno not in (errno.ENOENT, errno.ENOTDIR, errno.ELOOP):
                self._could_not(error)

    def _walk_open(self, fd: int, path: bytes, parent: int, name: bytes, *, is_new: bool, depth: int) -> None:
        if self._stopping or os.fstat(fd).st_dev != self._device:
            return  # another mount is not the primary's
        watch = self._add(fd, parent, name)
        if watch is None:
            return
        folders, files = listed(fd)
        if is_new:
            now_s = time.time()
            with self._lock:
                for file in files:
                    self._day.file_created(path + b"/" + file, now_s)
        for folder in folders:
            inner = path + b"/" + folder if path else folder
            if self._excludes(inner, True) or self._stopping:
                continue
            if depth >= _DEEPEST:
                with self._lock:
                    self._day.may_be_incomplete(f"Folders more than {_DEEPEST} deep are not watched.")
                return
            try:
                flags = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NOATIME
                inner_fd = os.open(folder, flags, dir_fd=fd)
            except OSError as error:
                if error.errno not in (errno.ENOENT, errno.ENOTDIR, errno.ELOOP):
                    self._could_not(error)
                continue
            try:
                self._walk_open(inner_fd, inner, watch, folder, is_new=is_new, depth=depth + 1)
            finally:
                os.close(inner_fd)

    def _add(self, fd: int, parent: int, name: bytes) -> int | None:
        """The folder's watch; None where it cannot be watched."""
        assert self._inotify is not None
        with self._lock:
            if len(self._folders) >= self._most:
                self._day.may_be_incomplete(
                    f"There are more than {format_count(self._most)} folders (watch_folders); the rest is not watched."
                )
                return None
            try:
                # By the open descriptor: no name is followed, and no path is too long.
                watch = self._inotify.add_callback(b"/proc/self/fd/%d/." % fd, _ASKED, self, _ID)
            except OSError as error:
                if error.errno == errno.ENOSPC:
                    self._day.may_be_incomplete(
                        "The kernel allows no more watches (fs.inotify.max_user_watches, see sysctl(8)); the folders"
                        " beyond are not watched."
                    )
                else:
                    self._could_not(error)
                return None
            if watch < 0:
                return None
            self._folders.put(watch, parent, name)
            count = len(self._folders)
        if count % _REST_AFTER == 0:
            time.sleep(_REST_S)
        return watch

    def _could_not(self, error: OSError) -> None:
        with self._lock:
            self._day.may_be_incomplete(f"A folder could not be watched ({error.strerror}).")

    def _finish_halves(self, until_s: float) -> None:
        """Renames whose other half never came: moved out of what is watched."""
        for cookie, (parent, name, is_folder, since_s) in list(self._halves.items()):
            if since_s > until_s and until_s:
                continue
            del self._halves[cookie]
            above = self._folders.path(parent)
            if above is None:
                continue
            path = above + b"/" + name if above else name
            if not is_folder:
                if self._day.file_deleted(path, time.time()):
                    self._surge.deleted(time.monotonic())
                continue
            gone = self._folders.below(parent, name)
            for watch in gone:
                self._folders.drop(watch)
            if gone and self._inotify is not None:
                with suppress(OSError):
                    self._inotify.remove_callbacks([(WatchDescriptor(watch), _ID) for watch in gone])


_NOT_THERE = "The primary was not there for a time."
