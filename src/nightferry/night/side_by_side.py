"""Many small files staged by several processes at once.

What a small file costs is for the most part the interpreter's time, and one interpreter runs on one core at a time. So
where many wait, this process makes others like it, each of which stages every so-many-th of them and says what came of
it; then they are gone, before anything gets its name. They write nothing but files in ``staging/``, under names that
were set apart for them, so whatever becomes of one of them, what it left can be removed, and its files go the ordinary
way. A handful of files is staged here: making a process takes as long as some ten of them.
"""

from __future__ import annotations

import marshal
import os
import signal
from collections.abc import Generator, Iterator, Sequence
from contextlib import closing, suppress

from nightferry.manifest.plan import Item
from nightferry.night.context import Interrupted, Night, Unwatched
from nightferry.night.parent import die_with_parent
from nightferry.night.small import Staged, stage_small
from nightferry.tree.content import ReadFailed

# So many files are worth another process.
WORTH_FILES = 500
# More would only wait for the drives.
MOST_PROCESSES = 4

Outcome = Staged | ReadFailed | None
# What a process says of one file: name, digest and attributes, or the error number and its words.
_Said = tuple[bytes, bytes, tuple[tuple[bytes, bytes], ...]] | tuple[int, str]


def stage_all(night: Night, items: Sequence[Item]) -> Generator[tuple[Item, Outcome], None, None]:
    """What came of each, in no order: staged, could not be read, or None for what needs the ordinary way.

    Raises ``Interrupted`` where the night is to stop.
    """
    processes = _processes(len(items)) if night.capabilities.syncfs_covers else 1
    others = [_Other(night, items[number::processes]) for number in range(1, processes)]
    try:
        yield from _stage_here(night, items[::processes])
        for other in others:
            yield from other.outcomes()
    finally:
        for other in others:
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
    """A process that stages a share of the files. It is made and used in one call of ``stage_all``."""

    def __init__(self, night: Night, items: Sequence[Item]) -> None:
        self._night, self._items = night, items
        self._first = night.set_apart(len(items))
        self._given: set[bytes] = set()
        self._answer = os.memfd_create("staged", os.MFD_CLOEXEC)
        parent = os.getpid()
        self._pid: int | None = None
        pid = os.fork()
        if pid == 0:
            self._work(parent)
        self._pid = pid

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
                yield item, ReadFailed(*found)
            else:
                self._night.count_small(item.stat.size_bytes)
                self._given.add(found[0])
                yield item, Staged(*found)

    def end(self) -> None:
        """It is no longer wanted, if it is there still; nor is what it staged and nobody was given."""
        if self._pid is not None:
            os.kill(self._pid, signal.SIGKILL)
            self._wait()
        os.close(self._answer)
        if len(self._given) == len(self._items):
            return
        with suppress(OSError):  # of a drive that fails; `staging/` is emptied at the start of a night
            for number in range(self._first, self._first + len(self._items)):
                name = self._night.name_in_staging(number)
                if name not in self._given:
                    with suppress(FileNotFoundError):
                        self._night.secondary.unlink(name)

    def _wait(self) -> int:
        assert self._pid is not None
        _, status = os.waitpid(self._pid, 0)
        self._pid = None
        return os.waitstatus_to_exitcode(status)

    # --- in the other process

    def _work(self, parent: int) -> None:
        """Stages them and ends the process. At the first thing that goes wrong it leaves the rest to its parent."""
        code = 1
        try:
            die_with_parent(parent)
            night = self._night
            night.progress = Unwatched()
            night.use_from(self._first)
            night.metadata_lost = set()
            said: dict[int, _Said | None] = {}
            with suppress(Interrupted):  # the parent is to stop too
                for number, (_, outcome) in enumerate(_stage_here(night, self._items)):
                    if isinstance(outcome, ReadFailed):
                        said[number] = (outcome.errno or 0, outcome.strerror or "")
                        break
                    said[number] = None if outcome is None else (outcome.name, outcome.digest, outcome.xattrs)
            with open(self._answer, "wb", closefd=False) as file:
                marshal.dump((said, sorted(night.metadata_lost)), file)
            code = 0
        finally:
            os._exit(code)  # nothing of the parent's is cleaned up twice
