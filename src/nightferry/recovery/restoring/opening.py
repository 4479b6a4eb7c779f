"""What a restore reads from: a pair as configured, or its secondary alone. Nothing here is written to."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from nightferry.errors import Failed, NightferryError, WrongDrive
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.soundness import find_fault
from nightferry.night.preflight import check_there, lock_pair, look_at, sealed_generation, state_folder
from nightferry.recovery.alone import Secondary, open_secondary
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root
from nightferry.units import show_text
from nightferry.volumes.card import PairEntry
from nightferry.volumes.lock import holder, lock_drive
from nightferry.volumes.mounts import is_mount_point
from nightferry.volumes.pairing import verify_mounted
from nightferry.volumes.readonly import open_read_only

COMMAND = "restore"


@dataclass
class Source:
    """``manifest`` None: only the plain tree and its checksum lists are left (``alone`` then lists them).

    ``primary`` where it is there and is the pair's. ``tops``: where the drives are mounted, for paths that begin there.
    """

    pair: str
    secondary: Root
    manifest: Manifest | None
    alone: Secondary | None = None
    primary: Root | None = None
    tops: list[bytes] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


@contextmanager
def open_configured(settings: PairSettings, state_dir: Path, effects: Effects) -> Iterator[Source]:
    """A pair of the configuration; its state here, or where that is gone, damaged or older, what the secondary has.

    Both locks are held within the block, so that no night moves what is read. Raises ``Busy``, ``WrongDrive``,
    ``WrongUse`` and ``Failed``.
    """
    with ExitStack() as stack:
        folder = state_folder(state_dir, settings.name)
        if folder.exists():
            stack.enter_context(lock_pair(state_dir, settings.name, COMMAND))
        secondary, entry = _open_secondary(settings, effects)
        stack.callback(secondary.close)
        stack.enter_context(lock_drive(secondary.fd, effects, f"the drive at {show_text(str(settings.secondary))}"))
        manifest, why_not = _open_state(folder / FILE_NAME, entry, secondary, effects, stack)
        source = Source(settings.name, secondary, manifest)
        if manifest is None:
            alone = stack.enter_context(open_secondary(settings.secondary, effects, pair=settings.name))
            source.manifest, source.alone = alone.manifest, alone
            source.notes = [why_not, *alone.notes]
        source.primary = _open_primary(settings, entry, effects, stack)
        source.tops = [bytes(settings.secondary) + b"/copy", bytes(settings.primary)]
        yield source


def _open_secondary(settings: PairSettings, effects: Effects) -> tuple[Root, PairEntry]:
    shown = show_text(str(settings.secondary))
    check_there(settings, "secondary", settings.secondary)
    if settings.require_mount:
        verify_mounted(settings.name, "secondary", settings.secondary, is_mount_point(settings.secondary))
    try:
        fd = effects.open(
            os.path.realpath(settings.secondary), os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
        )
    except OSError as error:
        raise WrongDrive(
            f"The secondary at {shown} cannot be opened ({error.strerror}): run as root, or as a user that may read it."
        ) from error
    root = Root(fd, effects, no_atime=True)
    try:
        found = look_at(settings.secondary, fd, effects)
        entry = next((each for each in found.card.pairs if each.name == settings.name), None) if found.card else None
        if entry is None or entry.role != "secondary":
            raise WrongDrive(
                f'The drive at {shown} is not the secondary of the pair "{settings.name}": plug in and mount the right'
                " one, or restore from a drive that is mounted elsewhere with --secondary."
            )
        if found.moved is not None:
            raise WrongDrive(
                f"The identity card at {shown} was copied there from another drive ({found.moved}): plug in the"
                " secondary itself, or restore from this drive as it is with --secondary."
            )
    except BaseException:
        root.close()
        raise
    return root, entry


def _open_state(
    path: Path, entry: PairEntry, secondary: Root, effects: Effects, stack: ExitStack
) -> tuple[Manifest | None, str]:
    """The working manifest; or None, and why the secondary's own records are used."""
    shown = show_text(str(path.parent))
    if not path.exists():
        return None, f"There is no state of this pair in {shown}: the records on the secondary are used."
    try:
        fault = find_fault(path, thorough=False)
        if fault is not None:
            return None, f"The manifest in {shown} is damaged ({fault}): the records on the secondary are used."
        manifest = stack.enter_context(Manifest.look(path, effects, in_use=False))
    except Failed as error:
        return None, f"The state in {shown} cannot be used ({error}): the records on the secondary are used."
    if manifest.pair_id != entry.id:
        return None, f"The state in {shown} is that of another pair: the records on the secondary are used."
    if _is_older(manifest, entry, secondary):
        return None, f"The state in {shown} is older than the secondary: the records on the secondary are used."
    return manifest, ""


def _is_older(manifest: Manifest, entry: PairEntry, secondary: Root) -> bool:
    sealed = sealed_generation(secondary, entry.id, manifest.generation)
    return sealed is not None and sealed > manifest.generation


def is_state_older(settings: PairSettings, state_dir: Path, effects: Effects) -> bool:
    """Whether the secondary, where it is there, was sealed after the state here, as when a system disk was put back
    from an old image: then this state knows less. Not asked while a night runs, which has asked itself."""
    folder = state_folder(state_dir, settings.name)
    with suppress(NightferryError, OSError), ExitStack() as stack:
        if holder(folder / "lock") is not None:
            return False
        manifest = stack.enter_context(Manifest.look(folder / FILE_NAME, effects, in_use=False))
        secondary, entry = _open_secondary(settings, effects)
        stack.callback(secondary.close)
        return entry.id == manifest.pair_id and _is_older(manifest, entry, secondary)
    return False


def _open_primary(settings: PairSettings, entry: PairEntry, effects: Effects, stack: ExitStack) -> Root | None:
    """The pair's primary, read-only; None where it is not there, which a restore can do without."""
    with suppress(NightferryError, OSError):
        if settings.require_mount and not is_mount_point(settings.primary):
            return None
        view = open_read_only(settings.primary, effects)
        stack.callback(view.close)
        found = look_at(settings.primary, view.fd, effects)
        is_partner = found.card is not None and found.card.volume == entry.partner and found.moved is None
        if not is_partner:
            return None
        root = Root(os.dup(view.fd), effects, no_atime=not view.kernel_enforced)
        stack.callback(root.close)
        return root
    return None


@contextmanager
def open_alone(path: Path, effects: Effects, *, pair: str | None) -> Iterator[Source]:
    """A secondary with nothing but itself. Locked, where that is possible, so that no night moves what is read.

    Raises as ``open_secondary``, and ``Busy``.
    """
    with open_secondary(path, effects, pair=pair, lock=True) as alone:
        yield Source(
            alone.pair.name, alone.root, alone.manifest, alone, tops=[os.fsencode(path) + b"/copy"],
            notes=list(alone.notes),
        )  # fmt: skip
