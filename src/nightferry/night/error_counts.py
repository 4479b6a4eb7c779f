"""The kernel's counts of errors of both drives, kept at the end of each night for the preflight of the next."""

from __future__ import annotations

import json
import os
from pathlib import Path

from nightferry.errors import NightferryError
from nightferry.manifest.manifest import Manifest
from nightferry.settings import PairSettings
from nightferry.units import format_count
from nightferry.volumes.io_errors import Counted, count_errors
from nightferry.volumes.mounts import Mount, mount_of
from nightferry.volumes.sysfs import SYSFS

ROLES = ("primary", "secondary")
# Runs that were cut off have no summary; so many are passed over.
_RUNS = 30

# Device number and type of file system, by role.
Devices = dict[str, tuple[tuple[int, int], str]]


def device_of(mount: Mount) -> tuple[int, int]:
    """The block device below a mount; for btrfs and FUSE, whose number in mountinfo is none, that of its source."""
    try:
        number = os.stat(mount.source).st_rdev
    except (OSError, ValueError):
        number = 0
    return (os.major(number), os.minor(number)) if number else mount.device


def devices(settings: PairSettings) -> Devices:
    """Looked up while both drives still answer. Never raises."""
    found: Devices = {}
    for role, path in zip(ROLES, (settings.primary, settings.secondary), strict=True):
        try:
            mount = mount_of(path)
        except (OSError, NightferryError):
            continue
        found[role] = (device_of(mount), mount.file_system)
    return found


def count(of: Devices, root: Path = SYSFS) -> dict[str, dict[str, int | None]]:
    """For a run's summary. Asks sysfs and no drive; never raises."""
    found = {}
    for role, (device, file_system) in of.items():
        counted = count_errors(device, file_system, root)
        found[role] = {"commands": counted.commands, "file_system": counted.file_system}
    return found


def as_last_night_left(manifest: Manifest) -> dict[str, Counted]:
    """By role; empty where no night left any."""
    for run, _ in zip(manifest.runs.all(), range(_RUNS), strict=False):
        try:
            said = json.loads(run.summary or "")["io_errors"]
            return {role: Counted(_whole(said[role]["commands"]), _whole(said[role]["file_system"])) for role in ROLES}
        except (ValueError, KeyError, TypeError, AttributeError):
            continue
    return {}


def told(counted: dict[str, dict[str, int | None]], before: dict[str, Counted]) -> list[str]:
    """A sentence for each side whose file system noticed errors of its own since the last night.

    Of a drive's commands some fail harmlessly: what of them means something, preflight says.
    """
    found = []
    for role, now in counted.items():
        new = Counted(now["commands"], now["file_system"]).since(before.get(role, Counted())).file_system
        if new:
            errors = "an error" if new == 1 else f"{format_count(new)} errors"
            found.append(
                f"The file system of the {role} noticed {errors} of its own: unmount that drive and have it checked by"
                " the file system's own tool (e2fsck, xfs_repair, btrfs check) before more is lost."
            )
    return found


def _whole(value: object) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) else None
