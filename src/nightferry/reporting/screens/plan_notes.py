"""Where each number of a plan comes from: its formula and its source, numbered."""

from __future__ import annotations

import math

from nightferry.planning import links, power
from nightferry.planning.prospect import Situation
from nightferry.reporting.look.decimal_units import chance, rate

COPY, VERIFY, RESTORE, NETWORK, KEPT, FULL, ERRORS, POWER, USABLE, WRITE, READ, CLIENT, LOSS, BACK = range(1, 15)

# Less than the formula gives; why is not known.
_FOUR_ON_ONE_LINK = (
    " Seen of four such drives on one small board: 40 to 64 MB/s in a mirrored stripe (common practice, no source)."
)


def notes(what: Situation) -> dict[int, str]:
    """By number, in the order in which a plan uses them."""
    payload = links.ethernet_payload_bytes_per_s(what.network_line_bits_per_s)
    return {
        COPY: "Bytes / the slowest of: primary read, secondary write, shared link, hashing. Reading back waits for it,"
        " at the secondary's read rate.",
        VERIFY: "An even share of all bytes each night, both drives at once: the longer of bytes / read rate; over a"
        " shared link the sum of both / the link. The cycle that is possible fills the rest of the window.",
        RESTORE: "Bytes / the slowest of: secondary read, new drive written (taken as the secondary's), shared link,"
        " hashing.",
        NETWORK: f"{rate(payload)} of content (IEEE 802.3 frames of 1,500 bytes, TCP/IPv4 with timestamps: 1,448 of"
        f" 1,538 bytes), of which file sharing reads {links.FILE_SHARING_SHARE:.0%} (common practice, no source).",
        KEPT: "(old versions kept now + free room above keep_free) / bytes changed or removed a day.",
        FULL: "Free room above keep_free / growth a day: the median slope of all pairs of nights with Sen's bounds of"
        " 95% (Theil 1950; Sen, JASA 63, 1968); with fewer than 5 nights, or 3 days, the growth that is assumed.",
        ERRORS: f"1 - (1 - {what.bit_error_rate:g})^bits read, the rate as makers state it.",
        POWER: f"A port gives {power.USB2_PORT_MA} mA (USB 2.0 specification, 7.2.1) or {power.USB3_PORT_MA} mA (USB"
        f" 3.2 specification, 11.4), behind a hub without a supply of its own {power.USB2_FED_HUB_PORT_MA} or"
        f" {power.USB3_FED_HUB_PORT_MA} mA; many boards give {power.BOARD_TOTAL_MA:,} mA for all ports together (common"
        " practice, no source).",
        USABLE: "Drives x size; half of it where everything is there twice.",
        WRITE: "One large file. Least: nothing overlaps; most: all drives work at once, up to what the link carries. A"
        " mirror sends each byte over the link twice: write rate / 2 to the smaller of write rate and link / 2."
        + _FOUR_ON_ONE_LINK
        * (what.drives >= 4 and math.isfinite(what.rates.link_out)),
        READ: "As before; a mirror reads one file from one side, several files from both.",
        CLIENT: "The smaller of drive and network [4]; writing, a small box receives and writes in turns: from"
        " 1 / (1/drive + 1/network).",
        LOSS: f"From {chance(what.annual_failure)} a year for one drive (an assumption), constant and independent: one"
        " drive 1 - exp(-year/MTTF); a mirror MTTF^2 / (2 MTTR) (Patterson, Gibson, Katz, SIGMOD 1988); two drives: the"
        f" other fails within {what.replace_h:.0f} h and the time to fill a new one; what came since the last night"
        " goes with any primary that fails. Drives of one batch in one box fail together more often: good to compare,"
        " not a promise.",
        BACK: "Drive size / the smallest of: read rate, write rate, what the link carries both ways at once.",
    }
