"""Whether a measured rate is what such a drive behind such a link should give."""

from __future__ import annotations

from nightferry.planning import links
from nightferry.volumes.sysfs import Disk

# Common practice, no source: bytes a second of one large file, from a slow 2.5-inch drive at its inner tracks to a fast
# 3.5-inch one at its outer; from an old solid-state drive behind a bridge to what SATA carries.
PLATTERS = (60e6, 290e6)
SOLID_STATE = (120e6, 600e6)
# And of one on PCI Express, from an old one to what four lanes of the fifth generation carry.
NVME = (300e6, 15.8e9)
# What the protocol above the line code takes: a real link gives four fifths of its payload (no source).
_LINK_SHARE = 0.8


def judge(rate_bytes_per_s: float, disk: Disk | None) -> str:
    """A sentence. ``disk`` None: not known what it is."""
    if disk is None or disk.transport in ("loop", "memory", "virtual"):
        return "what it should be is not known, since this is no drive of its own"
    ceiling = link_payload(disk)
    if ceiling is not None and rate_bytes_per_s > ceiling:
        return "faster than its link carries: some of it came from a cache"
    if ceiling is not None and rate_bytes_per_s >= ceiling * 0.6 and ceiling < 100e6:
        return "what its link gives; a faster link would make it faster"
    return _by_kind(rate_bytes_per_s, disk, ceiling)


def _by_kind(rate_bytes_per_s: float, disk: Disk, ceiling: float | None) -> str:
    if disk.rotational is None:
        return "what it should be is not known, since the kernel does not say what kind of drive it is"
    low, high = PLATTERS if disk.rotational else NVME if disk.transport == "nvme" else SOLID_STATE
    if ceiling is not None:
        low, high = min(low, ceiling * _LINK_SHARE / 2), min(high, ceiling)
    kind = "a drive with platters" if disk.rotational else "a solid-state drive"
    if rate_bytes_per_s < low:
        return (
            f"slow for {kind} (common practice: from {low / 1e6:.0f} MB/s): somebody may be using it, its link may have"
            " fallen back, or it is getting old; see `nightferry preflight`"
        )
    if rate_bytes_per_s > high:
        return f"more than {kind} gives; its bridge may name the wrong kind"
    return f"as {kind} behind such a link gives (common practice)"


def link_payload(disk: Disk) -> float | None:
    """Of the slowest link on the way; None where it is not known."""
    if disk.usb:
        wires = [links.USB.get(each.speed_mbit_per_s or 0) for each in disk.usb]
        payloads = [each.payload_bytes_per_s for each in wires if each is not None]
        return min(payloads) if payloads else None
    wire = links.SATA.get(disk.link_mbit_per_s or 0)
    return None if wire is None else wire.payload_bytes_per_s
