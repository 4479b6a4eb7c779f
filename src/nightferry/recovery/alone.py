"""A secondary alone: opened for reading with nothing but the drive, as after the box and its system disk are gone.

Nothing is written on it, so that it may be mounted read-only, and what it says is input, checked before it is believed.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from nightferry.errors import AbsentDrive, Failed, WrongDrive, WrongUse
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.untrusted import NewerFormatError, UntrustedError
from nightferry.night.context import COPY, RECORDS
from nightferry.night.sealed_pages import MANIFEST, PREVIOUS, open_sealed
from nightferry.recovery.listing import Listing
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root, split
from nightferry.units import show_name, show_text
from nightferry.volumes.card import Card, PairEntry
from nightferry.volumes.cardfile import moved_from_elsewhere, read_card
from nightferry.volumes.filesystem import filesystem_uuid
from nightferry.volumes.lock import lock_drive
from nightferry.volumes.mounts import is_mount_point, mount_of
from nightferry.volumes.readonly import open_read_only

Which = Literal["manifest", "previous", "none"]


@dataclass
class Secondary:
    """A secondary as found.

    Attributes:
        manifest: the newest sound one sealed there, for reading only; None where neither is sound.
        root: the drive's root. ``kernel_enforced``: the kernel itself refuses to write through it.
        generation: of ``manifest``.
        sealed_at: when that was sealed, Unix time, by the clock of the box that did; None where it does not say.
        which: the one sealed last, the one before, or none.
        notes: sentences for a person, such as why a manifest was passed over; more may come while ``files`` is read.
    """

    path: Path
    root: Root
    kernel_enforced: bool
    card: Card
    pair: PairEntry
    effects: Effects
    manifest: Manifest | None = None
    generation: int | None = None
    sealed_at: float | None = None
    which: Which = "none"
    notes: list[str] = field(default_factory=list)

    def files(self) -> Iterator[tuple[bytes, int, bytes]]:
        """What to restore where no manifest is sound: (path below ``copy/``, number of the algorithm, checksum).

        First what the checksum lists name, in the order of the paths, also where the file itself is gone; then the
        files and symlinks in ``copy/`` that no list names, with the number 0 and an empty checksum. Each path once,
        checked to lead nowhere but below ``copy/``. Memory does not grow with their number.
        """
        return Listing(self.root, self.effects, self.notes).files()


@contextmanager
def open_secondary(path: Path, effects: Effects, *, pair: str | None = None, lock: bool = False) -> Iterator[Secondary]:
    """The secondary mounted at ``path``, with the newest sound manifest that it holds.

    Args:
        pair: the name of the pair, where its card names more than one.
        lock: whether the drive is held within the block, and before its manifest is read, so that no night moves what
            the manifest names. A drive that takes no lock is read all the same.

    Raises:
        Busy: another command has the drive (``lock``).
        AbsentDrive: there is nothing at the path, or no drive is mounted there.
        WrongDrive: it is no secondary.
        WrongUse: it is one of several pairs, or not of that pair.
        Failed: its manifest is that of a newer nightferry, or the drive does not answer.
    """
    with ExitStack() as stack:
        try:
            view = open_read_only(path, effects)
        except (FileNotFoundError, NotADirectoryError) as error:
            raise AbsentDrive(
                f"There is no drive at {show_text(str(path))} ({error.strerror}): plug it in, mount it, and give the"
                " folder where it is mounted.",
                "secondary",
            ) from error
        except OSError as error:
            raise WrongDrive(
                f"The drive at {show_text(str(path))} cannot be opened ({error.strerror}): run as root, or as a user"
                " that may read it."
            ) from error
        stack.callback(view.close)
        try:
            root = Root(os.dup(view.fd), effects, no_atime=not view.kernel_enforced)
            stack.callback(root.close)
            card = _card(path, root, effects)
            if lock:
                with suppress(Failed):
                    stack.enter_context(lock_drive(root.fd, effects, f"the drive at {show_text(str(path))}"))
            secondary = Secondary(path, root, view.kernel_enforced, card, _chosen(path, card, pair), effects)
            _look_at_card(secondary)
            _open_manifest(secondary, stack)
        except OSError as error:
            raise Failed(
                f"The drive at {show_text(str(path))} does not answer ({error.strerror or error}): see the system log,"
                " check cable and power, then try again."
            ) from error
        yield secondary


def _card(path: Path, root: Root, effects: Effects) -> Card:
    card = read_card(root.fd, effects, str(path))
    if card is not None:
        return card
    shown = show_text(str(path))
    real = Path(os.path.realpath(path))
    for above in real.parents:
        if _has_card(above, effects):
            raise WrongDrive(
                f"{shown} is a folder inside the drive at {show_text(str(above))}: give {show_text(str(above))}."
            )
    if not is_mount_point(path):
        raise AbsentDrive(
            f"No drive is mounted at {shown}, and there is no identity card there: mount the secondary, and give the"
            " folder where it is mounted.",
            "secondary",
        )
    if root.stat_or_none(MANIFEST) is not None or root.stat_or_none(COPY) is not None:
        raise WrongDrive(
            f"The drive at {shown} holds a copy and has lost its identity card, .nightferry-volume.toml: its files"
            f" stand in {shown}/{COPY.decode()} as ordinary files, and can be copied from there by hand."
        )
    raise WrongDrive(
        f"The drive at {shown} has no identity card, so it is no secondary of any pair: plug in and mount the right"
        " one, and give the folder where it is mounted."
    )


def _has_card(folder: Path, effects: Effects) -> bool:
    try:
        fd = effects.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        return read_card(fd, effects, str(folder)) is not None
    except WrongDrive:
        return False
    finally:
        effects.close(fd)


def _chosen(path: Path, card: Card, name: str | None) -> PairEntry:
    shown = show_text(str(path))
    kept = [each for each in card.pairs if each.role == "secondary"]
    if not kept:
        if card.pairs:
            names = ", ".join(f'"{show_text(each.name)}"' for each in card.pairs)
            raise WrongDrive(
                f"The drive at {shown} is the primary of {names}, and holds no copy: give the place of the secondary."
            )
        raise WrongDrive(f"The drive at {shown} belongs to no pair: plug in and mount the right secondary.")
    names = ", ".join(f'"{show_text(each.name)}"' for each in kept)
    if name is not None:
        for each in kept:
            if each.name == name:
                return each
        raise WrongUse(
            f'The drive at {shown} is the secondary of {names}, not of "{show_text(name)}": leave --pair-name out, or'
            " mount the drive that you mean."
        )
    if len(kept) > 1:
        raise WrongUse(
            f"The drive at {shown} is the secondary of more than one pair, {names}: say which with --pair-name."
        )
    return kept[0]


def _look_at_card(secondary: Secondary) -> None:
    moved = moved_from_elsewhere(
        secondary.card,
        secondary.root.fd,
        secondary.effects,
        filesystem_uuid(secondary.root.fd, mount_of(secondary.path)),
    )
    if moved is not None:
        secondary.notes.append(f"The identity card was copied there from another drive: {moved}.")


# --- the manifest


def _open_manifest(secondary: Secondary, stack: ExitStack) -> None:
    """The one sealed last, or the one before where that is not sound."""
    folder = _records_folder(secondary, stack)
    if folder is None:
        secondary.notes.append(f"There is no folder {RECORDS.decode()}/ on the drive.")
        return
    # One of which pages are not as they were sealed is better than none.
    for lenient in (False, True):
        if _open_newest(secondary, folder, stack, lenient=lenient):
            return


def _open_newest(secondary: Secondary, folder: int, stack: ExitStack, *, lenient: bool) -> bool:
    which: Which
    for which, name in (("manifest", MANIFEST), ("previous", PREVIOUS)):
        found = secondary.root.stat_or_none(name)
        if found is None:
            if which == "manifest" and not lenient:
                secondary.notes.append(f"There is no {show_name(name)} on the drive.")
            continue
        try:
            manifest = stack.enter_context(_opened(secondary, folder, name, lenient=lenient))
        except NewerFormatError:
            raise
        except UntrustedError as error:
            if not lenient:
                secondary.notes.append(f"{show_name(name)} cannot be used, and was passed over: {error.fault}.")
            continue
        if lenient:
            secondary.notes.append(
                f"{show_name(name)} is used all the same, since there is no better one: what it says of some files may"
                " be wrong."
            )
        secondary.manifest, secondary.which, secondary.generation = manifest, which, manifest.generation
        last = manifest.runs.last()
        secondary.sealed_at = None if last is None else last.ended_s or last.started_s
        return True
    return False


@contextmanager
def _opened(secondary: Secondary, folder: int, name: bytes, *, lenient: bool) -> Iterator[Manifest]:
    shown = os.path.join(str(secondary.path), os.fsdecode(name))
    path = f"/proc/self/fd/{folder}/{os.fsdecode(split(name)[1])}"
    with ExitStack() as stack:
        try:
            manifest = stack.enter_context(
                open_sealed(secondary.root, name, path=path, shown=shown, pair_id=secondary.pair.id, lenient=lenient)
            )
        except OSError as error:
            why = error.strerror or str(error)
            raise UntrustedError(f"The manifest {show_text(shown)} cannot be read ({why}).", why) from error
        yield manifest


def _records_folder(secondary: Secondary, stack: ExitStack) -> int | None:
    """``records/``, opened below the drive's mount point.

    Not through the read-only view: SQLite opens by path, resolves each symlink of it, also those of /proc, and a
    detached mount has no path.
    """
    effects = secondary.effects
    flags = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
    try:
        found = secondary.root.stat_or_none(RECORDS)
        if found is None or not stat.S_ISDIR(found.st_mode):
            return None
        top = effects.open(os.path.realpath(secondary.path), flags)
        try:
            fd = effects.open(RECORDS, flags, dir_fd=top)
        finally:
            effects.close(top)
    except OSError as error:
        raise Failed(
            f"{RECORDS.decode()}/ on the drive at {show_text(str(secondary.path))} cannot be opened"
            f" ({error.strerror}): run as root, or check cable and drive."
        ) from error
    stack.callback(effects.close, fd)
    return fd
