"""The manifest itself: checked before a night, and replaced where its file is damaged.

The working manifest is replaced from the newest sound one that was sealed on the secondary, and what the drives hold
beyond that seal is looked up on them. Where no sealed one is sound either, a person has to say that it may be built
anew from the drives (``nightferry pair``): until then a night writes nothing.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from nightferry.errors import Failed
from nightferry.manifest import page_guard, page_repair
from nightferry.manifest.database import LOG_SUFFIXES
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.overview import Overview, overview
from nightferry.manifest.soundness import fault_in, find_fault
from nightferry.manifest.untrusted import NewerFormatError, open_untrusted
from nightferry.night import counters
from nightferry.night.abilities import remembered
from nightferry.night.context import Clock
from nightferry.night.preflight import Drives, check_state_is_there, open_manifest, sealed_generation
from nightferry.night.sealed_pages import MANIFEST, PREVIOUS, open_sealed
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
_CHECKED = "checked_s"


@dataclass(frozen=True)
class Sealed:
    """A sound manifest in ``records/``. ``lenient``: some of its pages are not as they were sealed, and no better one
    is there."""

    name: bytes
    overview: Overview
    lenient: bool

    @property
    def is_previous(self) -> bool:
        return self.name == PREVIOUS

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
        for lenient in (False, True):
            found = []
            for name in (MANIFEST, PREVIOUS):
                try:
                    with self._open_sealed(name, lenient=lenient) as manifest:
                        found.append(Sealed(name, overview(manifest), lenient))
                except NewerFormatError:
                    raise  # the one before it is older than what stands on the drive
                except (Failed, OSError):
                    continue  # absent, unreadable, damaged or altered
            if found:
                return max(found, key=lambda each: each.generation)
        return None

    @contextmanager
    def _open_sealed(self, name: bytes, *, lenient: bool) -> Iterator[Manifest]:
        path = f"/proc/self/fd/{self.secondary.fd}/{os.fsdecode(name)}"
        shown = os.path.join(str(self.settings.secondary), os.fsdecode(name))
        with open_sealed(
            self.secondary, name, path=path, shown=shown, pair_id=self.pair_id, state=self.folder,
            lenient=lenient,
        ) as manifest:  # fmt: skip
            yield manifest

    def take_over(self, sealed: Sealed, *, aside: str = "corrupt") -> Taken:
        """Makes the working manifest from a sealed one and from what the drives hold beyond it.

        The one that stands there is moved aside, under a name with the word ``aside``. Raises ``Failed`` and
        ``Stopped``; nothing has changed then.
        """
        new = self._new_path()
        try:
            with self._open_sealed(sealed.name, lenient=sealed.lenient) as source:
                source.copy_to(new)
        except OSError as error:
            raise Failed(
                f"The manifest in records/ on the secondary at {show_text(str(self.settings.secondary))} cannot be read"
                f" any more ({error.strerror}): check cable and drive, then run this again."
            ) from error
        # What was copied, and not what was read before it: a drive may answer otherwise the second time.
        with open_untrusted(str(new), self.effects, shown=str(new), pair_id=self.pair_id):
            pass
        return self._finish(new, is_empty=False, aside=aside, later=int(sealed.is_previous))

    def rebuild(self) -> Taken:
        """Makes the working manifest by reading all of the secondary. Otherwise as ``take_over``."""
        new = self._new_path()
        Manifest.create(new, self.effects, pair_id=self.pair_id, pair_name=self.settings.name).close()
        return self._finish(new, is_empty=True, aside="corrupt")

    def _new_path(self) -> Path:
        new = self.folder / (FILE_NAME + ".rebuilt")
        try:
            for suffix in ("", *LOG_SUFFIXES):
                Path(f"{new}{suffix}").unlink(missing_ok=True)
            page_guard.forget(new, self.effects)
        except OSError as error:
            raise self._unreplaced(error) from error
        return new

    def _unreplaced(self, error: OSError) -> Failed:
        return Failed(
            f"The manifest in {show_text(str(self.folder))} could not be replaced ({error.strerror}): make room on"
            " that disk, or see why it cannot be written, then run this again."
        )

    def repair_pages(self) -> str | None:
        """Puts pages of the working manifest right that are not as they were written, where the secondary has the very
        page. Returns a note where all of them are right then. Raises ``Failed``."""
        path = self.folder / FILE_NAME
        with ExitStack() as stack:
            try:
                found = page_guard.look(path, self.effects)
                if found.fault is None or found.header is None or len(found.bad) < found.bad_pages:
                    return None
                database = self.effects.open(path, os.O_RDWR | os.O_NOFOLLOW | os.O_CLOEXEC)
                stack.callback(self.effects.close, database)
                sources = [database]  # for page 1, of which a part stands outside its checksum
                for name in (MANIFEST, PREVIOUS):
                    with suppress(OSError):
                        sources.append(self.secondary.open_to_read(name))
                        stack.callback(self.effects.close, sources[-1])
                pages = page_repair.find_pages(found.bad, found.header.page_bytes, sources, self.effects)
                if pages is None:
                    return None
                log = Path(f"{path}-wal")
                has_log = log.exists() and log.stat().st_size > 0
                page_repair.write_pages(database, pages, found.header, self.effects, has_log=has_log)
                if page_guard.look(path, self.effects).fault is not None:
                    return None
            except OSError as error:
                raise Failed(
                    f"The manifest {show_text(str(path))} is damaged and cannot be put right ({error.strerror}): make"
                    " room on that disk, or see why it cannot be written, then run this again."
                ) from error
        were = "A damaged page of the manifest here was" if len(pages) == 1 else (
            f"{format_count(len(pages))} damaged pages of the manifest here were"
        )  # fmt: skip
        return (
            f"{were} put right from the one on the secondary; nothing is lost by it. See whether the system disk is"
            " sound."
        )

    def _finish(self, new: Path, *, is_empty: bool, aside: str, later: int = 0) -> Taken:
        """``later``: how many runs at least came after those that the manifest knows of."""
        manifest = Manifest.open(new, self.effects, keep_older=False)  # the one that it was copied from still stands
        try:
            last = manifest.runs.last()
            sealed_s = None if is_empty or last is None else last.ended_s or last.started_s
            taken = self._take_stock(manifest, sealed_s, later=later)
            # A newer seal that is damaged may still say its number.
            on_drive = sealed_generation(self.secondary, self.pair_id, manifest.generation)
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

    def _take_stock(self, manifest: Manifest, sealed_s: float | None, *, later: int = 0) -> Taken:
        on_drive = counters.read(self.secondary)
        is_behind = sealed_s is not None and counters.who_lost(manifest.journal, on_drive) is not None
        file_system = file_system_type(self.settings.secondary)
        can = remembered(manifest, file_system)
        keeps_metadata = can is not None and can.owners and can.modes and can.user_xattrs
        taker = Stocktaker(
            manifest, self.primary, self.secondary, self.effects, self.clock, by_name(self.settings.hash),
            syncfs_covers(file_system), self.should_stop, is_behind, keeps_metadata,
        )  # fmt: skip
        taken = taker.take(sealed_s, later=later)
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
            for suffix in LOG_SUFFIXES:  # a log would be taken for that of the new database
                Path(f"{path}{suffix}").unlink(missing_ok=True)
            page_guard.forget(path, self.effects)
            _sync(self.folder)
            os.replace(new, path)
            _sync(self.folder)
        except OSError as error:
            raise self._unreplaced(error) from error
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
    repaired = care.repair_pages()
    fault = find_fault(folder / FILE_NAME, thorough=repaired is not None)
    if fault is None:
        manifest = open_manifest(folder, settings, drives, effects, to_write=True)
        try:
            fault = _check_thoroughly(manifest, settings, clock)
            if fault is None:
                return manifest, " ".join(note for note in (repaired, care.agree(manifest)) if note) or None
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
    manifest = open_manifest(folder, settings, drives, effects, to_write=True)
    manifest.database.guard_pages()  # it was checked before it got its name
    return manifest, note


def _check_thoroughly(manifest: Manifest, settings: PairSettings, clock: Clock) -> str | None:
    """What is wrong with the working manifest, where it is time to compare all of it, or its pages have no checksums.
    None where it is sound, or not time."""
    database = manifest.database
    if database.pages_are_guarded and not _is_due(manifest, settings, clock):
        return None
    fault = fault_in(database.connection, thorough=True)
    if fault is None:
        database.guard_pages()
        with database.transaction():
            database.set_meta(_CHECKED, str(int(clock.now_s())))
    return fault


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
