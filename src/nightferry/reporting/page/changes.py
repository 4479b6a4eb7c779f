"""The changes of a night as a page shows them: by folder, the biggest, the unusual. One pass, in bounded tables."""

from __future__ import annotations

import heapq
from collections import Counter
from dataclasses import dataclass, field

from nightferry.manifest.manifest import Manifest
from nightferry.manifest.night_findings import changed_under_old_date, ending_of, endings_never_seen
from nightferry.reporting.audit.changes import ADDED, CHANGED, KINDS, REMOVED, Change, Changes, Totals
from nightferry.reporting.audit.folders import Sum
from nightferry.reporting.page.facts import Changed, Dated, Ending, FolderPart, Removals, Unusual
from nightferry.reporting.screens.night_json import counts_of_totals
from nightferry.tree.root import split

FOLDERS_SHOWN = 30
NAMES_SHOWN = 12
BIGGEST_SHOWN = 10
DATED_SHOWN = 20
ENDINGS_SHOWN = 8
REMOVALS_SHOWN = 8
# As many files gone from one folder are worth a line of their own.
MASS_REMOVAL_FILES = 20

# While changes are read: folders whose names are kept, and endings that may be new.
_FOLDERS_WITH_NAMES = 300
_ENDINGS_LIMIT = 200
_REMOVED_FOLDERS_LIMIT = 10_000


@dataclass
class _Largest:
    """The largest of many changes."""

    limit: int
    _heap: list[tuple[int, int, Change]] = field(default_factory=list)
    _count: int = 0

    def add(self, change: Change) -> None:
        self._count += 1
        # Of two of one size the earlier one stays; two changes are never compared.
        item = (change.size_bytes, -self._count, change)
        if len(self._heap) < self.limit:
            heapq.heappush(self._heap, item)
        elif item > self._heap[0]:
            heapq.heapreplace(self._heap, item)

    def in_order(self) -> list[Change]:
        return [change for _, _, change in sorted(self._heap, reverse=True)]


def changes_of(manifest: Manifest, number: int) -> Changed:
    """All that a page shows of the changes of one run."""
    totals = Totals()
    biggest = _Largest(BIGGEST_SHOWN)
    by_folder: dict[bytes, _Largest] = {}
    endings: Counter[bytes] = Counter()
    examples: dict[bytes, bytes] = {}
    removed_folders: set[bytes] = set()
    for change in Changes(manifest, number):
        folder = totals.add(change)
        if folder is None:
            if change.kind == REMOVED and len(removed_folders) < _REMOVED_FOLDERS_LIMIT:
                removed_folders.add(change.path)
            continue
        if folder in by_folder or len(by_folder) < _FOLDERS_WITH_NAMES:
            by_folder.setdefault(folder, _Largest(NAMES_SHOWN)).add(change)
        if change.kind in (ADDED, CHANGED):
            biggest.add(change)
        if change.kind == ADDED:
            _note_ending(change, endings, examples)
    largest = totals.by_folder.largest_first()
    folders = [
        FolderPart(path, total, tuple(by_folder[path].in_order() if path in by_folder else ()))
        for path, total in largest[:FOLDERS_SHOWN]
    ]
    removals = _mass_removals(largest, removed_folders)
    unusual = Unusual(removals=removals[:REMOVALS_SHOWN], removals_count=len(removals))
    _dates(unusual, manifest, number)
    _new_endings(unusual, manifest, number, endings, examples)
    return Changed(counts_of_totals(totals, KINDS), folders, len(largest), biggest.in_order(), unusual)


def _note_ending(change: Change, endings: Counter[bytes], examples: dict[bytes, bytes]) -> None:
    ending = ending_of(split(change.path)[1])
    if ending is not None and (ending in endings or len(endings) < _ENDINGS_LIMIT):
        endings[ending] += 1
        examples.setdefault(ending, change.path)


def _mass_removals(largest: list[tuple[bytes, Sum]], removed_folders: set[bytes]) -> list[Removals]:
    found = [
        Removals(path, total.kinds[REMOVED], total.kind_bytes[REMOVED], path in removed_folders)
        for path, total in largest
        if total.kinds[REMOVED] >= MASS_REMOVAL_FILES
    ]
    found.sort(key=lambda each: (-each.files, each.path))
    return found


def _dates(unusual: Unusual, manifest: Manifest, number: int) -> None:
    for each in changed_under_old_date(manifest, number):
        unusual.dated_count += 1
        if len(unusual.dated) < DATED_SHOWN:
            unusual.dated.append(Dated(each.path, each.before_ns, each.after_ns))


def _new_endings(
    unusual: Unusual, manifest: Manifest, number: int, endings: Counter[bytes], examples: dict[bytes, bytes]
) -> None:
    """Of a first night nothing is new, since everything is."""
    if not endings or not _has_earlier(manifest, number):
        return
    new = endings_never_seen(manifest, number, set(endings))
    unusual.endings_count = len(new)
    ordered = sorted(new, key=lambda ending: (-endings[ending], ending))
    unusual.endings = [Ending(each, endings[each], examples[each]) for each in ordered[:ENDINGS_SHOWN]]


def _has_earlier(manifest: Manifest, number: int) -> bool:
    return any(run.number < number and run.outcome is not None for run in manifest.runs.all())
