"""Where a rehearsal restores into: a folder of its own that is gone afterwards, also after a crash.

By default in the machine's memory (a tmpfs): a small flash card wears out by being written, and a secondary that is
read and written at once would give no honest rate. What does not fit there is read and compared without being written.
"""

from __future__ import annotations

import hashlib
import os
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from nightferry.errors import Failed
from nightferry.recovery.rehearsing.result import Place
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root
from nightferry.units import show_text
from nightferry.volumes.filesystem import room
from nightferry.volumes.mounts import mount_of

_IN_MEMORY = (Path("/dev/shm"), Path("/run"))
_MEMORY_TYPES = frozenset({"tmpfs", "ramfs"})
_MEMINFO = Path("/proc/meminfo")
_PREFIX = "nightferry-rehearsal-"

# Of the memory that is free: the rest of the night and other services need some too.
_MEMORY_SHARE = 4
_DISK_SHARE = 2
# Less is no place: it would hold no file worth the name.
_LEAST_BYTES = 1 << 20


@contextmanager
def open_scratch(settings: PairSettings, pair_id: str, effects: Effects) -> Iterator[tuple[Path | None, Place]]:
    """A new empty folder that only this user may enter, removed when the block is left; None where there is none."""
    clear_scratch(settings, pair_id, effects)
    within, place = _where(settings, effects)
    if within is None:
        yield None, place
        return
    try:
        folder = Path(tempfile.mkdtemp(prefix=_prefix(pair_id), dir=within))  # with the mode 0700
    except OSError as error:
        place.why_none, place.room_bytes = f"{place.shown} cannot be written ({error.strerror})", 0
        yield None, place
        return
    try:
        yield folder, place
    finally:
        _remove(folder, effects)


def clear_scratch(settings: PairSettings, pair_id: str, effects: Effects) -> None:
    """Removes what a rehearsal of this pair that was cut off left. The pair's lock is held."""
    prefix = _prefix(pair_id)
    for within in _places(settings):
        with suppress(OSError), os.scandir(within) as entries:
            for entry in entries:
                if entry.name.startswith(prefix):
                    found = entry.stat(follow_symlinks=False)
                    if stat.S_ISDIR(found.st_mode) and found.st_uid == os.geteuid():
                        _remove(Path(entry.path), effects)


def empty(folder: Path, effects: Effects) -> None:
    """Removes all that is in the scratch folder. Raises ``OSError``."""
    fd = effects.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    root = Root(fd, effects)
    try:
        for name in root.names(b""):
            if stat.S_ISDIR(root.stat(name).st_mode):
                root.remove_tree(name)
            else:
                root.unlink(name)
    finally:
        root.close()


def _remove(folder: Path, effects: Effects) -> None:
    with suppress(OSError):  # what stays is removed by the next rehearsal, or the next night
        empty(folder, effects)
        effects.rmdir(folder)


def _prefix(pair_id: str) -> str:
    """Its own for each pair: two of them may rehearse at once."""
    return f"{_PREFIX}{hashlib.sha256(pair_id.encode()).hexdigest()[:16]}-"


def _places(settings: PairSettings) -> tuple[Path, ...]:
    return _IN_MEMORY if settings.rehearse_scratch is None else (settings.rehearse_scratch, *_IN_MEMORY)


def _where(settings: PairSettings, effects: Effects) -> tuple[Path | None, Place]:
    """The folder to make the scratch in, and what is known of it."""
    given = settings.rehearse_scratch
    if given is not None:
        place = Place(shown=show_text(str(given)))
        place.why_none = _on_a_drive(settings, given)
        return _with_room(given, place, settings, effects) if place.why_none is None else (None, place)
    for within in _IN_MEMORY:
        place = Place(shown=show_text(str(within)), in_memory=True)
        with suppress(Failed):
            if mount_of(within).file_system in _MEMORY_TYPES and os.access(within, os.W_OK | os.X_OK):
                return _with_room(within, place, settings, effects)
    return None, Place(why_none="this machine has no file system in memory that may be written to")


def _with_room(within: Path, place: Place, settings: PairSettings, effects: Effects) -> tuple[Path | None, Place]:
    try:
        fd = effects.open(within, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            free_bytes = room(fd, effects).free_bytes // _DISK_SHARE
        finally:
            effects.close(fd)
        place.file_system = mount_of(within).file_system
    except OSError as error:
        place.why_none = f"{place.shown} cannot be opened ({error.strerror})"
        return None, place
    except Failed as error:
        place.why_none = str(error)
        return None, place
    if place.file_system in _MEMORY_TYPES:
        place.in_memory = True
        free_bytes = min(free_bytes, _memory_bytes() // _MEMORY_SHARE)
    place.room_bytes = min(settings.rehearse_scratch_limit, free_bytes)
    if place.room_bytes < _LEAST_BYTES:
        place.why_none, place.room_bytes = f"there is too little room in {place.shown}", 0
        return None, place
    return within, place


def _memory_bytes() -> int:
    """What the kernel reckons could be used without swapping (proc_meminfo(5), MemAvailable)."""
    with suppress(OSError, ValueError, IndexError):
        for line in _MEMINFO.read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024
    return 0


def _on_a_drive(settings: PairSettings, given: Path) -> str | None:
    """Why a scratch place may not be used: nothing of the kind may be written to either drive."""
    real = Path(os.path.realpath(given))
    for role, drive in (("primary", settings.primary), ("secondary", settings.secondary)):
        try:
            same = settings.require_mount and mount_of(real).device == mount_of(drive).device
        except Failed as error:
            return str(error)
        if same or real.is_relative_to(os.path.realpath(drive)):
            return f"{show_text(str(given))} lies on the {role}, where no rehearsal may write"
    return None
