"""Reconcile: what a run that was cut off left behind is finished, before anything else.

The journal says what was about to happen; the drive says how far it came; the checksum in the
journal says whether what stands there is whole. Everything that is whole is carried through to
the end, the rest is taken back, and the next comparison sees to it.
"""

from __future__ import annotations

from collections.abc import Callable

from nightferry.manifest.journal import changes_drive
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import Intent
from nightferry.night import counters
from nightferry.night.carry import INTO_RETIRED, Carrier, in_copy, in_retired
from nightferry.night.commit import drive_failed
from nightferry.night.context import RETIRED, STAGING
from nightferry.night.platter import Platter
from nightferry.planning.drive_health import DRIVE_ERRORS
from nightferry.tree.durability import Barrier, SyncFailed
from nightferry.tree.metadata import Kind, Stat, apply_to_open, apply_to_symlink
from nightferry.tree.root import Root, join, split
from nightferry.volumes.capabilities import Capabilities

# Actions whose new content waits in ``staging/``.
STAGED = ("place", *INTO_RETIRED)


def reconcile(
    manifest: Manifest,
    secondary: Root,
    capabilities: Capabilities,
    barrier: Barrier,
    platter: Platter,
    should_stop: Callable[[], bool],
) -> int:
    """Returns how many names were finished. Raises ``Failed`` where the drive will not have it.

    It can itself be cut off at any point and is then done again from the start.
    """
    journal = manifest.journal.read()
    check = _Check(secondary, platter, should_stop)
    carrier = Carrier(secondary, barrier, capabilities, holds=check)
    finished: list[Intent] = []
    if journal:
        platter.forget()
        intents = [intent for _, intent in journal]
        try:
            finished, taken_back = _finish(manifest, secondary, barrier, carrier, check, intents)
        except (SyncFailed, OSError) as error:
            raise drive_failed(error) from error
        manifest.journal.settle(finished, journal[0][0])
        _mark_dirty(manifest, taken_back)
    try:
        _empty(secondary, barrier)
        _prune_retired(manifest, secondary, carrier)
        if counters.read(secondary) != manifest.journal.counters():
            counters.write(secondary, barrier, manifest.journal.counters())
        barrier.wait()
    except (SyncFailed, OSError) as error:
        raise drive_failed(error) from error
    return len(finished)


def _finish(
    manifest: Manifest, secondary: Root, barrier: Barrier, carrier: Carrier, check: _Check, intents: list[Intent]
) -> tuple[list[Intent], list[Intent]]:
    """What was carried out, and what was taken back. Raises ``OSError``."""
    finished: list[Intent] = []
    taken_back: dict[int, Intent] = {}
    for intent in intents:
        try:
            if _can_be_finished(secondary, intent, check):
                _set_metadata(manifest, secondary, barrier, intent)
                carrier.keep(intent)
                continue
        except OSError as error:
            if error.errno in DRIVE_ERRORS:
                raise
        taken_back[intent.seq] = intent
    here = manifest.journal.counters()
    counters.write(secondary, barrier, here)
    barrier.wait()
    for intent in intents:
        if intent.seq in taken_back:
            carrier.withdraw(intent)
            continue
        try:
            carrier.carry_out(intent)
            finished.append(intent)
        except OSError as error:
            if error.errno in DRIVE_ERRORS:
                raise
            # Refused, as it would have been then; or the drive lost both the old name and the new.
            carrier.withdraw(intent)
            taken_back[intent.seq] = intent
    if changes_drive(finished):
        counters.write(secondary, barrier, here._replace(done=here.done + 1))
    barrier.wait()
    return finished, list(taken_back.values())


class _Check:
    """Whether a file on the secondary has the content that the journal says, read past the cache."""

    def __init__(self, root: Root, platter: Platter, should_stop: Callable[[], bool]) -> None:
        self._root, self._platter, self._should_stop = root, platter, should_stop

    def __call__(self, path: bytes, intent: Intent) -> bool:
        assert intent.stat is not None
        found = self._root.stat_or_none(path)
        if found is None:
            return False
        if intent.stat.kind is Kind.SYMLINK:
            return Stat.of(found).kind is Kind.SYMLINK and self._root.readlink(path) == intent.content.target
        if found.st_size != intent.stat.size_bytes or intent.content.algorithm is None:
            return False
        read = self._platter.read(self._root, path, intent.content.algorithm, self._should_stop)
        return read is not None and read.digest == intent.content.digest


def _can_be_finished(root: Root, intent: Intent, has_content: _Check) -> bool:
    if intent.action not in STAGED:
        return True  # a rename, a new folder, a removal: done or not, and done again without harm
    assert intent.staged is not None
    if root.stat_or_none(intent.staged) is not None and not _is_folder(root, intent.staged):
        return has_content(intent.staged, intent)
    if intent.action == "place" and has_content(in_copy(intent.path), intent):
        return True
    # Where names are exchanged, the new file waits under the name of the old one.
    return intent.held is not None and has_content(in_retired(intent.held), intent)


def _set_metadata(manifest: Manifest, root: Root, barrier: Barrier, intent: Intent) -> None:
    """Gives a staged file its times, owner and attributes: these may be lost where its content was not."""
    if intent.action not in STAGED or intent.staged is None or intent.stat is None:
        return
    found = root.stat_or_none(intent.staged)
    if found is None or Stat.of(found).kind is not intent.stat.kind:
        return
    xattrs = manifest.entries.xattrs(intent.xattrs)
    if intent.stat.kind is Kind.SYMLINK:
        folder_fd, name = root.at(intent.staged)
        apply_to_symlink(folder_fd, name, intent.stat, xattrs, root.effects)
        barrier.names_changed(STAGING)
        return
    fd = root.open_to_read(intent.staged)
    try:
        apply_to_open(fd, intent.stat, xattrs, root.effects, fresh=False)
        barrier.file_written(fd)
    finally:
        root.effects.close(fd)


def _is_folder(root: Root, path: bytes) -> bool:
    found = root.stat_or_none(path)
    return found is not None and Stat.of(found).kind is Kind.FOLDER


def _mark_dirty(manifest: Manifest, intents: list[Intent]) -> None:
    """Names came and went in these folders, so their times on the secondary are no longer the primary's."""
    with manifest.database.transaction():
        for intent in intents:
            folder = manifest.entries.find(split(intent.path)[0])
            if folder is not None:
                manifest.entries.names_changed(folder.id)


def _empty(root: Root, barrier: Barrier) -> None:
    """Files that were being written when a run was cut off. Nothing else is ever there."""
    for name in root.names(STAGING):
        path = join(STAGING, name)
        if _is_folder(root, path):
            root.remove_tree(path)
        else:
            root.unlink(path)
        barrier.names_changed(STAGING)


def _prune_retired(manifest: Manifest, root: Root, carrier: Carrier) -> None:
    """Folders made for versions that were then not retired: those of a run that did not do all it set out to."""
    last = manifest.runs.last()
    if last is None or last.outcome == "complete":
        return
    stamp = last.stamp.encode()
    for name in root.names(RETIRED):
        if name == stamp or name.startswith(stamp + b"~"):
            _prune_below(root, join(RETIRED, name), carrier)


def _prune_below(root: Root, top: bytes, carrier: Carrier) -> None:
    stack = [top]
    while stack:
        folder = stack.pop()
        names = root.names(folder)
        below = [join(folder, name) for name in names]
        folders = [path for path in below if _is_folder(root, path)]
        stack.extend(folders)
        if not names:
            carrier.prune(join(folder, b"-"))
