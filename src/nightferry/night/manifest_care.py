"""The manifest itself: checked before a night, and replaced where its file is damaged.

The working manifest is replaced from the newest sound one that was sealed on the secondary, and what the drives hold
beyond that seal is looked up on them. Where no sealed one is sound either, a person has to say that it may be built
anew from the drives (``nightferry pair``): until then a night writes nothing.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from nightferry.errors import Failed
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.soundness import fault_in, find_fault
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

# Damaged manifests kept in the state folder, for whoever wants to look into them.
ASIDE_LIMIT = 2
_LOGS = ("-wal", "-shm")
_CHECKED = "checked_s"


@dataclass(frozen=True)
class Sealed:
    """A sound manifest in ``records/``."""

    path: str  # through the secondary's open folder
    generation: int
    is_previous: bool


@dataclass
class Care:
    """What it takes to look after the manifest of one pair."""

    folder: Path
    settings: PairSettings
    primary: Root
    secondary: Root
    pair_id: str
    effects: Effects
    clock: Clock
    should_stop: Callable[[], bool]

    def newest_sound(self) -> Sealed | None:
        """Of the two in ``records/``, each checked whole; None where neither is sound and of this pair."""
        found = []
        for name in (MANIFEST, PREVIOUS):
            if self.secondary.stat_or_none(name) is None:
                continue
            path = f"/proc/self/fd/{self.secondary.fd}/{os.fsdecode(name)}"
            try:
                if find_fault(path, thorough=True, unchanging=True, pair_id=self.pair_id) is not None:
                    continue
                with Manifest.look(Path(path), self.effects, in_use=False) as manifest:
                    found.append(Sealed(path, manifest.generation, name == PREVIOUS))
            except Failed:
                continue  # unreadable, or of another nightferry
        return max(found, key=lambda each: each.generation, default=None)

    def take_over(self, sealed: Sealed) -> Taken:
        """Makes the working manifest from a sealed one and from what the drives hold beyond it.

        The one that stands there is moved aside. Raises ``Failed`` and ``Stopped``; nothing has changed then.
        """
        new = self._new_path()
        with Manifest.look(Path(sealed.path), self.effects, in_use=False) as source:
            source.copy_to(new)
        return self._finish(new, is_empty=False)

    def rebuild(self) -> Taken:
        """Makes the working manifest by reading all of the secondary. Otherwise as ``take_over``."""
        new = self._new_path()
        Manifest.create(new, self.effects, pair_id=self.pair_id, pair_name=self.settings.name).close()
        return self._finish(new, is_empty=True)

    def _new_path(self) -> Path:
        new = self.folder / (FILE_NAME + ".rebuilt")
        for suffix in ("", *_LOGS):
            Path(f"{new}{suffix}").unlink(missing_ok=True)
        return new

    def _finish(self, new: Path, *, is_empty: bool) -> Taken:
        manifest = Manifest.open(new, self.effects)
        try:
            last = manifest.runs.last()
            sealed_s = None if is_empty or last is None else last.ended_s or last.started_s
            taker = Stocktaker(
                manifest, self.primary, self.secondary, self.effects, self.clock, by_name(self.settings.hash),
                syncfs_covers(file_system_type(self.settings.secondary)), self.should_stop,
            )  # fmt: skip
            taken = taker.take(sealed_s)
            # A newer seal that is damaged may still say its number.
            on_drive = sealed_generation(self.secondary, self.pair_id)
            if on_drive is not None and on_drive > manifest.generation:
                manifest.set_generation(on_drive)
        finally:
            manifest.close()
        self._put_in_place(new)
        return taken

    def _put_in_place(self, new: Path) -> None:
        path = self.folder / FILE_NAME
        try:
            _sync(new)
            if path.exists():
                stamp = time.strftime("%Y-%m-%dT%H%M%SZ", time.gmtime(self.clock.now_s()))
                aside = self.folder / f"manifest.corrupt-{stamp}.sqlite3"
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
        old = sorted(self.folder.glob("manifest.corrupt-*.sqlite3"))
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
    fault = find_fault(folder / FILE_NAME, thorough=False)
    if fault is None:
        manifest = open_manifest(folder, settings, drives, effects, to_write=True)
        try:
            if not _is_due(manifest, settings, clock):
                return manifest, None
            fault = fault_in(manifest.database.connection, thorough=True)
            if fault is None:
                with manifest.database.transaction():
                    manifest.database.set_meta(_CHECKED, str(int(clock.now_s())))
                return manifest, None
        except BaseException:
            manifest.close()
            raise
        manifest.close()
    care = Care(folder, settings, drives.primary, drives.secondary, drives.entry.id, effects, clock, should_stop)
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


def _sync(path: Path) -> None:
    fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
