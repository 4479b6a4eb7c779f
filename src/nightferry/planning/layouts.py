"""The same drives, laid out in other ways: what each gives, and what each survives.

Rates are of one large file, in bytes a second. They follow from two figures of a drive and one of the
bus, by formulas that stand beside them; what a real box adds to that, only measuring tells. So each
rate comes as a range, from "nothing overlaps" to "everything overlaps".
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from nightferry.planning import odds


class Layout(Enum):
    SINGLE = "single drive"
    STRIPE = "stripe (RAID 0)"
    MIRROR = "live mirror (RAID 1)"
    MIRRORED_STRIPE = "mirrored stripe (RAID 10)"
    TWO_DRIVES = "two drives, copied each night"


class Threat(Enum):
    DRIVE = "a drive fails"
    DELETION = "something is deleted"
    OVERWRITE = "something is overwritten"
    ENCRYPTION = "everything is encrypted"
    DECAY = "bytes decay silently"
    FAULT = "a controller or the power fails"
    SITE = "fire, theft, surge"


class Survives(Enum):
    YES = "yes"
    BUT_THE_DAY = "but for the work since the last night"
    IN_PART = "with luck"
    NO = "no"


@dataclass(frozen=True)
class Range:
    """Bytes a second, the least and the most that is to be expected."""

    low: float
    high: float


@dataclass(frozen=True)
class DriveFigures:
    """One of several equal drives."""

    size_bytes: int
    read_bytes_per_s: float
    write_bytes_per_s: float
    annual_failure: float  # the chance that it fails within a year


@dataclass(frozen=True)
class Box:
    """``bus_bytes_per_s``: what all drives together can move; infinite where each has a bus of its own.

    ``network_bytes_per_s``: what file sharing gives a client whatever the drives. ``write_bus_bytes_per_s``: where less
    goes to the drives than comes from them.
    """

    bus_bytes_per_s: float
    network_bytes_per_s: float
    replace_h: float = 72.0  # until a new drive is there and somebody puts it in
    write_bus_bytes_per_s: float = math.inf

    @property
    def to_drives_bytes_per_s(self) -> float:
        return min(self.bus_bytes_per_s, self.write_bus_bytes_per_s)

    @property
    def from_one_to_another_bytes_per_s(self) -> float:
        """Reading one drive while writing another: in turns, where one bus serves both directions."""
        is_one_way = math.isinf(self.write_bus_bytes_per_s)
        return self.bus_bytes_per_s / 2 if is_one_way else self.to_drives_bytes_per_s


@dataclass(frozen=True)
class Sheet:
    """All that is said of one layout. ``at_risk_h``: how old the newest safe state may be when it is needed."""

    layout: Layout
    drives: int
    usable_bytes: int
    write: Range
    read: Range
    network_write: Range
    network_read: Range
    survives: dict[Threat, Survives]
    at_risk_h: float
    back_h: float  # rebuilding, or restoring all
    drive_loss_per_year: float  # the chance of losing data to failing drives alone


def _copies(layout: Layout) -> int:
    """How often each byte is written at the time somebody writes it."""
    return 2 if layout in (Layout.MIRROR, Layout.MIRRORED_STRIPE) else 1


def _width(layout: Layout, drives: int) -> int:
    """How many drives share the bytes of one file."""
    return {Layout.STRIPE: drives, Layout.MIRRORED_STRIPE: drives // 2}.get(layout, 1)


def serial(*rates_bytes_per_s: float) -> float:
    """The rate of steps that wait for each other: the times of each byte add up."""
    return 1 / math.fsum(1 / rate for rate in rates_bytes_per_s)


def write_rate(layout: Layout, drives: int, drive: DriveFigures, bus_bytes_per_s: float) -> Range:
    """A mirror sends each byte twice over the bus: where the bus serves one drive at a time, at half a drive's rate."""
    width, copies = _width(layout, drives), _copies(layout)
    together = min(width * drive.write_bytes_per_s, bus_bytes_per_s / copies)
    one_by_one = min(drive.write_bytes_per_s / copies, bus_bytes_per_s / copies)
    return Range(one_by_one, together)


def read_rate(layout: Layout, drives: int, drive: DriveFigures, bus_bytes_per_s: float) -> Range:
    """One stream reads a mirror from one side; several streams may read both."""
    width = _width(layout, drives)
    streams = width * (2 if _copies(layout) == 2 else 1)
    return Range(min(drive.read_bytes_per_s, bus_bytes_per_s), min(streams * drive.read_bytes_per_s, bus_bytes_per_s))


def over_network(local: Range, network_bytes_per_s: float, *, writing: bool) -> Range:
    """Reading ahead hides the drive behind the network. A small box receives and writes in turns."""
    slow = serial(local.low, network_bytes_per_s) if writing else min(local.low, network_bytes_per_s)
    return Range(slow, min(local.high, network_bytes_per_s))


_MIRRORED = {
    Threat.DRIVE: Survives.YES, Threat.DELETION: Survives.NO, Threat.OVERWRITE: Survives.NO,
    Threat.ENCRYPTION: Survives.NO, Threat.DECAY: Survives.NO, Threat.FAULT: Survives.IN_PART,
    Threat.SITE: Survives.NO,
}  # fmt: skip
_ALONE = dict.fromkeys(Threat, Survives.NO) | {Threat.FAULT: Survives.IN_PART}
_SURVIVES: dict[Layout, dict[Threat, Survives]] = {
    Layout.SINGLE: _ALONE,
    Layout.STRIPE: dict.fromkeys(Threat, Survives.NO),
    Layout.MIRROR: _MIRRORED,
    Layout.MIRRORED_STRIPE: _MIRRORED,
    Layout.TWO_DRIVES: {
        Threat.DRIVE: Survives.BUT_THE_DAY, Threat.DELETION: Survives.BUT_THE_DAY,
        Threat.OVERWRITE: Survives.BUT_THE_DAY, Threat.ENCRYPTION: Survives.BUT_THE_DAY,
        Threat.DECAY: Survives.YES, Threat.FAULT: Survives.IN_PART, Threat.SITE: Survives.NO,
    },
}  # fmt: skip


def possible(drives: int) -> list[Layout]:
    """The layouts that so many equal drives allow."""
    found = [Layout.SINGLE] if drives == 1 else []
    if drives >= 2:
        found += [Layout.SINGLE, Layout.STRIPE]
    if drives == 2:
        found += [Layout.MIRROR, Layout.TWO_DRIVES]
    if drives >= 4 and drives % 2 == 0:
        found += [Layout.MIRRORED_STRIPE, Layout.TWO_DRIVES]
    return found


def sheet(layout: Layout, drives: int, drive: DriveFigures, box: Box) -> Sheet:
    """Raises ``ValueError`` for a layout that so many drives do not allow."""
    if layout not in possible(drives):
        raise ValueError(f"{drives} drives do not make a {layout.value}")
    write = write_rate(layout, drives, drive, box.to_drives_bytes_per_s)
    read = read_rate(layout, drives, drive, box.bus_bytes_per_s)
    used = 1 if layout is Layout.SINGLE else drives
    protected = layout in (Layout.MIRROR, Layout.MIRRORED_STRIPE, Layout.TWO_DRIVES)
    usable_bytes = drive.size_bytes * used // (2 if protected else 1)
    fill_bytes_per_s = min(drive.write_bytes_per_s, drive.read_bytes_per_s, box.from_one_to_another_bytes_per_s)
    fill_h = drive.size_bytes / fill_bytes_per_s / 3600
    return Sheet(
        layout=layout,
        drives=used,
        usable_bytes=usable_bytes,
        write=write,
        read=read,
        network_write=over_network(write, box.network_bytes_per_s, writing=True),
        network_read=over_network(read, box.network_bytes_per_s, writing=False),
        survives=_SURVIVES[layout],
        at_risk_h=24.0 if layout is Layout.TWO_DRIVES else 0.0,
        back_h=math.inf if not protected else fill_h,
        drive_loss_per_year=_LOSS[layout](used, drive, box, fill_h),
    )


def _loss_alone(drives: int, drive: DriveFigures, box: Box, fill_h: float) -> float:
    """One drive is enough to lose all."""
    return odds.any_of(*[drive.annual_failure] * drives)


def _loss_mirrored(drives: int, drive: DriveFigures, box: Box, fill_h: float) -> float:
    mttf_h = odds.mttf_hours(drive.annual_failure)
    if math.isinf(mttf_h):
        return 0.0
    return odds.loss_chance_per_year(odds.mirror_mttdl_hours(mttf_h, box.replace_h + fill_h, drives // 2))


def _loss_two_drives(drives: int, drive: DriveFigures, box: Box, fill_h: float) -> float:
    """As of a mirror, but for what came since the last night, which ``at_risk_h`` counts."""
    each = odds.copy_gone_when_needed(drive.annual_failure, fill_h, box.replace_h)
    return odds.any_of(*[each] * (drives // 2))


_LOSS: dict[Layout, Callable[[int, DriveFigures, Box, float], float]] = {
    Layout.SINGLE: _loss_alone,
    Layout.STRIPE: _loss_alone,
    Layout.MIRROR: _loss_mirrored,
    Layout.MIRRORED_STRIPE: _loss_mirrored,
    Layout.TWO_DRIVES: _loss_two_drives,
}
