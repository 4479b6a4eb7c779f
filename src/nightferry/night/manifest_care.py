"""The manifest itself: checked before a night, and replaced where its file is damaged.

The working manifest is replaced from the newest sound one that was sealed on the secondary, and what the drives hold
beyond that seal is looked up on them. Where no sealed one is sound either, a person has to say that it may be built
anew from the drives (``nightferry pair``): until then a night writes nothing.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from nightferry.errors import Failed
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.overview import Overview, overview
from nightferry.manifest.soundness import fault_in, find_fault
from nightferry.manifest.untrusted import NewerFormatError, open_untrusted
from nightferry.night import counters
from nightferry.night.abilities import remembered
from nightferry.night.context import Clock
from nightferry.night.preflight import Drives, check_state_is_there, open_manifest, sealed_generation
from nightferry.night.seal import MANIFEST, PREVIOUS
from nightferry.night.stocktake import Stocktaker, Taken
from nightferry.settings import PairSettings
from nightferry.tree.digests import by_name
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root
from nightferry.units import format_count, format_size, show_text
from nightferry.volumes.capabilities import syncfs_covers
from nightferry.volumes.filesystem import file_system_type

# Damaged manifests, and older ones, kept in the state folder, for whoever wants to look into them.
ASIDE_LIMIT = 2
_LOGS = ("-wal", "-shm")
_CHECKED = "checked_s"


@dataclass(frozen=True)
class Sealed:
    """A sound manifest in ``records/``."""

    path: str  # through the secondary's open folder
    overview: Overview
    is_previous: bool

    @property
    def generation(self) -> int:
        return self.overview.generation


@dataclass
class Care:
    """What it takes to look after the manifest of one pair."""

    folder: Path
    settings: PairSettings
    primary: Root | None  # None: it is not there
    secondary: Root
    pair_id: str
    effects: Effects
    clock: Clock
    should_stop: Callable[[], bool]

    def newest_sound(self) -> Sealed | None:
        """Of the two in ``records/``, each checked whole; None where neither is sound and of this pair.

        Raises ``Failed`` where a newer nightferry wrote one.
        """
        found = []
        for name in (MANIFEST, PREVIOUS):
            try:
                with self._open_sealed(name) as manifest:
                    path = str(manifest.database.path)
                    found.append(Sealed(path, overview(manifest), name == PREVIOUS))
            except NewerFormatError:
                raise  # the one before it is older than what stands on the drive
            except (Failed, OSError):
                continue  # absent, unreadable, damaged or altered
        return max(found, key=lambda each: each.generation, default=None)

    @contextmanager
    def _open_sealed(self, name: bytes) -> Iterator[Manifest]:
        """Input from a drive: opened for reading only, with nothing followed, and checked whole."""
        fd = self.secondary.open_to_read(name)
        try:
            path = f"/proc/self/fd/{self.secondary.fd}/{os.fsdecode(name)}"
            shown = os.path.join(str(self.settings.secondary), os.fsdecode(name))
            expected = self.effects.fstat(fd)
            with open_untrusted(path, self.effects, shown=shown, pair_id=self.pair_id, expected=expected) as manifest:
                yield manifest
        finally:
            self.effects.close(fd)

    def take_over(self, sealed: Sealed, *, aside: str = "corrupt") -> Taken:
        """Makes the working manifest from a sealed one and from what the drives hold beyond it.

        The one that stands there is moved aside, under a name with the word ``aside``. Raises ``Failed`` and
        ``Stopped``; nothing has changed then.
        """
        new = self._new_path()
        try:
            with self._open_sealed(PREVIOUS if sealed.is_previous else MANIFEST) as source:
                source.copy_to(new)
        except OSError as error:
            raise Failed(
                f"The manifest in records/ on the secondary at {show_text(str(self.settings.secondary))} cannot be read"
                f" any more ({error.strerror}): check cable and drive, then run this again."
            ) from error
        # What was copied, and not what was read before it: a drive may answer otherwise the second time.
        with open_untrusted(str(new), self.effects, shown=str(new), pair_id=self.pair_id):
            pass
        return self._finish(new, is_empty=False, aside=aside)

    def rebuild(self) -> Taken:
        """Makes the working manifest by reading all of the secondary. Otherwise as ``take_over``."""
        new = self._new_path()
        Manifest.create(new, self.effects, pair_id=self.pair_id, pair_name=self.settings.name).close()
        return self._finish(new, is_empty=True, aside="corrupt")

    def _new_path(self) -> Path:
        new = self.folder / (FILE_NAME + ".rebuilt")
        for suffix in ("", *_LOGS):
            Path(f"{new}{suffix}").unlink(missing_ok=True)
        return new

    def _finish(self, new: Path, *, is_empty: bool, aside: str) -> Taken:
        manifest = Manifest.open(new, self.effects, keep_older=False)  # the one that it was copied from still stands
        try:
            last = manifest.runs.last()
            sealed_s = None if is_empty or last is None else last.ended_s or last.started_s
            taken = self._take_stock(manifest, sealed_s)
            # A newer seal that is damaged may still say its number.
            on_drive = sealed_generation(self.secondary, self.pair_id)
            if on_drive is not None and on_drive > manifest.generation:
                manifest.set_generation(on_drive)
        finally:
            manifest.close()
        self._put_in_place(new, aside)
        return taken

    def agree(self, manifest: Manifest) -> str | None:
        """Makes the working manifest say what stands on the secondary, where one of the two has lost something that
        it had called durable. Returns a note then. Raises as ``take_over``; it is done again then from the start.
        """
        lost = counters.who_lost(manifest.journal, counters.read(self.secondary))
        if lost is None:
            return None
        last = manifest.runs.last()
        taken = self._take_stock(manifest, None if last is None else last.started_s)
        return _note_of_loss(lost, taken)

    def _take_stock(self, manifest: Manifest, sealed_s: float | None) -> Taken:
        on_drive = counters.read(self.secondary)
        is_behind = sealed_s is not None and counters.who_lost(manifest.journal, on_drive) is not None
        file_system = file_system_type(self.settings.secondary)
        can = remembered(manifest, file_system)
        keeps_metadata = can is not None and can.owners and can.modes and can.user_xattrs
        taker = Stocktaker(
            manifest, self.primary, self.secondary, self.effects, self.clock, by_name(self.settings.hash),
            syncfs_covers(file_system), self.should_stop, is_behind, keeps_metadata,
        )  # fmt: skip
        taken = taker.take(sealed_s)
        with manifest.database.transaction():
            manifest.database.set_meta("lists", "stale")
            if on_drive is not None:
                manifest.journal.raise_counters(on_drive)
        return taken

    def _put_in_place(self, new: Path, word: str) -> None:
        path = self.folder / FILE_NAME
        try:
            _sync(new)
            if path.exists():
                if word != "corrupt":  # its log goes into it first
                    Manifest.open(path, self.effects).close()
                stamp = time.strftime("%Y-%m-%dT%H%M%SZ", time.gmtime(self.clock.now_s()))
                aside = self.folder / f"manifest.{word}-{stamp}.sqlite3"
                aside.unlink(missing_ok=True)
                os.link(path, aside)
            for suffix in _LOGS:  # a log would be taken for that of the new database
                Path(f"{path}{suffix}").unlink(missing_ok=True)
            _sync(self.folder)
            os.replace(new, path)
            _sync(self.folder)
        except OSError as error:
            raise Failed(
                f"The manifest in {show_text(str(self.folder))} could not be replaced ({error.strerror}): make room on"
                " that disk, or see why it cannot be written, then run this again."
            ) from error
        old = sorted(self.folder.glob(f"manifest.{word}-*.sqlite3"))
        for each in old[:-ASIDE_LIMIT]:
            with suppress(OSError):
                each.unlink()


def open_sound_manifest(
    folder: Path, settings: PairSettings, drives: Drives, effects: Effects, clock: Clock,
    should_stop: Callable[[], bool],
) -> tuple[Manifest, str | None]:  # fmt: skip
    """The working manifest, checked; and a note where it had to be replaced. Nothing is written to either drive.

    Raises ``Failed`` and ``WrongDrive`` as ``open_manifest`` does, ``Failed`` also where nothing sound is left, and
    ``Stopped``.
    """
    check_state_is_there(folder, settings)
    care = Care(folder, settings, drives.primary, drives.secondary, drives.entry.id, effects, clock, should_stop)
    fault = find_fault(folder / FILE_NAME, thorough=False)
    if fault is None:
        manifest = open_manifest(folder, settings, drives, effects, to_write=True)
        try:
            if not _is_due(manifest, settings, clock):
                return manifest, care.agree(manifest)
            fault = fault_in(manifest.database.connection, thorough=True)
            if fault is None:
                with manifest.database.transaction():
                    manifest.database.set_meta(_CHECKED, str(int(clock.now_s())))
                return manifest, care.agree(manifest)
        except BaseException:
            manifest.close()
            raise
        manifest.close()
    sealed = care.newest_sound()
    if sealed is None:
        raise Failed(
            f'The manifest of the pair "{settings.name}" in {show_text(str(folder))} is damaged ({fault}), and there is'
            " no sound one in records/ on the secondary; nothing was written. Run"
            f" `nightferry pair {settings.name}`: it builds a new one by reading the drives."
        )
    note = _note(fault, sealed, care.take_over(sealed))
    return open_manifest(folder, settings, drives, effects, to_write=True), note


def _is_due(manifest: Manifest, settings: PairSettings, clock: Clock) -> bool:
    """Whether the indexes are to be compared too: once in a verify_cycle, and after a run that did not end well."""
    last = manifest.runs.last()
    if last is not None and last.outcome in (None, "failed"):
        return True
    checked = manifest.database.meta(_CHECKED)
    if checked is None or not checked.isdecimal():
        return True
    age_s = clock.now_s() - int(checked)
    return age_s < 0 or age_s >= settings.verify_cycle.total_seconds()


def _note(fault: str, sealed: Sealed, taken: Taken) -> str:
    which = "the one sealed before the last on the secondary" if sealed.is_previous else "the one on the secondary"
    beyond = ""
    if taken.entered or taken.forgotten or taken.held:
        beyond = (
            "; what the drive holds beyond that was entered anew"
            f" ({format_count(taken.entered + taken.forgotten)} names of the copy, {format_count(taken.held)} retired"
            f" versions, {format_size(taken.read_bytes)} read), and what changed when is lost for it"
        )
    return (
        f"The manifest here was damaged ({fault}) and was replaced from {which}{beyond}. See whether the system disk"
        " is sound; the damaged file is kept beside the new one."
    )


def _note_of_loss(lost: str, taken: Taken) -> str:
    if lost == counters.STATE_LOST:
        who = (
            "The state here is older than what the secondary holds: its disk lost what it had called durable, or was"
            " put back from an old image"
        )
        see = "See whether the system disk is sound: a flash card that wears out does this"
    else:
        who = (
            "The secondary holds less than it had called durable: the drive, its case or its cable lost writes when the"
            " power went, or it was put back from an old image"
        )
        see = "Do not trust that drive alone, and try it in another case or at another port"
    return (
        f"{who}. So all of it was looked at before this night began: {format_count(taken.entered + taken.forgotten)}"
        f" names of the copy and {format_count(taken.held + taken.let_go)} retired versions stood otherwise than known,"
        f" {format_size(taken.read_bytes)} were read; what changed when is lost for these. {see}."
    )


def _sync(path: Path) -> None:
    fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
