"""The file systems on which the power goes, made small, and as a box would mount them."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from drives import MIB, Kind, run


class FileSystem(NamedTuple):
    kind: Kind
    size_bytes: int
    format: tuple[str, ...]
    options: str
    sectors_bytes: tuple[int, ...] = (4096, 512)  # of the drives it is expected to survive on


# Small journals and nothing written in advance: less to copy for each image. btrfs would discard by itself.
_EXT4 = (
    "mkfs.ext4", "-q", "-F", "-E", "nodiscard,lazy_itable_init=0,lazy_journal_init=0", "-b", "4096", "-I", "256",
    "-J", "size=4",
)  # fmt: skip
FILE_SYSTEMS = {
    "ext4": FileSystem("ext4", 64 * MIB, _EXT4, "noatime,data=ordered"),
    "ext4-writeback": FileSystem("ext4", 64 * MIB, _EXT4, "noatime,data=writeback"),
    "ext4-late": FileSystem("ext4", 64 * MIB, _EXT4, "noatime,data=writeback,noauto_da_alloc"),
    # All images have one UUID, and one image may still be mounted in a mount namespace that another process made just
    # then.
    "xfs": FileSystem("xfs", 300 * MIB, ("mkfs.xfs", "-q", "-f", "-K"), "noatime,nouuid"),
    # Its superblock is 4,096 bytes: torn within, it cannot be mounted, whatever program wrote to it.
    "btrfs": FileSystem("btrfs", 128 * MIB, ("mkfs.btrfs", "-q", "-f", "-K"), "noatime,nodiscard", (4096,)),
}
PRIMARY = FILE_SYSTEMS["ext4"]


class NotMounted(Exception):
    """The file system itself could not be mounted after the cut."""


def make_image(path: Path, system: FileSystem) -> None:
    with path.open("xb") as image:
        image.truncate(system.size_bytes)
    run(*system.format, path)
    run("fallocate", "--dig-holes", path)
