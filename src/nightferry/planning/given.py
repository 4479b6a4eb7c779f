"""A plan for drives that are not bought yet: from what somebody read on a box, and assumptions for the rest."""

from __future__ import annotations

import math
from dataclasses import dataclass

from nightferry.planning import power
from nightferry.planning.arrangement import Arrangement
from nightferry.planning.capacity import Rates, Work
from nightferry.planning.prospect import Situation, network_rate

# What is assumed where nothing is said. Each is named in the plan.
USED_SHARE = 0.8
CHANGE_BYTES = 5 * 10**9
DISPLACED_SHARE = 0.2
FILE_BYTES = 40 * 10**6
SCAN_S_PER_FILE = 0.001
CURRENT_MA = 1_000


@dataclass(frozen=True)
class Given:
    """Bytes, bytes a second, seconds; None: nothing was said, and something is assumed."""

    read: float
    write: float
    drive_bytes: int
    drives: int
    arrangement: Arrangement
    network_bits_per_s: float
    used_bytes: int | None
    change_bytes_per_day: int | None
    window_s: float
    verify_cycle_s: float
    keep_free_bytes: int
    current_ma: int | None
    own_supply: bool
    annual_failure: float
    bit_error_rate: float
    checksums: float | None = None


def situation(given: Given) -> Situation:
    """Raises ``ValueError`` for what cannot be."""
    if given.read <= 0 or given.write <= 0 or given.drive_bytes <= 0:
        raise ValueError("rates and sizes are more than nothing")
    if not 1 <= given.drives <= 64:
        raise ValueError(f"{given.drives} drives are not planned for here; allowed: 1 to 64")
    used = given.used_bytes if given.used_bytes is not None else int(given.drive_bytes * USED_SHARE)
    if used > given.drive_bytes:
        raise ValueError("more is used than a drive holds")
    change = given.change_bytes_per_day if given.change_bytes_per_day is not None else CHANGE_BYTES
    files = max(1, used // FILE_BYTES)
    assumed = [
        f"Links: {given.arrangement.says} ({given.arrangement.source}).",
        f"Files of {FILE_BYTES // 10**6} MB on average, looked at within {SCAN_S_PER_FILE * 1000:.0f} ms each; many"
        " small files take longer than their bytes.",
        f"Of what changes a day, {DISPLACED_SHARE:.0%} replaces or removes something and is kept for a time; the rest"
        " is new.",
    ]
    if given.used_bytes is None:
        assumed.append(f"{USED_SHARE:.0%} of a drive is used (--used says otherwise).")
    if given.change_bytes_per_day is None:
        assumed.append(f"{CHANGE_BYTES // 10**9} GB change a day (--change says otherwise).")
    if given.checksums is None:
        assumed.append("The processor checksums more than a drive reads (--checksums says otherwise).")
    arrangement = given.arrangement
    rates = Rates(
        primary_read=given.read, secondary_write=given.write, secondary_read=given.read,
        link_in=arrangement.link_in, link_out=arrangement.link_out, half_duplex=arrangement.half_duplex,
        hash=math.inf if given.checksums is None else given.checksums, network=network_rate(given.network_bits_per_s),
    )  # fmt: skip
    work = Work(
        files=files, total_bytes=used, changed_files_per_day=change / FILE_BYTES, changed_bytes_per_day=change,
        displaced_bytes_per_day=change * DISPLACED_SHARE, retired_bytes=0, scan_s=files * SCAN_S_PER_FILE,
        window_s=given.window_s, read_back_share=1.0, verify_cycle_s=given.verify_cycle_s, verify_share=1.0,
        free_bytes=given.drive_bytes - used - given.keep_free_bytes,
    )  # fmt: skip
    loads = _loads(given, assumed)
    return Situation(
        rates=rates, work=work, drive_bytes=given.drive_bytes, secondary_bytes=given.drive_bytes, drives=given.drives,
        network_line_bits_per_s=given.network_bits_per_s, loads=loads, growth_bytes_per_day=change,
        annual_failure=given.annual_failure, bit_error_rate=given.bit_error_rate, assumptions=tuple(assumed),
    )  # fmt: skip


def _loads(given: Given, assumed: list[str]) -> list[power.Load]:
    port_ma = given.arrangement.port_ma
    if port_ma is None and not given.own_supply:
        return []  # fed by the box's own supply, of which nothing is known here
    current_ma = CURRENT_MA if given.current_ma is None else given.current_ma
    if given.current_ma is None and not given.own_supply:
        assumed.append(f"Each drive draws {CURRENT_MA:,} mA at its worst moment (common practice for 2.5-inch drives"
                       " with platters; --current says otherwise).")  # fmt: skip
    return [
        power.Load(f"drive {number}", current_ma, current_ma, port_ma or 0, self_powered=given.own_supply)
        for number in range(1, given.drives + 1)
    ]
