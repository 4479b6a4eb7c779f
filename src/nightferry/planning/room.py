"""Whether tonight's copies fit on the secondary."""

from __future__ import annotations

from dataclasses import dataclass

# What a name costs beside its bytes: an inode, its place in a folder, and the end of a block.
PER_FILE_BYTES = 600


# Rows of a manifest and lines of a checksum list, for a name of ordinary length: measured at some 300 and 100 bytes.
RECORD_BYTES = 500
RECORDS_LEAST_BYTES = 1 << 20


def records_bytes(manifest_bytes: int, names: int) -> int:
    """What sealing writes beside the records that stand: the next manifest and the next checksum list."""
    return RECORDS_LEAST_BYTES + manifest_bytes + names * RECORD_BYTES


@dataclass(frozen=True)
class Need:
    files: int
    allocated_bytes: int

    @property
    def room_bytes(self) -> int:
        return self.allocated_bytes + self.files * PER_FILE_BYTES


@dataclass(frozen=True)
class Fit:
    missing_bytes: int  # 0 where all fits
    missing_inodes: int

    @property
    def fits(self) -> bool:
        return self.missing_bytes == 0 and self.missing_inodes == 0


def fit(need: Need, *, free_bytes: int, free_inodes: int | None, keep_free_bytes: int) -> Fit:
    """``free_inodes`` is None on file systems that do not count them."""
    missing_bytes = max(0, need.room_bytes - max(0, free_bytes - keep_free_bytes)) if need.files else 0
    missing_inodes = 0 if free_inodes is None else max(0, need.files - free_inodes)
    return Fit(missing_bytes, missing_inodes)
