"""Preflight: both drives are the paired ones, and the state here is theirs. Nothing is written before that."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from nightferry.errors import AbsentDrive, Failed, WrongDrive
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.untrusted import generation_of
from nightferry.night import sealed_pages
from nightferry.night.context import COPY, RECORDS, RETIRED, STAGING
from nightferry.night.sealed_pages import MANIFEST, PREVIOUS
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root
from nightferry.units import show_text
from nightferry.volumes.card import PairEntry
from nightferry.volumes.cardfile import moved_from_elsewhere, read_card
from nightferry.volumes.filesystem import filesystem_uuid, tells_files_apart
from nightferry.volumes.lock import PairLock, lock_drive
from nightferry.volumes.mounts import Mount, Relation, is_mount_point, mount_of, mounted_below, relation
from nightferry.volumes.pairing import Found, verify_apart, verify_mounted, verify_pair
from nightferry.volumes.readonly import open_read_only

LAYOUT = (COPY, RETIRED, STAGING, RECORDS, RECORDS + b"/reports")


@dataclass
class Drives:
    """Both drives of a pair, open and known to be the right ones."""

    entry: PairEntry
    primary: Root
    secondary: Root
    secondary_mount: Mount
    mounted_below: frozenset[bytes]
    kernel_enforced: bool  # the kernel itself refuses writes to the primary
    inodes: bool = True  # whether inode number and ctime tell the primary's files apart (volumes/filesystem.py)


def state_folder(state_dir: Path, pair: str) -> Path:
    return state_dir / pair


@contextmanager
def lock_pair(state_dir: Path, pair: str, command: str) -> Iterator[Path]:
    """The pair's state folder, locked for one command. Raises ``Busy``, ``Failed``."""
    folder = state_folder(state_dir, pair)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise Failed(
            f"The state folder {show_text(str(folder))} cannot be made ({error.strerror}): run as root, or set"
            " state_dir to a folder that you may write to."
        ) from error
    with PairLock(folder / "lock", command):
        yield folder


@contextmanager
def open_drives(settings: PairSettings, effects: Effects, *, to_write: bool, mend: bool = False) -> Iterator[Drives]:
    """Raises ``WrongDrive`` or ``WrongUse`` where they are not the paired drives, ``Busy`` where another
    process works on the secondary.

    ``to_write`` is about the secondary. ``mend``: the primary is opened so that a damaged file there can be replaced;
    nothing else may ask for that.
    """
    how = check_places(settings)
    with ExitStack() as stack:
        kernel_enforced = False
        if mend:
            primary = Root(_open_to_mend(settings, effects), effects, no_atime=True)
        else:
            view = open_read_only(settings.primary, effects)
            stack.callback(view.close)
            kernel_enforced = view.kernel_enforced
            # The view owns its descriptor, a Root owns another, so that each can close its own.
            primary = Root(os.dup(view.fd), effects, no_atime=not kernel_enforced)
        stack.callback(primary.close)
        secondary = Root(_open_secondary(settings.secondary, effects), effects)
        stack.callback(secondary.close)
        mount = mount_of(settings.secondary)
        entry = verify_pair(
            settings.name,
            look_at(settings.primary, primary.fd, effects),
            look_at(settings.secondary, secondary.fd, effects),
            how,
            require_mount=settings.require_mount,
        )
        if to_write:
            if mount.read_only:
                raise WrongDrive(
                    f'The secondary of the pair "{settings.name}" at {show_text(str(settings.secondary))} is mounted'
                    " read-only; nothing was written. A file system with errors is often remounted so: look into the"
                    " system log, check the file system, then mount it for writing."
                )
            what = f"the drive at {show_text(str(settings.secondary))}"
            stack.enter_context(lock_drive(secondary.fd, effects, what))
        inodes = tells_files_apart(mount_of(settings.primary).file_system)
        yield Drives(entry, primary, secondary, mount, mounted_below(settings.primary), kernel_enforced, inodes)


def check_places(settings: PairSettings) -> Relation:
    """Both paths are there, lie apart, and are mount points where they have to be; how they lie to each other.

    Raises ``AbsentDrive``, ``WrongDrive`` and ``WrongUse``.
    """
    for role, path in (("primary", settings.primary), ("secondary", settings.secondary)):
        check_there(settings, role, path)
    how = relation(settings.primary, settings.secondary)
    verify_apart(settings.name, settings.primary, settings.secondary, how)
    if settings.require_mount:
        verify_mounted(settings.name, "primary", settings.primary, is_mount_point(settings.primary))
        verify_mounted(settings.name, "secondary", settings.secondary, is_mount_point(settings.secondary))
    return how


def check_there(settings: PairSettings, role: str, path: Path) -> None:
    """Raises ``AbsentDrive`` where the path is not there, ``WrongDrive`` where it is no folder."""
    try:
        mode = os.stat(path).st_mode
    except OSError as error:
        raise AbsentDrive(
            f'The {role} of the pair "{settings.name}" is not there: {show_text(str(path))}: {error.strerror};'
            " plug in and mount that drive, or correct the path in the configuration.",
            role,
        ) from error
    if not stat.S_ISDIR(mode):
        raise WrongDrive(
            f'The {role} of the pair "{settings.name}", {show_text(str(path))}, is not a folder; give the folder'
            " where the drive is mounted."
        )


def look_at(path: Path, fd: int, effects: Effects) -> Found:
    """What identifies the drive at a path: its card, and whether that card was written there."""
    card = read_card(fd, effects, str(path))
    moved = None
    if card is not None:
        moved = moved_from_elsewhere(card, fd, effects, filesystem_uuid(fd, mount_of(path)))
    return Found(path, is_mount_point(path), card, moved)


def _open_to_mend(settings: PairSettings, effects: Effects) -> int:
    """The primary as any program has it. Raises ``WrongDrive`` where it is mounted read-only or cannot be opened."""
    shown = show_text(str(settings.primary))
    if mount_of(settings.primary).read_only:
        raise WrongDrive(
            f'The primary of the pair "{settings.name}" at {shown} is mounted read-only, so nothing can be put back'
            " there: mount it for writing, then mend again. A file system with errors is often remounted so: then look"
            " into the system log and check the file system first."
        )
    path, flags = os.path.realpath(settings.primary), os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
    try:
        try:
            return effects.open(path, flags | os.O_NOATIME)
        except PermissionError:
            return effects.open(path, flags)  # O_NOATIME is for the owner only
    except OSError as error:
        raise WrongDrive(
            f"The primary at {shown} cannot be opened ({error.strerror}); run as a user that may read and write it."
        ) from error


def _open_secondary(path: Path, effects: Effects) -> int:
    real = os.path.realpath(path)
    try:
        return effects.open(real, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError as error:
        raise WrongDrive(
            f"The secondary at {show_text(str(path))} cannot be opened ({error.strerror}); run as a user that may"
            " read and write it."
        ) from error


def open_manifest(
    folder: Path, settings: PairSettings, drives: Drives, effects: Effects, *, to_write: bool
) -> Manifest:
    """The pair's manifest, once it is known to belong to these drives and to be no older than they are.

    Raises ``Failed`` and ``WrongDrive``.
    """
    check_state_is_there(folder, settings)
    manifest = Manifest.open(folder / FILE_NAME, effects, writable=to_write)
    try:
        check_state(manifest, folder, settings, drives)
    except BaseException:
        manifest.close()
        raise
    return manifest


def check_state_is_there(folder: Path, settings: PairSettings) -> None:
    """Raises ``WrongDrive`` where the state of two paired drives is missing."""
    if not (folder / FILE_NAME).exists():
        raise WrongDrive(
            f'The state of the pair "{settings.name}" is not in {show_text(str(folder))}, while both drives are'
            f" paired; run `nightferry pair {settings.name}` to take it over from the secondary."
        )


def check_state(manifest: Manifest, folder: Path, settings: PairSettings, drives: Drives) -> None:
    """Raises ``WrongDrive`` where the state is not that of these drives, or one of the two is older than the other."""
    if manifest.pair_id != drives.entry.id:
        raise WrongDrive(
            f"The state in {show_text(str(folder))} is that of another pair of the same name; move that folder"
            f" away, then run `nightferry pair {settings.name}` to take this pair over from its secondary."
        )
    sealed = sealed_generation(drives.secondary, drives.entry.id, manifest.generation)
    if sealed is not None and sealed > manifest.generation:
        raise WrongDrive(
            f"The state in {show_text(str(folder))} is older than the secondary (generation"
            f" {manifest.generation} against {sealed}), as after restoring the system disk from an old image;"
            f" nothing was written. Run `nightferry pair {settings.name}`: it takes the newer state over from the"
            " secondary, and keeps this one aside."
        )
    newest = generation_of(f"/proc/self/fd/{drives.secondary.fd}/{os.fsdecode(MANIFEST)}", drives.entry.id)
    known = manifest.database.meta("sealed")
    is_older = newest is not None and known is not None and known.isdecimal() and newest < int(known)
    if is_older and _is_as_sealed(drives.secondary, MANIFEST):
        raise WrongDrive(
            f"The secondary at {show_text(str(settings.secondary))} is older than the state here (generation {newest}"
            f" against {known}), as after an old image was put back on it, or where a drive lost what it said it had"
            f" written; nothing was written. Mount the drive that belongs here; or, where this is all that is left of"
            f" it, move {show_text(str(folder))} away and run `nightferry pair {settings.name}`, which takes the state"
            " over from the secondary as it is."
        )


def sealed_generation(secondary: Root, pair_id: str, known: int) -> int | None:
    """The newest generation of this pair that the secondary's own records speak of.

    ``known``: that of the state here. A newer one is believed where it is what was sealed, and no flipped bit.
    """
    newest = None
    for name in (MANIFEST, PREVIOUS):
        if secondary.stat_or_none(name) is None:
            continue
        found = generation_of(f"/proc/self/fd/{secondary.fd}/{os.fsdecode(name)}", pair_id)
        if found is None or (newest is not None and found <= newest):
            continue
        if found <= known or _is_as_sealed(secondary, name):
            newest = found
    return newest


def _is_as_sealed(secondary: Root, name: bytes) -> bool:
    """Whether no page of a sealed manifest is known to be bad."""
    try:
        found = sealed_pages.check(secondary, name)
    except OSError:
        return True
    return found is None or found.fault is None


def check_layout(secondary: Root, settings: PairSettings, *, copy_expected: bool) -> None:
    """Makes the folders that may be missing; raises ``WrongDrive`` where the copy itself is gone."""
    try:
        for path in LAYOUT:
            found = secondary.stat_or_none(path)
            if found is not None and stat.S_ISDIR(found.st_mode):
                continue
            if found is not None or (path == COPY and copy_expected):
                what = "is not a folder" if found is not None else "is missing"
                raise WrongDrive(
                    f'On the secondary of the pair "{settings.name}", {show_text(str(settings.secondary))},'
                    f" {path.decode()}/ {what}; nothing was written. If it was renamed, put it back."
                )
            secondary.mkdir(path)
    except PermissionError as error:
        raise WrongDrive(
            f"The secondary at {show_text(str(settings.secondary))} cannot be written ({error.strerror}); run as root,"
            " or give this user the right to write there."
        ) from error
    except OSError as error:
        raise Failed(
            f"The secondary at {show_text(str(settings.secondary))} cannot be written ({error.strerror}): make room on"
            " it, or see the system log for that drive."
        ) from error
