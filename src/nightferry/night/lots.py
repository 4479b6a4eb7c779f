"""Small files of a first night, lot by lot: gathered, staged by other processes, and taken into the batch.

While one lot is staged, the one before it is committed. So at most two are under way, and each is as large as a batch.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import chain

from nightferry.manifest.plan import Item
from nightferry.manifest.records import Content, Intent
from nightferry.night.commit import Batch, Pending
from nightferry.night.context import STAGING, UNREADABLE, Night
from nightferry.night.failing import read_failed
from nightferry.night.side_by_side import Outcome, Staging
from nightferry.night.small import Staged
from nightferry.tree.content import ReadFailed


class Lots:
    """Files that can go the straight way (small.py), and whose room was set aside."""

    def __init__(
        self, night: Night, batch: Batch, commit: Callable[[], None], go_ordinary_way: Callable[[Item], None]
    ) -> None:
        """``commit``: of the batch. ``go_ordinary_way``: stages one file into it."""
        self._night, self._batch, self._commit, self._go_ordinary_way = night, batch, commit, go_ordinary_way
        self._gathered: list[Item] = []
        self._gathered_bytes = 0
        self._under_way: list[Staging] = []

    def not_written(self) -> Iterator[Item]:
        """Those that may not be written yet."""
        return chain(self._gathered, *(staging.items for staging in self._under_way))

    def add(self, item: Item) -> None:
        """Raises as ``finish`` does."""
        self._gathered.append(item)
        self._gathered_bytes += item.stat.size_bytes
        if self._batch.would_be_full(len(self._gathered), self._gathered_bytes):
            self._begin()

    def finish(self) -> None:
        """All of them are in the batch, or committed, when it returns.

        Raises ``Interrupted`` and ``FailingDrive``: then ``keep`` has what is staged by then.
        """
        if self._gathered:
            self._begin()
        while self._under_way:
            self._take_first()

    def keep(self) -> None:
        """No more is to be staged: what is staged whole goes into the batch."""
        for staging in self._under_way:
            for item, outcome in staging.staged():
                if isinstance(outcome, Staged):
                    self._take(item, outcome)
        self.end()

    def begin_again(self) -> None:
        """A sync failed: it may have been for what is being staged, and the next one would not tell."""
        for staging in self._under_way:
            staging.end()
        self._under_way = [Staging(self._night, staging.items) for staging in self._under_way]

    def end(self) -> None:
        """What is staged and not in the batch goes; nobody works on it any more."""
        self._gathered, self._gathered_bytes = [], 0
        for staging in self._under_way:
            staging.end()
        self._under_way = []

    def _begin(self) -> None:
        """Those that were gathered are staged from now on; those that were begun before are committed meanwhile."""
        self._under_way.append(Staging(self._night, self._gathered))
        self._gathered, self._gathered_bytes = [], 0
        if len(self._under_way) > 1:
            self._take_first()
            self._commit()

    def _take_first(self) -> None:
        staging = self._under_way[0]
        ordinary = [item for item, outcome in staging.outcomes() if not self._take(item, outcome)]
        staging.end()
        del self._under_way[0]
        for item in ordinary:
            self._night.stop.check()
            self._go_ordinary_way(item)

    def _take(self, item: Item, outcome: Outcome) -> bool:
        """False where it needs the ordinary way."""
        night = self._night
        if outcome is None:
            return False
        if isinstance(outcome, ReadFailed):
            read_failed(night, "primary", outcome)
            night.leave_out(UNREADABLE, item.path, str(outcome))
            return True
        content = Content(night.algorithm.id, outcome.digest)
        if night.bad.with_content({night.algorithm.id: outcome.digest}) is not None:
            night.secondary.unlink(outcome.name)
            return False
        xattrs = night.manifest.entries.xattrs_row(outcome.xattrs)
        intent = Intent(
            "place", item.path, staged=outcome.name, reason="changed", stat=item.stat, content=content,
            xattrs=xattrs, read_primary_s=int(night.clock.now_s()),
        )  # fmt: skip
        self._batch.add(Pending(intent, item, copied=True), item.stat.size_bytes)
        night.barrier.names_changed(STAGING)  # in the process that wrote it, the barrier was another
        return True
