"""When a drive that fails to answer reads is left alone.

Each attempt at a bad spot costs a drive seconds to minutes of its own retries, and one that is dying does not get
better by being asked again. What it gave so far is safe; what is left on it is a matter for a person.

The limits are judgement, without a source: a few bad sectors are what a drive can live with and a night should go on,
dozens of files in one night are not.
"""

from __future__ import annotations

import errno
from dataclasses import dataclass

READ_ERRORS_LIMIT = 32
LOST_LIMIT_S = 900.0  # spent in reads that then failed

# The drive has left: unplugged, its link gone, the program that serves it dead.
GONE = frozenset({errno.ENODEV, errno.ENXIO, errno.ENOTCONN, errno.ESHUTDOWN, errno.ENOMEDIUM})
# A night that is to write ends with these. Whatever else a write comes back with concerns one name.
DRIVE_ERRORS = frozenset({errno.EIO, errno.EROFS, *GONE})
# What a failing read comes back as. Through the page cache always EIO; a direct read is told more (blk_errors in the
# kernel's block/blk-core.c): ENODATA is an unreadable sector. EBADMSG and EUCLEAN: the file system met a wrong checksum
# of its own or a structure that makes no sense.
READ_ERRORS = frozenset(
    {
        errno.EIO, errno.ENODATA, errno.EREMOTEIO, errno.ETIMEDOUT, errno.ENOLINK, errno.EILSEQ, errno.EBADMSG,
        errno.EUCLEAN,
    }
)  # fmt: skip


@dataclass
class DriveHealth:
    """One drive in one night: read errors counted, and the time they took."""

    errors: int = 0
    lost_s: float = 0.0

    def failed(self, lost_s: float = 0.0) -> None:
        """A read failed, after so many seconds."""
        self.errors += 1
        self.lost_s += max(0.0, lost_s)

    @property
    def is_given_up(self) -> bool:
        """Whether to read no more from it tonight."""
        return self.errors >= READ_ERRORS_LIMIT or self.lost_s >= LOST_LIMIT_S
