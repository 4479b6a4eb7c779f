"""A new primary: an empty drive in the place of the one that is gone, filled from the copy and made the pair's primary.

In this order, so that it can be cut off anywhere and the same command goes on:

1. The new drive gets its identity card, which names the pair and its secondary. The secondary's card does not name the
   new drive yet: nothing takes the two for a pair.
2. Everything is restored to it, newest state, as into any folder.
3. The manifest learns the inode numbers and times of its files, in one transaction.
4. The secondary's card names the new drive: from then on they are a pair, and the old primary is a foreign drive.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from nightferry.errors import Busy, Failed, WrongDrive, WrongUse
from nightferry.manifest.asof import NEWEST, AsOf
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.overview import Overview, overview
from nightferry.manifest.rebase import rebase
from nightferry.manifest.records import ROOT_ID, Entry
from nightferry.night.context import Clock, Progress, Stop
from nightferry.night.preflight import (
    check_places,
    lock_pair,
    look_at,
    state_folder,
)
from nightferry.night.proposal import Side, side
from nightferry.night.reading import COARSE_FRESH_S, FRESH_S
from nightferry.night.takeover import care_of, carry_out, decide
from nightferry.recovery.left_out import left_out_note
from nightferry.recovery.restoring import staging
from nightferry.recovery.restoring.meter import Meter
from nightferry.recovery.restoring.origin import Recorded
from nightferry.recovery.restoring.pick import Picker
from nightferry.recovery.restoring.restorer import How, Restorer
from nightferry.recovery.restoring.result import RestoreResult
from nightferry.recovery.restoring.selection import Selection
from nightferry.recovery.restoring.strays import Strays
from nightferry.recovery.restoring.target import Target
from nightferry.recovery.restoring.target_opening import open_target
from nightferry.recovery.writing import open_to_write
from nightferry.settings import PairSettings
from nightferry.tree.content import Buffers
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat
from nightferry.tree.root import Root
from nightferry.units import show_text
from nightferry.volumes.card import Card, PairEntry, new_id, with_pair
from nightferry.volumes.cardfile import write_card
from nightferry.volumes.filesystem import filesystem_uuid
from nightferry.volumes.lock import lock_drive
from nightferry.volumes.mounts import Mount, mount_of, mounted_below
from nightferry.volumes.pairing import Found

# In the manifest's table "meta": the new primary, once its card was about to be written.
_BEGUN = "new_primary"


@dataclass(frozen=True)
class NewPrimary:
    """What was found, for a person to look at before anything is written.

    ``action``: "fill" an empty drive; "go on" where a call before this one was cut off; "join" a drive that is the
    primary of another pair already and has its content; "none": it is the pair's primary.
    ``state``: "none" is to be done about it; "adopt" it from the secondary; "rebuild" it by reading the secondary.
    """

    pair: str
    action: str
    state: str
    primary: Side
    secondary: Side
    found: Overview | None  # what the state says; None where it has to be rebuilt first


def fill_new_primary(
    settings: PairSettings,
    state_dir: Path,
    confirm: Callable[[NewPrimary], bool],
    progress: Progress,
    effects: Effects,
    clock: Clock,
    stop: Stop,
    *,
    bad: bool = False,
) -> RestoreResult | None:
    """Makes the drive at the primary's path the pair's primary; None where ``confirm`` did not agree.

    ``bad``: also where files could not be restored, which the next night then takes for removed.

    Raises ``WrongDrive``, ``WrongUse``, ``Busy`` and ``Failed``.
    """
    how = check_places(settings)
    assert how == "apart"
    with ExitStack() as stack:
        work = _Work(settings, state_dir, progress, effects, clock, stop, stack)
        proposal = work.propose()
        result = RestoreResult(settings.name, settings.primary)
        if proposal.action == "none":
            result.is_primary = True
            result.notes.append("It is the primary of this pair already: nothing was written.")
            return result
        if not confirm(proposal):
            return None
        work.check_unchanged(proposal)
        work.carry_out(proposal, result, bad=bad)
        return result


class _Work:
    def __init__(
        self,
        settings: PairSettings,
        state_dir: Path,
        progress: Progress,
        effects: Effects,
        clock: Clock,
        stop: Stop,
        stack: ExitStack,
    ) -> None:
        self._settings, self._progress = settings, progress
        self._effects, self._clock, self._stop, self._stack = effects, clock, stop, stack
        folder = state_folder(state_dir, settings.name)
        self._folder = folder
        stack.enter_context(lock_pair(state_dir, settings.name, "restore"))
        self._mounts = {"primary": mount_of(settings.primary), "secondary": mount_of(settings.secondary)}
        self._primary = self._open("primary", settings.primary)
        self._secondary = self._open("secondary", settings.secondary)
        what = f"the drive at {show_text(str(settings.secondary))}"
        stack.enter_context(lock_drive(self._secondary.fd, effects, what))
        self._entry, self._secondary_card = self._secondary_is_paired()
        # Without the primary: the one that is there is empty, or half filled, and tells nothing.
        self._care = care_of(settings, folder, None, self._secondary, self._entry, effects)
        self._decision = decide(self._care, alone=True)

    def _open(self, role: str, path: Path) -> Root:
        shown = show_text(str(path))
        if self._mounts[role].read_only:
            raise WrongDrive(
                f"The {role} at {shown} is mounted read-only, and has to be written to: mount it for writing, then give"
                " the same command again."
            )
        try:
            fd = self._effects.open(os.path.realpath(path), os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
        except OSError as error:
            raise WrongDrive(
                f"The {role} at {shown} cannot be opened ({error.strerror}): run as a user that may read and write it."
            ) from error
        root = Root(fd, self._effects)
        self._stack.callback(root.close)
        return root

    def _secondary_is_paired(self) -> tuple[PairEntry, Card]:
        settings = self._settings
        found = look_at(settings.secondary, self._secondary.fd, self._effects)
        entry = _entry(found, settings.name)
        if found.card is None or entry is None or entry.role != "secondary" or found.moved is not None:
            raise WrongDrive(
                f"The drive at {show_text(str(settings.secondary))} is not the secondary of the pair"
                f' "{settings.name}"{"" if found.moved is None else f": {found.moved}"}; nothing was written. Plug in'
                " and mount the right one."
            )
        return entry, found.card

    # --- what is found

    def propose(self) -> NewPrimary:
        found = look_at(self._settings.primary, self._primary.fd, self._effects)
        action = self._action(found)
        settings = self._settings
        return NewPrimary(
            settings.name, action, self._decision.action,
            side("primary", settings.primary, self._primary, self._mounts["primary"], has_card=found.card is not None),
            side("secondary", settings.secondary, self._secondary, self._mounts["secondary"], has_card=True),
            self._overview(),
        )  # fmt: skip

    def check_unchanged(self, shown: NewPrimary) -> None:
        """Once a person agreed. Raises ``Busy`` where the new drive is not as it was shown."""
        if self._action(look_at(self._settings.primary, self._primary.fd, self._effects)) != shown.action:
            raise Busy(
                f"Something has changed on the drive at {show_text(str(self._settings.primary))} while the question"
                " stood: nothing was written. Give the same command again, and look at what it shows."
            )

    def _action(self, found: Found) -> str:
        shown, name = show_text(str(self._settings.primary)), self._settings.name
        if found.moved is not None:
            raise WrongDrive(
                f"The identity card at {shown} was copied there from another drive ({found.moved}): nothing was"
                " written. Delete that card, if this is the new drive."
            )
        entry = _entry(found, name)
        if found.card is not None and entry is not None:
            if (entry.id, entry.role, entry.partner) != (self._entry.id, "primary", self._secondary_card.volume):
                raise WrongDrive(
                    f'The drive at {shown} belongs to another pair named "{name}": nothing was written. Mount the new'
                    " drive there."
                )
            if self._entry.partner == found.card.volume:
                return "none"
            if self._begun() != found.card.volume:
                raise WrongDrive(
                    f'The drive at {shown} was the primary of the pair "{name}" before, and another one has taken its'
                    " place: nothing was written. Plug that one in; or, to fill this drive anew, make a new, empty file"
                    " system on it first."
                )
            return "go on"
        if found.card is not None and found.card.pairs:
            if any(each.role == "secondary" for each in found.card.pairs):
                raise WrongDrive(
                    f'The drive at {shown} is the secondary of the pair "{show_text(found.card.pairs[0].name)}":'
                    " nothing was written. Mount the new drive there."
                )
            return "join"
        names = [each for each in self._primary.names(b"") if each not in staging.OWN_NAMES]
        if names:
            raise WrongDrive(
                f"The drive at {shown} is not empty ({len(names)} {'name' if len(names) == 1 else 'names'} at its top):"
                " nothing was written. A new primary has to be an empty drive; to get files back onto one in use,"
                " restore into a folder elsewhere with --into, and copy from there."
            )
        return "fill"

    def _begun(self) -> str | None:
        """The volume id of the drive that a call before this one began to fill."""
        if self._decision.action != "none":
            return None  # what is known here does not tell
        with Manifest.look(self._folder / FILE_NAME, self._effects, in_use=False) as manifest:
            return manifest.database.meta(_BEGUN)

    def _overview(self) -> Overview | None:
        """Of the state that counts: the one here, or the one to be taken over; None where there is none yet."""
        if self._decision.action != "none":
            return self._decision.found
        with Manifest.look(self._folder / FILE_NAME, self._effects, in_use=False) as manifest:
            return overview(manifest)

    # --- what is done

    def carry_out(self, proposal: NewPrimary, result: RestoreResult, *, bad: bool) -> None:
        began_s = self._clock.monotonic_s()
        manifest = self._open_state()
        self._finish_cut_off(manifest)
        card = self._write_primary_card(manifest)
        if proposal.action == "join":
            result.notes.append(
                "This drive has its content already, so nothing was restored: the next night compares all of it with"
                " the copy, reading each file once."
            )
        else:
            self._restore(manifest, result, bad=bad)
        if not result.stopped and self._may_become(result, bad=bad):
            self._write_secondary_card(card)
            result.is_primary = True
        result.seconds = self._clock.monotonic_s() - began_s

    def _open_state(self) -> Manifest:
        if self._decision.action != "none":
            self._progress.phase("take over the state")
            carry_out(self._care, self._decision)
        manifest = Manifest.open(self._folder / FILE_NAME, self._effects)
        self._stack.callback(manifest.close)
        if manifest.entries.by_id(ROOT_ID) is None or manifest.runs.last() is None:
            raise WrongUse(
                f'No night has run over "{self._settings.name}" yet, so there is nothing to restore: to begin with two'
                " new drives, remove the identity card from the secondary and make them a pair."
            )
        return manifest

    def _finish_cut_off(self, manifest: Manifest) -> None:
        """What a night that was cut off had begun on the secondary, and no night can finish without a primary."""
        buffers = Buffers()
        self._stack.callback(buffers.close)
        open_to_write(
            self._settings, manifest, self._secondary, self._mounts["secondary"], self._effects, buffers, self._stop,
            ask=True,
        )  # fmt: skip

    def _write_primary_card(self, manifest: Manifest) -> Card:
        """The card of the new drive, which has the pair from the start: see above."""
        settings = self._settings
        present = look_at(settings.primary, self._primary.fd, self._effects).card
        if present is not None and any(each.id == self._entry.id for each in present.pairs):
            return present
        card = present or Card(
            new_id(), datetime.now(UTC).replace(microsecond=0),
            filesystem_uuid(self._primary.fd, self._mounts["primary"]) or "", 0, (),
        )  # fmt: skip
        with manifest.database.transaction():
            manifest.database.set_meta(_BEGUN, card.volume)
        entry = PairEntry(self._entry.id, settings.name, "primary", self._secondary_card.volume)
        return self._write(self._primary, with_pair(card, entry), self._mounts["primary"])

    def _write_secondary_card(self, primary: Card) -> None:
        entry = PairEntry(self._entry.id, self._settings.name, "secondary", primary.volume)
        self._write(self._secondary, with_pair(self._secondary_card, entry), self._mounts["secondary"])

    def _write(self, root: Root, card: Card, mount: Mount) -> Card:
        try:
            return write_card(root.fd, card, self._effects, file_system=mount.file_system)
        except OSError as error:
            raise Failed(
                f"The identity card on {show_text(os.fsdecode(mount.mount_point))} could not be written"
                f" ({error.strerror or error}): make room there, or run as a user that may write there, then give the"
                " same command again, which goes on where this one stopped."
            ) from error

    def _restore(self, manifest: Manifest, result: RestoreResult, *, bad: bool) -> None:
        last = manifest.runs.last()
        assert last is not None
        result.night, result.night_s = last.number, last.started_s
        with ExitStack() as stack:
            origin = Recorded(manifest, AsOf(manifest, NEWEST), self._secondary)
            result.notes.extend(filter(None, [left_out_note(manifest, last.number, Selection())]))
            strays = Strays(manifest, self._secondary, self._effects, self._stop)
            stack.callback(strays.close)
            picker = Picker(origin, self._secondary, manifest, None, strays, self._stop)
            stack.callback(picker.close)
            buffers, more_buffers = Buffers(), Buffers()
            stack.callback(buffers.close)
            stack.callback(more_buffers.close)
            meter = Meter(self._progress)
            target, _ = stack.enter_context(
                open_target(
                    self._settings.primary, self._effects, buffers, should_stop=self._stop, progress=meter.advance
                )
            )
            target.is_ours = True  # its top is that of the old primary
            restorer = Restorer(
                origin, picker, target, Selection(), How(bad=bad), result, self._effects, more_buffers, meter,
                self._clock, self._stop,
            )  # fmt: skip
            stack.callback(restorer.close)
            restorer.check_room("it takes a larger drive; mount that one there, and give the same command again.")
            restorer.run()
            if not result.stopped and self._may_become(result, bad=bad):
                self._progress.phase("make it known")
                self._rebase(manifest, target)

    def _may_become(self, result: RestoreResult, *, bad: bool) -> bool:
        missing = result.bad.count + result.refused.count + result.damaged.count
        if missing and not bad:
            note = (
                "It is not the primary of the pair yet: the next night would take what could not be restored for"
                " removed, and retire it on the secondary. Put it right if you can, and give the same command again; or"
                " add --bad to go on without it."
            )
            if note not in result.notes:
                result.notes.append(note)
        return bad or not missing

    def _rebase(self, manifest: Manifest, target: Target) -> None:
        step_ns = target.can.time_granularity_ns
        # What was written last must be older than the clock's step before its times say that nobody changed it.
        self._clock.sleep(COARSE_FRESH_S if step_ns >= 1_000_000_000 else FRESH_S)
        below = mounted_below(self._settings.primary)

        def look(path: bytes, entry: Entry) -> Stat | None:
            try:
                found = target.root.stat_or_none(path)
                now = None if found is None or path in below else Stat.of(found)
            except (OSError, KeyError):
                return None
            if now is None or now.kind is not entry.stat.kind:
                return None
            if now.kind is Kind.FILE and now.size_bytes != entry.stat.size_bytes:
                return None
            # Somebody may have written to it since it was restored: then the night reads it.
            return now if abs(now.mtime_ns - entry.stat.mtime_ns) < step_ns else None

        try:
            rebase(manifest, look)
        finally:
            target.root.forget_all()


def _entry(found: Found, name: str) -> PairEntry | None:
    return next((each for each in found.card.pairs if each.name == name), None) if found.card else None
