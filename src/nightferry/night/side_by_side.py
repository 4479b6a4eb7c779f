"""Many small files staged by several processes, while this one commits those that were staged before.

What a small file costs is for the most part the interpreter's time, and one interpreter runs on one core at a time. So
where many wait, this process makes others like it, each of which stages every so-many-th of them and says what came of
it; then they are gone, before any of these files gets its name. They write nothing but files in ``staging/``, under
names that were set apart for them, so whatever becomes of one of them, what it left can be removed, and its files go
the ordinary way. A handful of files is staged here: making a process takes as long as some ten of them.
"""

from __future__ import annotations

import marshal
import os
import select
import signal
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing, suppress

from nightferry.manifest.plan import Item
from nightferry.night.context import Interrupted, Night, Unwatched
from nightferry.night.parent import die_with_parent
from nightferry.night.small import Staged, stage_small
from nightferry.tree.content import ReadFailed

# So many files are worth another process.
WORTH_FILES = 500
# More would only wait for the drives.
MOST_PROCESSES = 4
# How often it is asked, while they work, whether the night is to stop.
_LOOK_EVERY_MS = 100
# A night that is to stop waits so long for the files that are being staged at that moment.
_STOP_WAIT_S = 5.0

Outcome = Staged | ReadFailed | None
# What a process says of one file: name, digest and attributes; or the error number, its words, and the seconds it took.
_Said = tuple[bytes, bytes, tuple[tuple[bytes, bytes], ...]] | tuple[int, str, float]


class Staging:
    """Files that are being staged. ``end`` has to be called, whatever happens."""

    def __init__(self, night: Night, items: Sequence[Item]) -> None:
        """Begins, where they are enough for other processes; otherwise they are staged when ``outcomes`` is asked."""
        self._night = night
        self.items = items
        self._others: list[_Other] = []
        processes = _processes(len(items)) if night.capabilities.syncfs_covers else 1
        self._here: Sequence[Item] = ()
        if processes == 1:
            self._here = items
            return
        try:
            for number in range(processes):
                self._others.append(_Other(night, items[number::processes]))
        except OSError:  # no more processes or no memory for them: the rest is done here
            self._here = [item for first in range(number, processes) for item in items[first::processes]]
        except BaseException:
            self.end()
            raise

    def outcomes(self) -> Iterator[tuple[Item, Outcome]]:
        """What came of each, in no order: staged, could not be read, or None for what needs the ordinary way.

        Raises ``Interrupted`` where the night is to stop.
        """
        here, self._here = self._here, ()
        yield from _stage_here(self._night, here)
        while not all(other.is_done() for other in self._others):
            self._night.stop.check()
        yield from self._given()

    def staged(self) -> Iterator[tuple[Item, Outcome]]:
        """The same where the night is to stop. What is staged by then, whole, is among it; the others say nothing."""
        for other in self._others:
            other.stop()
        until_s = time.monotonic() + _STOP_WAIT_S
        while time.monotonic() < until_s and not all(other.is_done() for other in self._others):
            pass
        for other in self._others:
            other.kill()
        return self._given()

    def _given(self) -> Iterator[tuple[Item, Outcome]]:
        for other in self._others:
            yield from other.outcomes()

    def end(self) -> None:
        """What was staged and not given goes; nobody works on it any more."""
        for other in self._others:
            other.end()


def _processes(files: int) -> int:
    return max(1, min(len(os.sched_getaffinity(0)), MOST_PROCESSES, files // WORTH_FILES))


def _stage_here(night: Night, items: Sequence[Item]) -> Iterator[tuple[Item, Outcome]]:
    is_failing = False
    with closing(night.ahead.over(items)) as opened:
        for item in opened:
            night.stop.check()
            outcome: Outcome = None
            if not is_failing and (taken := night.ahead.take(item.path)) is not None:
                try:
                    outcome = stage_small(night, item, taken)
                except ReadFailed as error:
                    outcome = error
                except OSError:  # of the secondary: the ordinary way meets the same, and can say what it means
                    is_failing = True
            yield item, outcome


class _Other:
    """A process that stages a share of the files."""

    def __init__(self, night: Night, items: Sequence[Item]) -> None:
        self._night, self._items = night, items
        self._first = night.set_apart(len(items))
        self._given: set[bytes] = set()
        self._status: int | None = None
        with ExitStack() as opened:
            self._answer = os.memfd_create("staged", os.MFD_CLOEXEC)
            opened.callback(os.close, self._answer)
            self._lives, held = os.pipe()  # hangs up when the process is gone
            opened.callback(os.close, self._lives)
            try:
                parent = os.getpid()
                self._pid = os.fork()
                if self._pid == 0:
                    self._work(parent)
            finally:
                os.close(held)
            self._close = opened.pop_all().close
        self._watch = select.poll()
        self._watch.register(self._lives, 0)

    def is_done(self) -> bool:
        """Waits for it, but not for long."""
        if self._status is None and self._watch.poll(_LOOK_EVERY_MS):
            self._wait()
        return self._status is not None

    def stop(self) -> None:
        """Asks it to end with the file that it is at."""
        if self._status is None:
            os.kill(self._pid, signal.SIGTERM)

    def kill(self) -> None:
        """Ends it at once, if it is there still."""
        if self._status is None:
            os.kill(self._pid, signal.SIGKILL)
            self._wait()

    def outcomes(self) -> Iterator[tuple[Item, Outcome]]:
        """Waits for it. Where it did not get to its end, all its files need the ordinary way."""
        said: dict[int, _Said | None] = {}
        if self._wait() == 0:
            with open(self._answer, "rb", closefd=False) as file:
                file.seek(0)
                said, lost = marshal.load(file)
            self._night.metadata_lost.update(lost)
        for number, item in enumerate(self._items):
            found = said.get(number)
            if found is None:
                yield item, None
            elif isinstance(found[0], int):
                failed = ReadFailed(*found[:2])
                failed.lost_s = found[2]
                yield item, failed
            elif found[0] not in self._given:
                self._night.count_small(item.stat.size_bytes)
                self._given.add(found[0])
                yield item, Staged(*found)

    def end(self) -> None:
        """It is no longer wanted, if it is there still; nor is what it staged and nobody was given."""
        self.kill()
        self._close()
        if len(self._given) == len(self._items):
            return
        with suppress(OSError):  # of a drive that fails; `staging/` is emptied at the start of a night
            for number in range(self._first, self._first + len(self._items)):
                name = self._night.name_in_staging(number)
                if name not in self._given:
                    with suppress(FileNotFoundError):
                        self._night.secondary.unlink(name)

    def _wait(self) -> int:
        if self._status is None:
            try:
                _, status = os.waitpid(self._pid, 0)
                self._status = os.waitstatus_to_exitcode(status)
            except ChildProcessError:  # somebody else took note of its end: what it said may not be all
                self._status = 1
        return self._status

    # --- in the other process

    def _work(self, parent: int) -> None:
        """Stages them and ends the process. At the first thing that goes wrong it leaves the rest to its parent."""
        code = 1
        try:
            die_with_parent(parent)
            night = self._night
            signal.signal(signal.SIGTERM, lambda *_: night.stop.request("the night is to stop"))
            night.progress = Unwatched()
            night.use_from(self._first)
            night.metadata_lost = set()
            said: dict[int, _Said | None] = {}
            with suppress(Interrupted):  # the parent is to stop too
                for number, (_, outcome) in enumerate(_stage_here(night, self._items)):
                    if isinstance(outcome, ReadFailed):
                        said[number] = (outcome.errno or 0, outcome.strerror or "", outcome.lost_s)
                        break
                    said[number] = None if outcome is None else (outcome.name, outcome.digest, outcome.xattrs)
            with open(self._answer, "wb", closefd=False) as file:
                marshal.dump((said, sorted(night.metadata_lost)), file)
            code = 0
        finally:
            os._exit(code)  # nothing of the parent's is cleaned up twice
