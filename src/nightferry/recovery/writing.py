"""The secondary, written to by a command: by the commit protocol of a night, and after what was cut off is finished."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from typing import NamedTuple

from nightferry.errors import Failed
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import Intent
from nightferry.night import counters
from nightferry.night.abilities import remembered
from nightferry.night.carry import Carrier
from nightferry.night.commit import drive_failed
from nightferry.night.platter import Platter
from nightferry.night.preflight import check_layout
from nightferry.night.reconcile import reconcile
from nightferry.settings import PairSettings
from nightferry.tree.content import Buffers
from nightferry.tree.durability import Barrier, SyncFailed
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root
from nightferry.units import show_text
from nightferry.volumes.capabilities import Capabilities, probe
from nightferry.volumes.mounts import Mount


class Writable(NamedTuple):
    """``can``: what its file system can hold."""

    manifest: Manifest
    root: Root
    can: Capabilities
    barrier: Barrier

    def commit(self, intents: Sequence[Intent], run: int) -> None:
        """Carries out what changes ``retired/`` alone, durably; for a few intents. Raises ``Failed``.

        What was staged for them is withdrawn where the drive would not make it durable.
        """
        carrier = Carrier(self.root, self.barrier, self.can)
        journal = self.manifest.journal
        journal.write(intents, run)
        try:
            self._count(done=0)
            self.barrier.wait()
        except SyncFailed as error:
            for intent in intents:
                carrier.withdraw(intent)
            journal.settle([], run)
            raise drive_failed(error) from error
        try:
            for intent in intents:
                carrier.carry_out(intent)
            self._count(done=1)
            self.barrier.wait()
        except OSError as error:  # the journal has it: the next to write here finishes it
            raise drive_failed(error) from error
        journal.settle(intents, run)

    def _count(self, *, done: int) -> None:
        here = self.manifest.journal.counters()
        for _ in range(2):  # an error that passes would cost the next night a look at the whole drive
            counters.write(self.root, self.barrier, here._replace(done=here.done + done))


def open_to_write(
    settings: PairSettings,
    manifest: Manifest,
    secondary: Root,
    mount: Mount,
    effects: Effects,
    buffers: Buffers,
    should_stop: Callable[[], bool],
    *,
    ask: bool,
) -> Writable:
    """Finishes what a night or a command that was cut off had begun there, and empties ``staging/``.

    ``ask``: its file system is tried out, as a night does; without, what the last night found is taken where known.

    Raises ``WrongDrive``, ``Failed`` and ``Stopped``.
    """
    shown = show_text(str(settings.secondary))
    if mount.read_only:
        raise Failed(
            f"The secondary at {shown} is mounted read-only, and has to be written to: what is displaced is kept there"
            " first. Mount it for writing, then give the same command again. A file system with errors is often"
            " remounted so: then look into the system log and check the file system first."
        )
    check_layout(secondary, settings, copy_expected=True)
    can = None if ask else remembered(manifest, mount.file_system)
    if can is None:
        try:
            can = probe(secondary.folder(b"staging"), effects, as_root=os.geteuid() == 0, file_system=mount.file_system)
        except OSError as error:
            raise Failed(
                f"The secondary at {shown} cannot be written ({error.strerror}): make room on it, or see the system log"
                " for that drive."
            ) from error
    barrier = Barrier(secondary, syncfs_covers=can.syncfs_covers)
    platter = Platter(mount, effects, buffers, direct_reads=can.direct_reads)
    reconcile(manifest, secondary, can, barrier, platter, should_stop)
    return Writable(manifest, secondary, can, barrier)
