"""How two or more drives are connected to a box, in a word that a person can give, and what that carries.

A link's payload by its specification is more than a small board moves; what such boards give in all is common practice,
without a source, and stands here once. A measurement replaces both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from nightferry.planning import links, power


@dataclass(frozen=True)
class Arrangement:
    """Bytes a second of payload. ``port_ma``: what one of its ports gives; None where drives are fed otherwise."""

    word: str
    says: str
    link_in: float
    link_out: float
    half_duplex: bool
    port_ma: int | None
    source: str


_USB2 = links.USB[480].payload_bytes_per_s
_USB2_SOURCE = "USB 2.0 specification, table 5-10: 13 packets of 512 bytes in 125 µs"

BY_WORD = {
    each.word: each
    for each in (
        Arrangement(
            "usb3-shared", "all drives on the USB 3 ports of one small board", 350e6, 178e6, False, power.USB3_PORT_MA,
            "common practice, no source: such a board reads about 350 and writes about 178 MB/s in all; one port of 5"
            " Gb/s carries 500 (8b/10b, USB 3.2 specification)",
        ),
        Arrangement(
            "usb3-own", "each drive on a USB 3 port with a controller of its own", math.inf, math.inf, False,
            power.USB3_PORT_MA, "each port carries 500 MB/s (8b/10b, USB 3.2 specification), more than these drives",
        ),
        Arrangement(
            "usb2-shared", "all drives on the USB 2.0 ports of one controller", _USB2, _USB2, True, power.USB2_PORT_MA,
            f"{_USB2_SOURCE}; reading and writing take turns",
        ),
        Arrangement(
            "sata", "each drive on a SATA port of its own", math.inf, math.inf, False, None,
            "each port carries 150 to 600 MB/s (8b/10b, Serial ATA specification), more than these drives",
        ),
    )
}  # fmt: skip
DEFAULT = "usb3-shared"
