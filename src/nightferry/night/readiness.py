"""Is all ready for tonight: what a preflight finds out about one pair, and about the box.

Looks only. The one thing written is what tries out the secondary's file system: a folder in its ``staging/``, for some
milliseconds, gone again afterwards. Nothing is written on the primary, nothing is kept, nothing is put right.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from nightferry.errors import AbsentDrive, Busy, NightferryError
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.night.context import STAGING, Clock
from nightferry.night.error_counts import Devices, as_last_night_left, device_of
from nightferry.night.preflight import (
    Drives,
    check_places,
    check_state,
    check_state_is_there,
    open_drives,
    state_folder,
)
from nightferry.planning import drive_findings, findings
from nightferry.planning.absence import absence
from nightferry.planning.dates import NIGHTS_ASKED, judge
from nightferry.planning.findings import Finding, State, ok, unknown
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects
from nightferry.units import format_duration, show_text
from nightferry.volumes import clock as box_clock
from nightferry.volumes import smart, sysfs
from nightferry.volumes.capabilities import probe
from nightferry.volumes.filesystem import filesystem_uuid, keeps_inode_numbers, room
from nightferry.volumes.fstab import FSTAB, UNITS
from nightferry.volumes.fstab import find as find_in_fstab
from nightferry.volumes.io_errors import Counted, count_errors
from nightferry.volumes.lock import holder, lock_drive
from nightferry.volumes.mounts import is_mount_point, mount_of

# Kinds of drives that have a health of their own to ask for.
_REAL = frozenset({"usb", "sata", "nvme", None})


@dataclass(frozen=True)
class Sources:
    """Where is looked; tests lay out others."""

    sysfs: Path = sysfs.SYSFS
    fstab: Path = FSTAB
    units: Path = UNITS
    smart_tool: str = "smartctl"


@dataclass
class _Known:
    """What the manifest says that matters before a night."""

    errors: dict[str, Counted]  # by role, as the last night left them
    dates: tuple[float, ...] = ()  # of the last nights, oldest first
    completed_s: float | None = None
    nights: int = 0


def of_box(sources: Sources, clock_behind_s: float | None = None) -> list[Finding]:
    """What concerns all pairs."""
    chip = box_clock.has_clock_chip(sources.sysfs)
    return [
        findings.clock(box_clock.is_synchronised(), chip, clock_behind_s),
        findings.under_voltage(sysfs.under_voltage(sources.sysfs)),
        findings.network(sysfs.network_speed_mbit_per_s(sources.sysfs)),
        findings.third_copy(),
    ]


def of_pair(
    settings: PairSettings, state_dir: Path, effects: Effects, clock: Clock, sources: Sources
) -> tuple[list[Finding], float | None]:
    """All findings of one pair; and by how many seconds the clock is behind its last nights, None where it is not."""
    folder = state_folder(state_dir, settings.name)
    is_busy = holder(folder / "lock") is not None
    known = _known(folder / FILE_NAME, effects, in_use=is_busy)
    found: list[Finding] = []
    try:
        check_places(settings)
    except NightferryError as error:
        found.append(_refused(settings, error, known, clock))
    else:
        found += _identity(settings, folder, effects, known, is_busy=is_busy)
    found += _hardware(settings, effects, known, sources)
    behind_s = None
    if known is not None and not judge(known.dates, clock.now_s()).fits:
        behind_s = max(known.dates) - clock.now_s()
    return found, behind_s


def _refused(settings: PairSettings, error: NightferryError, known: _Known | None, clock: Clock) -> Finding:
    """A drive that is not there; of a secondary that may be away, how old its copy is."""
    if isinstance(error, AbsentDrive) and error.role == "secondary":
        completed_s = None if known is None else known.completed_s
        away = absence(completed_s, clock.now_s(), settings.may_be_absent.total_seconds())
        if away.allowed:
            return Finding(
                State.NOTE, "identity", "secondary",
                f"The secondary is away; the copy on it is {format_duration(away.age_s or 0.0)} old.",
                "It may be away for so long (may_be_absent); no night can run meanwhile.",
                "Bring it back and plug it in.",
            )  # fmt: skip
    about = error.role if isinstance(error, AbsentDrive) else "pair"
    return Finding.failure("identity", about, error, error.exit_code)


# --- identity, and what needs the drives to be the right ones


def _identity(
    settings: PairSettings, folder: Path, effects: Effects, known: _Known | None, *, is_busy: bool
) -> Iterator[Finding]:
    with ExitStack() as stack:
        try:
            drives = stack.enter_context(open_drives(settings, effects, to_write=False))
            check_state_is_there(folder, settings)
            with Manifest.look(folder / FILE_NAME, effects, in_use=is_busy) as manifest:
                check_state(manifest, folder, settings, drives)
        except Busy as error:
            yield unknown("identity", "pair", "Whether the state belongs to these drives", str(error))
        except NightferryError as error:
            yield Finding.failure("identity", "pair", error, error.exit_code)
            return
        except OSError as error:
            yield _no_answer("pair", error)
            return
        else:
            yield ok("identity", "pair", "Both drives are the paired ones, and the state here is theirs.")
        yield from _secondary(settings, drives, effects, known, is_busy=is_busy)
        yield from _primary(settings, drives)


def _primary(settings: PairSettings, drives: Drives) -> Iterator[Finding]:
    if drives.kernel_enforced:
        yield ok("read_only", "primary", "A night opens it through a view that the kernel keeps read-only.")
    else:
        yield Finding(
            State.NOTE, "read_only", "primary", "A night opens it for reading only, without the kernel's own guard.",
            "Access times of symlinks may move.", "Run as root, on Linux 5.12 or newer.",
        )  # fmt: skip


def _secondary(
    settings: PairSettings, drives: Drives, effects: Effects, known: _Known | None, *, is_busy: bool
) -> Iterator[Finding]:
    first = known is not None and not known.nights
    try:
        used = None
        if first:
            on_primary = room(drives.primary.fd, effects)
            used = on_primary.total_bytes - on_primary.free_bytes
            # What is one file system has no use of its own to compare.
            used = None if _same_file_system(drives, effects) else used
        yield from findings.free_room(room(drives.secondary.fd, effects), settings.keep_free, used)
    except OSError as error:
        yield _no_answer("secondary", error)
        return
    shown = show_text(str(settings.secondary))
    if drives.secondary_mount.read_only:
        yield Finding(
            State.FAILURE, "writable", "secondary", f"{shown} is mounted read-only.",
            "A night would stop here. A file system with errors is often remounted so.",
            "See the system log (journalctl -k), check the file system, then mount it for writing.", 3,
        )  # fmt: skip
        return
    if is_busy:
        yield unknown("writable", "secondary", "Whether it can be written", "A run is in progress.", "Ask again later.")
        return
    yield from _try_out(drives, effects, shown)


def _same_file_system(drives: Drives, effects: Effects) -> bool:
    return effects.fstat(drives.primary.fd).st_dev == effects.fstat(drives.secondary.fd).st_dev


def _try_out(drives: Drives, effects: Effects, shown: str) -> Iterator[Finding]:
    name = drives.secondary_mount.file_system
    try:
        with lock_drive(drives.secondary.fd, effects, f"the drive at {shown}"):
            staging_fd = drives.secondary.folder(STAGING)
            can = probe(staging_fd, effects, as_root=os.geteuid() == 0, file_system=name)
    except Busy:
        yield unknown("writable", "secondary", "Whether it can be written", "A run is in progress.", "Ask again later.")
    except FileNotFoundError:
        yield unknown("writable", "secondary", "Whether it can be written", "It has no staging/ yet; a night makes it.")
    except OSError as error:
        yield Finding(
            State.FAILURE, "writable", "secondary", f"{shown} cannot be written ({error.strerror or error}).",
            "A night would stop here.",
            "Make room on it, run as the user that began it or as root, or see the system log for that drive.", 4,
        )  # fmt: skip
    else:
        yield ok("writable", "secondary", f"{shown} can be written.")
        yield from findings.file_system(name, can, keeps_inode_numbers(name))


# --- what can be said of any drive that is mounted


def _hardware(
    settings: PairSettings, effects: Effects, known: _Known | None, sources: Sources
) -> Iterator[Finding]:  # fmt: skip
    disks: dict[str, list[sysfs.Disk]] = {"primary": [], "secondary": []}
    for role, path in (("primary", settings.primary), ("secondary", settings.secondary)):
        if not path.is_dir() or (settings.require_mount and not is_mount_point(path)):
            continue  # said already
        try:
            mount = mount_of(path)
            if is_mount_point(path):
                yield _mounted_again(role, path, effects, sources)
            device = device_of(mount)
            disks[role] = sysfs.disks_below(device, sources.sysfs)
            yield from _of_disks(role, disks[role], sources)
            errors = count_errors(device, mount.file_system, sources.sysfs)
        except (OSError, NightferryError) as error:
            yield _no_answer(role, error)
            continue
        yield drive_findings.io_errors(role, errors, None if known is None else known.errors.get(role))
    yield from drive_findings.both(disks["primary"], disks["secondary"])


def of_drives(devices: Devices, sources: Sources) -> list[Finding]:
    """What the drives, their links and their power say of themselves, and nothing else. Never raises.

    Asks sysfs and, through smartctl, the drives; no file system, which may not answer any more.
    """
    found: list[Finding] = []
    disks: dict[str, list[sysfs.Disk]] = {"primary": [], "secondary": []}
    for role, (device, _) in devices.items():
        try:
            disks[role] = sysfs.disks_below(device, sources.sysfs)
        except OSError as error:
            found.append(_no_answer(role, error))
            continue
        found += _of_disks(role, disks[role], sources)
    return [*found, *drive_findings.both(disks["primary"], disks["secondary"])]


def _of_disks(role: str, disks: list[sysfs.Disk], sources: Sources) -> Iterator[Finding]:
    yield from drive_findings.disk(role, disks)
    for each in disks:
        yield from drive_findings.health(role, each, _ask(each, sources))


def _ask(disk: sysfs.Disk, sources: Sources) -> smart.Answer:
    if disk.transport not in _REAL:
        return smart.Answer(None, f"a drive of this kind ({disk.transport}) has no health to ask for")
    return smart.ask(f"/dev/{disk.name}", sources.smart_tool)


def _mounted_again(role: str, path: Path, effects: Effects, sources: Sources) -> Finding:
    entry = find_in_fstab(os.fsencode(os.path.realpath(path)), sources.fstab, sources.units)
    fd = effects.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        uuid = filesystem_uuid(fd, mount_of(path))
    finally:
        effects.close(fd)
    return findings.mounted(role, path, entry, uuid)


def _no_answer(role: str, error: Exception) -> Finding:
    said = (error.strerror or str(error)) if isinstance(error, OSError) else str(error)
    return unknown("drive", role, "What there is to say of this drive", f"It does not answer: {said}")


# --- what earlier nights left


def _known(path: Path, effects: Effects, *, in_use: bool) -> _Known | None:
    """None where there is no state, or none that can be read now."""
    if not path.exists():
        return None
    try:
        with Manifest.look(path, effects, in_use=in_use) as manifest:
            runs = manifest.runs
            last, complete = runs.last(), runs.last_complete()
            return _Known(
                as_last_night_left(manifest),
                tuple(date_s for _, date_s in runs.dates(NIGHTS_ASKED)),
                None if complete is None else complete.ended_s,
                0 if last is None else last.number,
            )
    except NightferryError:
        return None
