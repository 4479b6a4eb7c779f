"""Two nights over recorded disks, and what must hold on whatever a power cut left of them.

The secondary and the disk with the state directory are recorded together (recorder.py); the primary is on a drive of
its own, which a night only reads. What has to hold of an image is what has to hold of any crash (crash_world.py).
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from pathlib import Path

import pytest
from crash_images import Builder, Choice, Disk, sparse_copy
from crash_world import (
    FOREIGN,
    World,
    changes,
    claims_of,
    copy_of,
    different,
    first_tree,
    look,
    primary_of,
    replace,
    retired_of,
    write,
)
from file_systems import PRIMARY, FileSystem, NotMounted, make_image
from harness import Pair
from quick_drive import QuickDrive
from recorder import MARK, Event, Recorder

from drives import CommandError, Drive, run
from nightferry.errors import NightferryError
from nightferry.night.run import Result
from nightferry.tree.durability import Barrier

WHOLE = Choice("all", 0)
DECAYED = "archive/right/one.txt"


def changes_again(root: Path) -> None:
    """For the night after ``changes``: one of each kind once more."""
    spring, advent, archive = root / "2026-05 spring concert", root / "2025-12 advent", root / "archive"
    write(root / "2027-01 new year/01 overture.wav", b"overture" * 30_000)
    for number in range(12):
        write(root / f"2027-01 new year/parts/{number:02d}.txt", f"part {number}\n" * (number * 40 + 1))
    write(spring / "01 kyrie.wav", b"Kyrie, mastered" * 4_000)
    replace(spring / "02 gloria.wav", "gloria, cut once more\n" * 400)
    os.truncate(spring / "03 credo.wav", 3)
    os.rename(spring / "pictures", archive / "pictures")
    os.rename(root / "encore.wav", spring / "06 encore.wav")
    os.rename(archive / "left", archive / "x")
    os.rename(archive / "swap a.txt", archive / "left")
    os.rename(archive / "x", archive / "swap a.txt")
    (advent / "introit.wav").unlink()
    (advent / "pair again.wav").unlink()
    (archive / "becomes file").unlink()
    write(archive / "becomes file/a folder again.txt", "a folder again")
    shutil.rmtree(root / "rehearsals of advent")
    (root / "best").unlink()
    (root / "best").symlink_to("2027-01 new year/01 overture.wav")
    os.link(root / "single.wav", root / "single, third name.wav")
    (root / "members.txt").chmod(0o640)
    os.setxattr(spring, "user.place", b"church")


def commit_journal(barrier: Barrier) -> None:
    """What the kernel does by itself every few seconds (ext4(5), commit=5), which a small night is too short to meet.

    fsync(2) of a folder commits the journal with all names that changed, and need not wait for the data of other files.
    """
    with suppress(OSError):
        os.fsync(barrier._root.folder(b"staging"))


@contextmanager
def kernel_commits() -> Iterator[None]:
    """Before every second barrier, so that a log has both: names that are there before their barrier, and not."""
    real, waits = Barrier.wait, []

    def wait(self: Barrier) -> None:
        waits.append(None)
        if len(waits) % 2:
            commit_journal(self)
        real(self)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Barrier, "wait", wait)
        yield


class Night(World):
    """One recorded night, with what was before it and what an undisturbed one leads to."""

    def __init__(
        self, box: Box, number: int, expired: int, breaking: Callable[[], AbstractContextManager[None]]
    ) -> None:
        self.number = number
        self.base = box.folder
        self.pair = box.pair
        self.primary_image = box.folder / f"primary-{number}.img"
        self.decayed = frozenset({DECAYED.encode()}) if number == 2 else frozenset()
        self.primary = primary_of(box.pair)
        self.before = copy_of(box.pair)
        self.retired_before = retired_of(box.pair)
        self.shift_s = box.pair.clock.shift_s
        box.mark(f"night {number} begins")
        with breaking():
            result = box.pair.run_well()
        box.mark(f"night {number} ended")
        assert result.tally.expired == expired
        assert result.tally.mended == (number == 2)
        self.after = copy_of(self.pair)
        assert different(self.primary, self.after) == []
        self.retired_after = retired_of(self.pair)
        self.claims_after = claims_of(self.pair, self.base / "looked at")
        self.begins = self.ends = 0  # events of the log
        self.listings = {}

    def check_held_is_known(self) -> None:
        """What stands below ``retired/`` is what the manifest says."""
        self._check_held(claims_of(self.pair, self.base / "looked at"))


class Box:
    """A pair on recorded disks. Use as a context; all is taken apart at its end.

    Within ``breaking`` the recorded nights run: by a nightferry that somebody broke on purpose.
    """

    def __init__(
        self,
        folder: Path,
        secondary: FileSystem,
        state: FileSystem,
        *,
        breaking: Callable[[], AbstractContextManager[None]] = kernel_commits,
    ) -> None:
        self.folder = folder
        self.systems = (secondary, state)
        self._breaking = breaking
        self._stack = ExitStack()
        self._recorder: Recorder | None = None
        self._mounted_primary: Path | None = None
        self._cut: dict[int, QuickDrive] = {}  # the images of a cut that are mounted
        self.nights: list[Night] = []
        self.events: list[Event] = []

    def __enter__(self) -> Box:
        try:
            self._prepare()
            self._record()
        except BaseException:
            self._stack.close()
            raise
        return self

    def __exit__(self, *exc: object) -> None:
        self._stack.close()
        for image in self.folder.glob("*.img"):
            image.unlink()

    # --- recording

    def _drive(self, name: str, system: FileSystem) -> Drive:
        image = self.folder / f"{name}.img"
        make_image(image, system)
        drive = Drive(system.kind, image, self.folder / f"mnt-{name}", system.options)
        self._stack.callback(drive.detach)
        drive.mount()
        for empty in drive.root.iterdir():
            empty.rmdir()  # lost+found: the copy's drive holds what we put there
        return drive

    def _prepare(self) -> None:
        """A pair whose next night lets a version expire, as in crash_world.World."""
        self.folder.mkdir(parents=True, exist_ok=True)
        self.primary_drive = self._drive("primary", PRIMARY)
        self.disks = [self._drive("secondary", self.systems[0]), self._drive("state", self.systems[1])]
        self.pair = Pair(
            self.primary_drive, self.disks[0], self.disks[1].root, keep_retired="3d", keep_retired_at_least="0d",
            verify_cycle="1d",
        )  # fmt: skip
        root = self.pair.primary
        first_tree(root)
        self._night()
        write(root / "old draft.txt", "old draft, second")
        self._night()
        write(root / "young draft.txt", "young draft, second")
        self._night()
        self._night()
        self._night()

    def _night(self) -> None:
        self.pair.clock.pass_days(1)
        self.pair.run_well()

    def _record(self) -> None:
        images = {}
        for name, drive in zip(("secondary", "state"), self.disks, strict=True):
            # Synced, and files of their own from here on: where another process made a mount namespace just now, the
            # drive stays mounted there.
            drive.sync()
            drive.detach()
            images[name] = self.folder / f"recorded-{name}.img"
            for copy in (self.folder / f"base-{name}.img", images[name]):
                sparse_copy(drive.image, copy)
        with self._recording(images) as recorded:
            changes(self.pair.primary)
            # Something that no run put there: where a name is about to come, and in a folder about to go.
            write(self.pair.copy / FOREIGN, "not ours")
            write(self.pair.copy / "archive/1998/not ours either.txt", "not ours either")
            # The young draft has its three nights only after this one, and its three days not yet.
            self._recorded_night(recorded, days=0.9, expired=1)
            changes_again(self.pair.primary)
            self._decay()
            self._recorded_night(recorded, days=2, expired=1)
        self.primary_drive.detach()
        for number, night in enumerate(self.nights, start=1):
            night.begins = self._place_of(f"night {number} begins")
            night.ends = self._place_of(f"night {number} ended")
        self._builders = [
            Builder(self.events, n, self.folder / f"base-{name}.img", self.folder) for n, name in enumerate(images)
        ]
        for night in self.nights:
            if self._breaking is kernel_commits:
                self._remember_listings(night)
            else:  # what it left may be too broken for a quiet night, which is for the checks to find
                with suppress(AssertionError, NightferryError):
                    self._remember_listings(night)

    @contextmanager
    def _recording(self, images: dict[str, Path]) -> Iterator[list[Drive]]:
        """Both disks mounted where they were, and each write and flush of theirs recorded in ``self.events``."""
        with Recorder(self.folder, images) as recorder:
            self._recorder = recorder
            recorded = [
                Drive(system.kind, recorder.image(name), drive.root, system.options)
                for name, drive, system in zip(images, self.disks, self.systems, strict=True)
            ]
            with ExitStack() as stack:
                for drive in recorded:
                    stack.callback(_forget, drive)
                    drive.mount()
                yield recorded
            self.events = recorder.log()
            self._recorder = None

    def _remember_listings(self, night: Night) -> None:
        """Those that a quiet night leaves, after the undisturbed one."""
        with self.mounted(night, (night.ends, WHOLE), (night.ends, WHOLE)):
            night.pair.run_quiet()
            found = claims_of(night.pair, self.folder / "looked at").entries
            night.listings = {path: row[-1] for path, row in found.items()}

    def _recorded_night(self, recorded: list[Drive], *, days: float, expired: int) -> None:
        self.pair.clock.pass_days(days)
        number = len(self.nights) + 1
        self.primary_drive.sync()
        sparse_copy(self.primary_drive.image, self.folder / f"primary-{number}.img")
        for drive in recorded:
            drive.sync()
        self.nights.append(Night(self, number, expired, self._breaking))

    def _decay(self) -> None:
        path = self.pair.copy / DECAYED
        before = path.stat()
        content = path.read_bytes()
        path.write_bytes(bytes([content[0] ^ 1]) + content[1:])
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))

    def mark(self, text: str) -> None:
        assert self._recorder is not None
        self._recorder.mark(text)

    def _place_of(self, text: str) -> int:
        return next(n for n, each in enumerate(self.events) if each.kind == MARK and each.data == text.encode())

    # --- images

    def fingerprint(self, secondary: tuple[int, Choice], state: tuple[int, Choice]) -> tuple[object, ...]:
        """The same for images that are the same."""
        return tuple(builder.fingerprint(*cut) for builder, cut in zip(self._builders, (secondary, state), strict=True))

    def keep(self, where: Path, name: str, secondary: tuple[int, Choice], state: tuple[int, Choice]) -> None:
        """Puts the two images of a cut somewhere to be looked at, beside the primary's."""
        where.mkdir(parents=True, exist_ok=True)
        for which, cut in enumerate((secondary, state)):
            self._builders[which].build(*cut, where / f"{name}-{('secondary', 'state')[which]}.img")

    @property
    def recorded_disks(self) -> list[Disk]:
        return [builder.disk for builder in self._builders]

    @contextmanager
    def mounted(
        self, night: Night, secondary: tuple[int, Choice], state: tuple[int, Choice], *, may_pair: bool = False
    ) -> Iterator[None]:
        """Both disks as they may be after a cut, mounted where they were, beside the primary of that night.

        ``may_pair``: the primary is a copy that can be written, since `pair` writes a card there.

        Raises ``NotMounted`` where a file system does not survive it.
        """
        self._show_primary(night, writable=may_pair)
        self.pair.clock.shift_s = night.shift_s
        with ExitStack() as stack:
            for which, (at, choice) in enumerate((secondary, state)):
                image = self.folder / f"cut-{which}.img"
                self._builders[which].build(at, choice, image)
                system = self.systems[which]
                drive = QuickDrive(system.kind, image, self.disks[which].root, system.options)
                self._cut[which] = drive
                stack.callback(_forget, drive)
                try:
                    drive.mount()
                except CommandError as error:
                    raise NotMounted(f"{('secondary', 'state')[which]}: {error}") from error
            yield

    def check_file_system(self) -> None:
        """What a person does who is told that the secondary's file system is damaged."""
        drive = self._cut[0]
        drive.unmount()
        tool = {"ext4": ("e2fsck", "-f", "-y"), "xfs": ("xfs_repair",)}  # btrfs asks not to be repaired without advice
        run(*tool[drive.kind], drive.device, check=False)
        drive.mount()

    @contextmanager
    def again(
        self, night: Night, secondary: tuple[int, Choice], state: tuple[int, Choice]
    ) -> Iterator[tuple[int, int]]:
        """Records the night that follows a cut. Within the context images come from that log: where it begins and ends.

        Raises ``NotMounted`` where a file system does not survive the cut.
        """
        first, folder = self._builders, self.folder / "again"
        images = {name: self.folder / f"again-{name}.img" for name in ("secondary", "state")}
        for builder, cut, (name, image) in zip(first, (secondary, state), images.items(), strict=True):
            builder.build(*cut, image)
            sparse_copy(image, self.folder / f"again-base-{name}.img")
        events = self.events
        self._show_primary(night, writable=False)
        self.pair.clock.shift_s = night.shift_s
        try:
            try:
                with self._recording(images) as recorded:
                    self.mark("begins")
                    with kernel_commits():
                        night.run()
                    for drive in recorded:
                        drive.sync()
                    self.mark("ended")
            except CommandError as error:
                raise NotMounted(f"{error}") from error
            folder.mkdir(exist_ok=True)
            self._builders = [
                Builder(self.events, n, self.folder / f"again-base-{name}.img", folder) for n, name in enumerate(images)
            ]
            yield self._place_of("begins"), self._place_of("ended")
        finally:
            self.events, self._builders = events, first

    def _show_primary(self, night: Night, *, writable: bool) -> None:
        if self._mounted_primary == night.primary_image and not writable:
            return
        self.primary_drive.detach()
        image = night.primary_image
        if writable:
            image = self.folder / "primary-to-write.img"
            sparse_copy(night.primary_image, image)
        self.primary_drive = QuickDrive(PRIMARY.kind, image, self.primary_drive.root, PRIMARY.options)
        self._stack.callback(self.primary_drive.detach)
        self.primary_drive.mount(read_only=not writable)
        self._mounted_primary = image

    def check(self, night: Night, secondary: tuple[int, Choice], state: tuple[int, Choice]) -> None:
        """Rules B and D on what the cut left, and rule E after the next night."""
        with self.mounted(night, secondary, state):
            night.check_interrupted()
            result = night.run()
            assert isinstance(result, Result), f"the next night did not begin: {result}"
            assert result.outcome == "complete", f"{result.outcome}: {result.failure} {result.notes}"
            night.check_recovered()


def standing(pair: Pair) -> set[tuple[str, bytes]]:
    """Every content on the secondary, in the copy or retired."""
    found = [*copy_of(pair).values(), *look(pair.retired).values()]
    return {(thing.kind, thing.content) for thing in found if thing.kind != "d"}


def _forget(drive: Drive) -> None:
    drive.detach()
    if drive.kind == "btrfs":
        # The kernel remembers file systems by their UUID, and the next image has the same one.
        run("btrfs", "device", "scan", "--forget", check=False)
