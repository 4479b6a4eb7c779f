"""What a link carries at the most: line rate, less the line code, less the frames around the data.

All rates are of payload, in bytes a second. A drive behind a link is never faster than these; a
real one stays below them, by how much only a measurement tells.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

_BITS = 8

# --- network
# IEEE 802.3: preamble and start of frame 8 bytes, header 14, frame check 4, gap between frames 12.
_ETHERNET_AROUND_BYTES = 8 + 14 + 4 + 12
# RFC 791 and RFC 9293: 20 bytes each without options; RFC 7323: timestamps take 12 bytes of each segment.
_IPV4_BYTES = 20
_TCP_BYTES = 20 + 12
ETHERNET_MTU_BYTES = 1500

# What a file server in user space gives of it, reading: about 95 of 117.7 MB/s (common practice, no source).
FILE_SHARING_SHARE = 0.81


def ethernet_payload_bytes_per_s(line_bits_per_s: float, mtu_bytes: int = ETHERNET_MTU_BYTES) -> float:
    """What TCP over IPv4 with timestamps carries over full-duplex Ethernet; 117.7 MB/s of a gigabit.

    Raises ``ValueError`` for an MTU that has no room for data.
    """
    payload_bytes = mtu_bytes - _IPV4_BYTES - _TCP_BYTES
    if payload_bytes <= 0 or line_bits_per_s < 0:
        raise ValueError("no room for data in such a frame, or no such rate")
    return line_bits_per_s / _BITS * payload_bytes / (mtu_bytes + _ETHERNET_AROUND_BYTES)


def shared_files_bytes_per_s(line_bits_per_s: float) -> float:
    """What reading a large file over such a network is likely to give: an estimate, to be measured."""
    return ethernet_payload_bytes_per_s(line_bits_per_s) * FILE_SHARING_SHARE


# --- the wire to a drive

Code = Literal["8b/10b", "128b/132b", "bulk"]

_CODE_SHARE: dict[Code, float] = {
    "8b/10b": 8 / 10,
    "128b/132b": 128 / 132,
    # USB 2.0 specification, table 5-10: at the most 13 bulk packets of 512 bytes in a microframe of 125 µs.
    "bulk": 13 * 512 * 8000 * _BITS / 480e6,
}


@dataclass(frozen=True)
class Wire:
    """``line_bits_per_s`` as negotiated."""

    name: str
    line_bits_per_s: float
    code: Code

    @property
    def payload_bytes_per_s(self) -> float:
        """After the line code; the protocol above it takes some more."""
        return self.line_bits_per_s * _CODE_SHARE[self.code] / _BITS


# By the speed in Mb/s that the kernel gives for a USB port (its ABI, sysfs-bus-usb). Line codes: USB 2.0 and USB 3.2
# specifications, usb.org. Gen 2x2 has two lanes.
USB: dict[int, Wire] = {
    12: Wire("USB full speed", 12e6, "bulk"),
    480: Wire("USB 2.0", 480e6, "bulk"),
    5000: Wire("USB 3.2 Gen 1", 5e9, "8b/10b"),
    10000: Wire("USB 3.2 Gen 2", 10e9, "128b/132b"),
    20000: Wire("USB 3.2 Gen 2x2", 20e9, "128b/132b"),
}

# Serial ATA specification, sata-io.org: 8b/10b at each of its three speeds.
SATA: dict[int, Wire] = {
    1500: Wire("SATA 1.5 Gb/s", 1.5e9, "8b/10b"),
    3000: Wire("SATA 3 Gb/s", 3e9, "8b/10b"),
    6000: Wire("SATA 6 Gb/s", 6e9, "8b/10b"),
}
