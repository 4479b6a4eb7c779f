"""Which pairs work on the same drives, whose nights go one after another, and whether drives came or went.

Two heads on one drive make a night several times as long. Told by the kernel's list of mounts and by sysfs, without a
look at the drives: the daemon itself must not wait for one that does not answer.
"""

from __future__ import annotations

import os
from typing import NamedTuple

from nightferry.errors import NightferryError
from nightferry.settings import PairSettings
from nightferry.volumes.mounts import Mount, read_mounts
from nightferry.volumes.sysfs import disks_below


class Mounted(NamedTuple):
    """What is mounted at a pair's two paths, to be compared with what was there at another moment."""

    what: frozenset[tuple[bytes, int, tuple[int, int]]]  # mount point, the kernel's number of the mount, device
    is_both: bool


def mounted_of(pair: PairSettings, mounts: list[Mount] | None = None) -> Mounted:
    """By the paths as they are configured: one that leads over a symlink counts as nothing mounted."""
    if mounts is None:
        try:
            mounts = read_mounts()
        except NightferryError:
            mounts = []
    paths = {os.fsencode(root) for root in (pair.primary, pair.secondary)}
    what = frozenset(
        (each.mount_point, each.mount_id, each.device)
        for each in mounts
        if each.mount_point in paths and each.file_system != "autofs"
    )
    return Mounted(what, {each[0] for each in what} == paths)


def drives_of(pair: PairSettings, mounts: list[Mount] | None = None) -> frozenset[str]:
    """What the pair's night has to have for itself: its two paths, and the drives below them by the kernel's names."""
    if mounts is None:
        try:
            mounts = read_mounts()
        except NightferryError:
            mounts = []
    found = set()
    for root in (pair.primary, pair.secondary):
        found.add(str(root))
        path = os.fsencode(root)
        # The longest that holds it, the last of those: a hint is enough here, since a wrong one costs only time.
        holding = [mount for mount in mounts if _holds(mount.mount_point, path)]
        if not holding:
            continue
        mount = max(enumerate(holding), key=lambda each: (len(each[1].mount_point), each[0]))[1]
        device = mount.device
        if device[0] == 0:  # btrfs, FUSE: the device has a number of its own, and a node
            device = _number_of(mount.source) or device
        disks = disks_below(device)
        found.update(f"drive {disk.name}" for disk in disks)
        if not disks:
            found.add("device {}:{}".format(*device))
    return frozenset(found)


def _holds(folder: bytes, path: bytes) -> bool:
    return path == folder or path.startswith(folder.rstrip(b"/") + b"/")


def _number_of(source: bytes) -> tuple[int, int] | None:
    if not source.startswith(b"/dev/"):
        return None
    try:
        number = os.stat(source).st_rdev  # of the node in /dev: memory, not the drive
    except OSError:
        return None
    return (os.major(number), os.minor(number)) if number else None
