"""Where the mounts are, and whether two paths lead to the same files.

Read from ``/proc/self/mountinfo``, as proc_pid_mountinfo(5) describes it. Device numbers are taken from there and not
from stat(2): on btrfs stat gives each subvolume a number of its own, mountinfo gives the one of the file system.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from nightferry.errors import Failed
from nightferry.units import show_name

MOUNTINFO = Path("/proc/self/mountinfo")

Relation = Literal["same", "inside", "contains", "apart"]

# A box with a thousand containers has some megabytes of this; more is not a table of mounts.
_MOUNT_IT = "it may just have been unmounted; mount it, then try again"
_LIMIT_BYTES = 64 * 1024 * 1024

# Where two spellings can be one folder, and inode numbers, made up for each spelling, do not tell. One of these that
# does tell case apart is judged too strictly: two roots on one drive, with names that differ in nothing else.
_FOLDS_CASE = frozenset({"vfat", "exfat", "ntfs3", "fuseblk", "hfsplus", "cifs", "smb3"})

_OCTAL = re.compile(rb"\\([0-3][0-7]{2})")


@dataclass(frozen=True, slots=True)
class Mount:
    """One line of mountinfo.

    ``root`` is the folder of the file system that is visible at ``mount_point``: ``/`` for a whole drive, something
    else for a bind mount or a btrfs subvolume. ``options`` are those of this mount, then those of the file system.
    """

    mount_id: int
    parent_id: int
    device: tuple[int, int]
    root: bytes
    mount_point: bytes
    options: frozenset[str]
    file_system: str
    source: bytes
    super_options: frozenset[str]

    @property
    def read_only(self) -> bool:
        """Whether writes are refused, by the mount or by the file system below it."""
        return "ro" in self.options or "ro" in self.super_options


def _unescape(field: bytes) -> bytes:
    """The kernel writes space, tab, newline, backslash and ``#`` as a backslash and three octal digits."""
    return _OCTAL.sub(lambda found: bytes((int(found[1], 8),)), field)


def _options(field: bytes) -> frozenset[str]:
    return frozenset(_unescape(field).decode("utf-8", "backslashreplace").split(","))


def parse(text: bytes) -> list[Mount]:
    """The mounts that a mountinfo text lists, in its order.

    Raises:
        Failed: a line is not as proc_pid_mountinfo(5) says.
    """
    mounts = []
    for line in text.split(b"\n"):
        if not line:
            continue
        try:
            # mount_id parent_id major:minor root mount_point options [optional fields ...] - type source super_options
            before, _, after = line.partition(b" - ")
            mount_id, parent_id, device, root, mount_point, options = before.split(b" ")[:6]
            # The source may be empty, and then leaves two spaces: so no split on runs of spaces.
            file_system, source, super_options = after.split(b" ")[:3]
            major, minor = device.split(b":")
            mount = Mount(
                mount_id=int(mount_id),
                parent_id=int(parent_id),
                device=(int(major), int(minor)),
                root=_unescape(root),
                mount_point=_unescape(mount_point),
                options=_options(options),
                file_system=_unescape(file_system).decode("utf-8", "backslashreplace"),
                source=_unescape(source),
                super_options=_options(super_options),
            )
        except ValueError as error:
            raise Failed(
                f"The list of mounts has a line that cannot be understood, please report it: {show_name(line[:200])}"
            ) from error
        mounts.append(mount)
    return mounts


def read_mounts(mountinfo: Path = MOUNTINFO) -> list[Mount]:
    """All mounts that this process can see.

    Raises:
        Failed: the list cannot be read or understood.
    """
    try:
        with mountinfo.open("rb") as file:
            text = file.read(_LIMIT_BYTES + 1)
    except OSError as error:
        raise Failed(f"The list of mounts, {mountinfo}, cannot be read: {error.strerror}; is /proc mounted?") from error
    if len(text) > _LIMIT_BYTES:
        raise Failed(
            f"The list of mounts, {mountinfo}, is longer than {_LIMIT_BYTES} bytes: unmount what is not needed."
        )
    return parse(text)


def _prefixes(path: bytes) -> Iterator[bytes]:
    """``/``, ``/srv``, ``/srv/recordings`` for the last of them."""
    yield b"/"
    end = path.find(b"/", 1)
    while end != -1:
        yield path[:end]
        end = path.find(b"/", end + 1)
    if path != b"/":
        yield path


class _Table:
    """Finds mounts the way the kernel walks a path, so that one hidden below a later mount is not found.

    A longest-prefix search would find it: a mount at /srv/a/b stays listed when another is laid over /srv/a.
    """

    def __init__(self, mounts: Iterable[Mount]) -> None:
        self.mounts = list(mounts)
        known = {mount.mount_id for mount in self.mounts}
        self._children: dict[tuple[int | None, bytes], Mount] = {}
        for mount in self.mounts:
            # The parent of the root mount is not listed, or is the root mount itself.
            top = mount.parent_id not in known or mount.parent_id == mount.mount_id
            self._children[None if top else mount.parent_id, mount.mount_point] = mount

    def find(self, path: bytes) -> Mount | None:
        """The mount on which a real, absolute path lies."""
        current: Mount | None = None
        for prefix in _prefixes(path):
            # More than one step at the same place: mounts can be stacked. Bounded by the number of mounts.
            for _ in self.mounts:
                found = self._children.get((current.mount_id if current else None, prefix))
                if found is None:
                    break
                current = found
        return current

    def below(self, path: bytes) -> list[Mount]:
        """The mounts that can be reached below a real path, itself not included."""
        start = path.rstrip(b"/") + b"/"
        return [
            mount
            for mount in self.mounts
            if mount.mount_point.startswith(start)
            and mount.mount_point != path
            and self.find(mount.mount_point) is mount
        ]


def _real(path: Path) -> bytes:
    """The path without symlinks; wakes a drive that is mounted on first use.

    The lookup of ``path/.`` starts an automount, that of ``path`` does not (path_resolution(7), autofs(5)).
    """
    real = os.path.realpath(os.fsencode(path))
    # Absent, not a folder, or not ours to enter: whoever opens it reports that.
    with suppress(OSError):
        os.stat(os.path.join(real, b"."))
    return real


def mount_of(path: Path, mountinfo: Path = MOUNTINFO) -> Mount:
    """The mount that a path lies on, symlinks resolved.

    Raises:
        Failed: the list of mounts cannot be read or does not cover the path.
    """
    real = _real(path)
    mount = _Table(read_mounts(mountinfo)).find(real)
    if mount is None:
        raise Failed(f"No mount is listed in {mountinfo} for {show_name(real)}: {_MOUNT_IT}.")
    return mount


def is_mount_point(path: Path, mountinfo: Path = MOUNTINFO) -> bool:
    """Whether a drive is mounted at this very path; an automount that did not come up is none."""
    real = _real(path)
    mount = _Table(read_mounts(mountinfo)).find(real)
    return mount is not None and mount.mount_point == real and mount.file_system != "autofs"


def mounted_below(path: Path, mountinfo: Path = MOUNTINFO) -> frozenset[bytes]:
    """The places below a root where something else is mounted, bind mounts and single files included.

    Returns paths relative to the root, without a leading slash.
    """
    real = _real(path)
    skip = len(real.rstrip(b"/")) + 1
    return frozenset(mount.mount_point[skip:] for mount in _Table(read_mounts(mountinfo)).below(real))


def _relate(a: bytes, b: bytes) -> Relation:
    """How two absolute paths of one tree stand to each other, by their text."""
    if a == b:
        return "same"
    if a.startswith(b.rstrip(b"/") + b"/"):
        return "inside"
    if b.startswith(a.rstrip(b"/") + b"/"):
        return "contains"
    return "apart"


def _in_file_system(mount: Mount, real: bytes) -> bytes:
    """The path inside the file system, whatever part of it is mounted where."""
    rest = real[len(mount.mount_point.rstrip(b"/")) :]
    return (mount.root.rstrip(b"/") + rest).rstrip(b"/") or b"/"


def _folded(path: bytes) -> bytes:
    return path.decode("utf-8", "surrogateescape").casefold().encode("utf-8", "surrogateescape")


def _identities(real: bytes) -> list[tuple[int, int] | None]:
    """Device and inode of a path and of each folder above it, nearest first; None where it cannot be asked."""
    found: list[tuple[int, int] | None] = []
    for prefix in reversed(list(_prefixes(real))):
        try:
            status = os.stat(prefix)
            found.append((status.st_dev, status.st_ino))
        except OSError:
            found.append(None)
    return found


def _by_mounts(table: _Table, real_a: bytes, real_b: bytes) -> Relation:
    """How two paths stand to each other inside the file systems they lie on."""
    mount_a, mount_b = table.find(real_a), table.find(real_b)
    if mount_a is None or mount_b is None:
        raise Failed(f"No mount is listed for {show_name(real_a if mount_a is None else real_b)}: {_MOUNT_IT}.")
    inner_a, inner_b = _in_file_system(mount_a, real_a), _in_file_system(mount_b, real_b)
    if mount_a.device == mount_b.device:
        folds = mount_a.file_system in _FOLDS_CASE
        direct = _relate(_folded(inner_a), _folded(inner_b)) if folds else _relate(inner_a, inner_b)
        if direct != "apart":
            return direct
    # A folder that is bind-mounted somewhere below the other path.
    for mount in table.below(real_b):
        if mount.device == mount_a.device and _relate(inner_a, mount.root) in ("same", "inside"):
            return "inside"
    for mount in table.below(real_a):
        if mount.device == mount_b.device and _relate(inner_b, mount.root) in ("same", "inside"):
            return "contains"
    return "apart"


def _by_inodes(real_a: bytes, real_b: bytes) -> Relation:
    """How two paths stand to each other by the inode numbers of the folders above them.

    Only these tell that two spellings are one folder on ext4 with ``casefold``.
    """
    above_a, above_b = _identities(real_a), _identities(real_b)
    if above_a[0] is not None and above_a[0] == above_b[0]:
        return "same"
    if above_b[0] is not None and above_b[0] in above_a:
        return "inside"
    if above_a[0] is not None and above_a[0] in above_b:
        return "contains"
    return "apart"


def relation(a: Path, b: Path, mountinfo: Path = MOUNTINFO) -> Relation:
    """Whether ``a`` is the same folder as ``b``, lies inside it, contains it, or is apart from it.

    Sees through symlinks, bind mounts (also of parts of a file system), btrfs subvolumes mounted on their own, mounts
    below one path that show the other, and file systems that do not tell upper from lower case.

    Raises:
        Failed: the list of mounts cannot be read or does not cover a path.
    """
    real_a, real_b = _real(a), _real(b)
    found = _relate(real_a, real_b)
    if found == "apart":
        found = _by_mounts(_Table(read_mounts(mountinfo)), real_a, real_b)
    if found == "apart":
        found = _by_inodes(real_a, real_b)
    return found
