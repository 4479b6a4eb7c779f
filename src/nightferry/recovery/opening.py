"""A pair, opened for a command that works on damage: locked, both drives and the manifest in hand."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from nightferry.errors import Failed, NotAPair, WrongUse
from nightferry.manifest.fixity import Side
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.records import ROOT_ID
from nightferry.night import counters
from nightferry.night.platter import Platter
from nightferry.night.preflight import Drives, lock_pair, open_drives, open_manifest, state_folder
from nightferry.settings import PairSettings
from nightferry.tree.content import Buffers
from nightferry.tree.effects import Effects
from nightferry.volumes.capabilities import syncfs_covers
from nightferry.volumes.filesystem import file_system_type
from nightferry.volumes.lock import lock_drive
from nightferry.volumes.mounts import mount_of

# A look must not try a file system out, since that writes.
_WITHOUT_SYMLINKS = frozenset({"exfat", "vfat", "msdos", "fuseblk"})

SIDES: tuple[Side, Side] = ("primary", "secondary")


@dataclass
class Opened:
    """``direct``: on which side O_DIRECT reads past every cache; not where a program serves the file system (FUSE).

    ``symlinks``: whether the copy has any, where the primary has.
    """

    settings: PairSettings
    manifest: Manifest
    drives: Drives
    effects: Effects
    buffers: Buffers
    direct: dict[Side, bool]
    symlinks: bool = True
    mend: bool = False  # the primary is open for writing

    @property
    def last_run(self) -> int:
        """The number of the newest run, 0 before the first."""
        last = self.manifest.runs.last()
        return 0 if last is None else last.number

    def forget_caches(self) -> None:
        """Drops what the machine remembers of a drive whose cache cannot be passed by."""
        paths: dict[Side, Path] = {"primary": self.settings.primary, "secondary": self.settings.secondary}
        for side, path in paths.items():
            if not self.direct[side]:
                Platter(mount_of(path), self.effects, self.buffers, direct_reads=False).forget()


@contextmanager
def open_pair(
    settings: PairSettings, state_dir: Path, command: str, effects: Effects, *, mend: bool = False
) -> Iterator[Opened]:
    """Both locks are held within the block. ``mend`` opens the primary for writing.

    Raises ``Busy``, ``WrongDrive``, ``WrongUse`` (no pair yet, or no night yet) and ``Failed``.
    """
    if not (state_folder(state_dir, settings.name) / FILE_NAME).exists():
        raise NotAPair(settings.name)
    with ExitStack() as stack:
        folder = stack.enter_context(lock_pair(state_dir, settings.name, command))
        try:
            drives = stack.enter_context(open_drives(settings, effects, to_write=False, mend=mend))
            stack.enter_context(lock_drive(drives.secondary.fd, effects, f"the drive at {settings.secondary}"))
            manifest = open_manifest(folder, settings, drives, effects, to_write=True)
        except OSError as error:
            raise Failed(
                f"A drive stopped answering ({error.strerror or error}): see the system log, check cable and power,"
                " then try again."
            ) from error
        stack.callback(manifest.close)
        if manifest.entries.by_id(ROOT_ID) is None:
            raise WrongUse(
                f'No night has run over "{settings.name}" yet, so nothing is known of its files: run'
                f" `nightferry run {settings.name}` first."
            )
        if counters.who_lost(manifest.journal, counters.read(drives.secondary)) is not None:
            raise Failed(
                f'The state of "{settings.name}" and its secondary are of different moments of a night, since one of'
                f" their disks lost what it had called durable: run `nightferry run {settings.name}` first, which looks"
                " at what stands there and says which of the two it was."
            )
        buffers = Buffers()
        stack.callback(buffers.close)
        direct: dict[Side, bool] = {
            "primary": syncfs_covers(file_system_type(settings.primary)),
            "secondary": syncfs_covers(file_system_type(settings.secondary)),
        }
        symlinks = file_system_type(settings.secondary) not in _WITHOUT_SYMLINKS
        yield Opened(settings, manifest, drives, effects, buffers, direct, symlinks, mend)


def path_in_pair(settings: PairSettings, given: bytes) -> bytes:
    """A path as the manifest has it, from one that a person gave: relative to the drive, or a whole path on it.

    Raises ``WrongUse`` for a path that leads out of the pair.
    """
    path = given
    if path.startswith(b"/"):
        roots = (bytes(settings.secondary) + b"/copy", bytes(settings.primary))
        below = next((path[len(root) :] for root in roots if path == root or path.startswith(root + b"/")), None)
        if below is None:
            raise WrongUse("A path that begins with / has to lie on the primary, or in copy/ on the secondary.")
        path = below
    parts = [part for part in path.split(b"/") if part not in (b"", b".")]
    if b".." in parts:
        raise WrongUse('A path may not have ".." in it: give it as it stands below the top of the drive.')
    return b"/".join(parts)
