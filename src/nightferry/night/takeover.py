"""Taking the state of a pair over from its secondary: on a new box, after an old image, with or without the primary.

Nothing is written to either drive. Without the primary the state is all that is taken over: with it `history`,
`lastnight` and `restore` work, and a night needs the primary again, or a new one.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from nightferry.errors import AbsentDrive, Busy, NightferryError, WrongDrive
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.overview import Overview
from nightferry.manifest.soundness import find_fault
from nightferry.night.context import COPY, RETIRED, Clock
from nightferry.night.manifest_care import Care
from nightferry.night.preflight import check_there, lock_pair, look_at
from nightferry.night.proposal import Proposal, side
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root
from nightferry.units import show_text
from nightferry.volumes.card import PairEntry
from nightferry.volumes.filesystem import room
from nightferry.volumes.lock import lock_drive
from nightferry.volumes.mounts import is_mount_point, mount_of, relation
from nightferry.volumes.pairing import Found, verify_apart, verify_mounted


@dataclass(frozen=True)
class Decision:
    """What is to become of the state here. ``older``: the generation of one that is set aside for a newer one."""

    action: str  # adopt, rebuild, none
    found: Overview | None = None  # of the newest sound manifest on the secondary
    is_previous: bool = False
    older: int | None = None


def decide(care: Care, *, alone: bool) -> Decision:
    """Compares the state here with what the secondary holds. Raises ``WrongDrive``, ``Busy``, ``Failed``.

    ``alone``: the primary is not there. Then no night will replace a damaged state.
    """
    sealed = care.newest_sound()
    found = None if sealed is None else sealed.overview
    is_previous = sealed is not None and sealed.is_previous
    path = care.folder / FILE_NAME
    if not path.exists():
        if found is None and _has_content(care.secondary):
            return Decision("rebuild")
        return Decision("adopt", found, is_previous)
    here = _generation_here(care, path)
    if here is None:
        if found is None:
            return Decision("rebuild")
        return Decision("adopt" if alone else "none", found, is_previous)
    if found is not None and found.generation > here:
        return Decision("adopt", found, is_previous, here)
    return Decision("none", found, is_previous)


def carry_out(care: Care, decision: Decision) -> None:
    """Raises ``Failed`` and ``Busy``; the state that was here stands then as it did."""
    sealed = care.newest_sound()
    if decision.found != (None if sealed is None else sealed.overview):
        raise Busy(
            f'Another process has written to the secondary of "{care.settings.name}" meanwhile: see what it did, then'
            " run `nightferry pair` again."
        )
    if decision.action == "rebuild":
        care.rebuild()
    elif sealed is not None:
        care.take_over(sealed, aside="corrupt" if decision.older is None else "older")
    else:  # paired, and no night was ever sealed
        path = care.folder / FILE_NAME
        Manifest.create(path, care.effects, pair_id=care.pair_id, pair_name=care.settings.name).close()


def care_of(
    settings: PairSettings, folder: Path, primary: Root | None, secondary: Root, entry: PairEntry, effects: Effects
) -> Care:
    return Care(folder, settings, primary, secondary, entry.id, effects, Clock(), lambda: False)


def to_read_bytes(secondary: Root) -> int:
    """The most that has to be read to build a manifest anew."""
    found = room(secondary.fd, secondary.effects)
    return max(0, found.total_bytes - found.free_bytes)


def _generation_here(care: Care, path: Path) -> int | None:
    """That of the state here; None where it is damaged."""
    # Read without a trace, unless a run that was cut off left the newest part of it in its log.
    log = Path(f"{path}-wal")
    if find_fault(path, thorough=False, unchanging=not (log.exists() and log.stat().st_size)) is not None:
        return None
    with Manifest.look(path, care.effects, in_use=False) as manifest:
        if manifest.pair_id != care.pair_id:
            raise WrongDrive(
                f"The state in {show_text(str(care.folder))} is that of another pair of the same name; move that folder"
                f" away, then run `nightferry pair {care.settings.name}` to take this pair over from its secondary."
            )
        return manifest.generation


def _has_content(secondary: Root) -> bool:
    return any(secondary.stat_or_none(folder) is not None and secondary.names(folder) for folder in (COPY, RETIRED))


# --- without the primary


def take_over_alone(
    settings: PairSettings,
    state_dir: Path,
    confirm: Callable[[Proposal], bool],
    effects: Effects,
    otherwise: NightferryError,
) -> Proposal | None:
    """Takes the pair over with its secondary alone, after ``confirm`` agreed; None where it did not.

    Raises ``otherwise``, which says what is wrong with the primary, where there is nothing to take over: the state is
    here already, or the drive at the secondary's place is no secondary. Raises ``WrongDrive``, ``Busy``, ``Failed``.
    """
    try:
        check_there(settings, "secondary", settings.secondary)
        if settings.require_mount:
            verify_mounted(settings.name, "secondary", settings.secondary, is_mount_point(settings.secondary))
    except AbsentDrive as error:
        raise otherwise from error
    verify_apart(settings.name, settings.primary, settings.secondary, relation(settings.primary, settings.secondary))
    with ExitStack() as stack:
        secondary = _open(settings, effects)
        stack.callback(secondary.close)
        found = look_at(settings.secondary, secondary.fd, effects)
        entry = _entry(settings, found, otherwise)
        care = care_of(settings, state_dir / settings.name, None, secondary, entry, effects)
        decision = decide(care, alone=True)
        if decision.action == "none":
            raise otherwise
        seen = side("secondary", settings.secondary, secondary, mount_of(settings.secondary), has_card=True)
        proposal = Proposal(
            settings.name, decision.action, None, seen, False,
            None if decision.found is None else decision.found.generation,
            to_read_bytes(secondary) if decision.action == "rebuild" else 0,
            decision.found, decision.is_previous, decision.older,
        )  # fmt: skip
        if not confirm(proposal):
            return None
        stack.enter_context(lock_pair(state_dir, settings.name, "pair"))
        stack.enter_context(lock_drive(secondary.fd, effects, f"the drive at {show_text(str(settings.secondary))}"))
        carry_out(care, decision)
        return proposal


def _open(settings: PairSettings, effects: Effects) -> Root:
    try:
        fd = effects.open(
            os.path.realpath(settings.secondary), os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
        )
    except OSError as error:
        raise WrongDrive(
            f"The secondary at {show_text(str(settings.secondary))} cannot be opened ({error.strerror}); run as a user"
            " that may read it."
        ) from error
    return Root(fd, effects)


def _entry(settings: PairSettings, found: Found, otherwise: NightferryError) -> PairEntry:
    """What the secondary's card says of this pair."""
    shown = show_text(str(settings.secondary))
    if found.card is None:
        raise otherwise
    if found.moved is not None:
        raise WrongDrive(
            f"The identity card at {shown} was copied there from another drive: {found.moved}; plug in the secondary of"
            f' the pair "{settings.name}".'
        ) from otherwise
    for entry in found.card.pairs:
        if entry.name == settings.name and entry.role == "secondary":
            return entry
    for entry in found.card.pairs:
        if entry.role == "secondary":
            raise WrongDrive(
                f'The drive at {shown} is the secondary of the pair "{show_text(entry.name)}": to take it over, give'
                f' the pair that name in the configuration; for "{settings.name}", plug in its own drives.'
            ) from otherwise
    raise otherwise
