"""What damage on a drive says of the drive itself: one bad file is chance, more of them are a sign.

Bad files of one drive are not independent of each other: who has one is likelier to have the next (Bairavasundaram et
al., An Analysis of Data Corruption in the Storage Stack, FAST 2008; of sectors that cannot be read: the same, An
Analysis of Latent Sector Errors in Disk Drives, SIGMETRICS 2007).
"""

from __future__ import annotations

from typing import NamedTuple

# How far back it is looked: three verify cycles of 30 days, within which each byte was read three times. No source.
LOOK_BACK_S = 90 * 86_400.0


class DriveDamage(NamedTuple):
    """Files of one drive that a night found bad (other content, or unreadable), and all that were of late.

    Attributes:
        drive: "primary" or "secondary", whose retired versions count with it.
        tonight: found by that night, or mended by it; ``mended``: of those, mended by it.
        lately: found within ``LOOK_BACK_S`` up to its end, those of the night among them.
        nights: after how many different nights.
    """

    drive: str
    tonight: int
    mended: int
    lately: int
    nights: int

    @property
    def is_sign(self) -> bool:
        """Whether the drive wants a look: something went bad on it more than once."""
        return self.lately > 1
