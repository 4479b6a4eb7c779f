"""Making two drives a pair, and taking over the state of one from its secondary."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path

from nightferry.errors import AbsentDrive, Busy, Failed, WrongDrive
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.night.context import COPY
from nightferry.night.preflight import check_layout, check_places, lock_pair, look_at
from nightferry.night.proposal import Proposal, side
from nightferry.night.takeover import Decision, care_of, carry_out, decide, take_over_alone, to_read_bytes
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root
from nightferry.units import show_text
from nightferry.volumes.card import Card, PairEntry, new_id, with_pair
from nightferry.volumes.cardfile import write_card
from nightferry.volumes.filesystem import filesystem_uuid
from nightferry.volumes.lock import lock_drive
from nightferry.volumes.mounts import Mount, mount_of
from nightferry.volumes.pairing import Found, verify_pair


def make_pair(
    settings: PairSettings,
    state_dir: Path,
    confirm: Callable[[Proposal], bool],
    *,
    effects: Effects | None = None,
) -> Proposal | None:
    """Makes the configured drives a pair after ``confirm`` agreed; None where it did not.

    Nothing is written before. Raises ``WrongDrive``, ``WrongUse``, ``Busy`` and ``Failed``.
    """
    effects = effects or Effects()
    try:
        how = check_places(settings)
    except AbsentDrive as absent:
        if absent.role != "primary":
            raise
        return take_over_alone(settings, state_dir, confirm, effects, absent)
    with ExitStack() as stack:
        primary = stack.enter_context(_Opened("primary", settings.primary, effects))
        secondary = stack.enter_context(_Opened("secondary", settings.secondary, effects))
        mounts = (mount_of(settings.primary), mount_of(settings.secondary))
        folder = state_dir / settings.name
        found = _look(settings, primary, secondary)
        cut_off = _was_cut_off(settings, folder, found, effects)
        try:
            entry = None if cut_off else _present_entry(settings, found, how)
        except WrongDrive as wrong:
            if found[0].card is not None:
                raise
            return take_over_alone(settings, state_dir, confirm, effects, wrong)
        care = None if entry is None else care_of(settings, folder, primary, secondary, entry, effects)
        decision = None if care is None else decide(care, alone=False)
        proposal = _propose(settings, folder, primary, secondary, mounts, found, decision, cut_off=cut_off)
        if proposal.action == "none":
            return proposal
        if decision is None:
            _check_writable(settings, mounts)
        if not confirm(proposal):
            return None
        stack.enter_context(lock_pair(state_dir, settings.name, "pair"))
        stack.enter_context(lock_drive(secondary.fd, effects, f"the drive at {show_text(str(settings.secondary))}"))
        if (found, cut_off) != (_look(settings, primary, secondary), _was_cut_off(settings, folder, found, effects)):
            raise Busy(
                f'Another process has paired one of the drives of "{settings.name}" meanwhile: see what it did, then'
                " run `nightferry pair` again."
            )
        if care is not None and decision is not None:
            carry_out(care, decision)
        else:
            _create(settings, folder, primary, secondary, mounts, found, effects)
        return proposal


def _look(settings: PairSettings, primary: Root, secondary: Root) -> tuple[Found, Found]:
    return (
        look_at(settings.primary, primary.fd, primary.effects),
        look_at(settings.secondary, secondary.fd, secondary.effects),
    )


def _was_cut_off(settings: PairSettings, folder: Path, found: tuple[Found, Found], effects: Effects) -> bool:
    """Whether an earlier `pair` did not get to its end: it made a state, which no run has used, and the card of the
    primary, written last, does not have the pair."""
    primary, secondary = found
    path = folder / FILE_NAME
    if not path.exists() or (primary.card is not None and _has_pair(primary.card, settings.name)):
        return False
    with Manifest.look(path, effects, in_use=False) as manifest:
        if manifest.generation or manifest.runs.last() is not None:
            return False
        pair_id = manifest.pair_id
    if secondary.card is None or not _has_pair(secondary.card, settings.name):
        return True
    return secondary.moved is None and any(pair.id == pair_id for pair in secondary.card.pairs)


class _Opened(Root):
    """A root opened for the time of a ``with`` block."""

    def __init__(self, role: str, path: Path, effects: Effects) -> None:
        try:
            fd = effects.open(os.path.realpath(path), os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
        except OSError as error:
            raise WrongDrive(
                f"The {role} at {show_text(str(path))} cannot be opened ({error.strerror}); run as a user that may"
                " read and write it."
            ) from error
        super().__init__(fd, effects)

    def __enter__(self) -> Root:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


def _check_writable(settings: PairSettings, mounts: tuple[Mount, Mount]) -> None:
    for role, path, mount in zip(("primary", "secondary"), (settings.primary, settings.secondary), mounts, strict=True):
        if mount.read_only:
            raise WrongDrive(
                f"The {role} at {show_text(str(path))} is mounted read-only, and its identity card has to be written:"
                " mount it for writing, then run `nightferry pair` again."
            )


def _present_entry(settings: PairSettings, found: tuple[Found, Found], how: str) -> PairEntry | None:
    """The pair these two drives are already; None where at least one has no card, or not for this pair."""
    primary, secondary = found
    if secondary.card is None and (primary.card is None or not _has_pair(primary.card, settings.name)):
        if primary.moved is None:
            return None
    elif secondary.card is None:
        assert primary.card is not None
        raise WrongDrive(
            f'The primary at {show_text(str(settings.primary))} already belongs to a pair "{settings.name}" with'
            f" another drive, and the drive at {show_text(str(settings.secondary))} is new: plug in the pair's"
            " secondary, or give the new drive a pair of its own under another name (two pairs may share a primary)."
        )
    elif primary.card is None:
        raise WrongDrive(_without_primary(settings, secondary.card))
    return verify_pair(settings.name, primary, secondary, how, require_mount=settings.require_mount)  # type: ignore[arg-type]


def _without_primary(settings: PairSettings, secondary: Card) -> str:
    """What is wrong where the secondary has a card and the primary has none."""
    primary_at, secondary_at = show_text(str(settings.primary)), show_text(str(settings.secondary))
    if _has_pair(secondary, settings.name):
        return (
            f'The drive at {secondary_at} is the secondary of a pair "{settings.name}", and the drive at {primary_at}'
            " is not its primary: nothing was written. Plug in that primary; where it is gone for good,"
            f" `nightferry restore {settings.name} --new-primary` fills a new drive and makes it the primary; or use"
            " another drive as secondary."
        )
    names = ", ".join(f'"{show_text(pair.name)}"' for pair in secondary.pairs[:5]) or "no pair any more"
    return (
        f"The drive at {secondary_at} has an identity card and belongs to {names}: nothing was written, since a drive"
        f" that belongs to another pair cannot become the secondary of this one. Mount a drive without a card there,"
        f" then run `nightferry pair {settings.name}`."
    )


def _has_pair(card: Card, name: str) -> bool:
    return any(pair.name == name for pair in card.pairs)


def _propose(
    settings: PairSettings,
    folder: Path,
    primary: Root,
    secondary: Root,
    mounts: tuple[Mount, Mount],
    found: tuple[Found, Found],
    decision: Decision | None,
    *,
    cut_off: bool,
) -> Proposal:
    sides = [
        side(role, each.path, root, mount, has_card=each.card is not None)
        for role, root, mount, each in zip(("primary", "secondary"), (primary, secondary), mounts, found, strict=True)
    ]
    same = primary.device == secondary.device
    if decision is not None:
        return Proposal(
            settings.name, decision.action, sides[0], sides[1], same,
            None if decision.found is None else decision.found.generation,
            to_read_bytes(secondary) if decision.action == "rebuild" else 0,
            decision.found, decision.is_previous, decision.older,
        )  # fmt: skip
    if (folder / FILE_NAME).exists() and not cut_off:
        raise WrongDrive(
            f'There is the state of another pair "{settings.name}" in {show_text(str(folder))}: move that folder away'
            " first, or use another name for this pair."
        )
    _check_empty(settings, secondary)
    return Proposal(settings.name, "create", sides[0], sides[1], same)


def _check_empty(settings: PairSettings, secondary: Root) -> None:
    if secondary.stat_or_none(COPY) is not None and secondary.names(COPY):
        raise WrongDrive(
            f"The drive at {show_text(str(settings.secondary))} has content in copy/ that no run put there, and no"
            " identity card: nothing was written. Move that content elsewhere, or use another drive."
        )


def _create(
    settings: PairSettings,
    folder: Path,
    primary: Root,
    secondary: Root,
    mounts: tuple[Mount, Mount],
    found: tuple[Found, Found],
    effects: Effects,
) -> None:
    """The secondary first and the primary last: cut off in between, `pair` can be run again."""
    pair_id = new_id()
    now = datetime.now(UTC).replace(microsecond=0)
    primary_card = found[0].card or _new_card(primary, mounts[0], now)
    secondary_card = found[1].card or _new_card(secondary, mounts[1], now)
    on_primary = with_pair(primary_card, PairEntry(pair_id, settings.name, "primary", secondary_card.volume))
    on_secondary = with_pair(secondary_card, PairEntry(pair_id, settings.name, "secondary", primary_card.volume))
    check_layout(secondary, settings, copy_expected=False)
    _forget(folder)  # what a `pair` made that was cut off
    try:
        Manifest.create(folder / FILE_NAME, effects, pair_id=pair_id, pair_name=settings.name).close()
        write_card(secondary.fd, on_secondary, effects, file_system=mounts[1].file_system)
        write_card(primary.fd, on_primary, effects, file_system=mounts[0].file_system)
    except OSError as error:
        raise Failed(
            f'The pair "{settings.name}" could not be made ({error.strerror or error}): make room on both drives, or'
            " run as a user that may write to both, then run `nightferry pair` again."
        ) from error


def _forget(folder: Path) -> None:
    for suffix in ("", "-wal", "-shm"):
        (folder / (FILE_NAME + suffix)).unlink(missing_ok=True)


def _new_card(root: Root, mount: Mount, now: datetime) -> Card:
    return Card(new_id(), now, filesystem_uuid(root.fd, mount) or "", 0, ())
