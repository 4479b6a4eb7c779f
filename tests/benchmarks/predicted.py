"""Are measured rates what the drives give, and does a night take as long as was predicted?

    python tests/benchmarks/predicted.py [--size 400] [--rates 40 30] [--seconds 8]

Two ext4 drives on loop devices, slowed down by the kernel to known, different rates (blkio of cgroup v1), with a pair
on them: the primary reads at the first rate, the secondary reads and writes at the second (MiB a second). Measured by
`plan --measure`; then a night copies so many MiB of large files, and what was predicted for it is compared with what it
took. Done when the rates are within 5 % and the night within 10 %. Needs root. Touches only the drives it makes.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "night"))

from harness import Pair

from drives import MIB, DriveFactory, missing_throttle, slowed_down
from nightferry.night.context import Stop, Unwatched
from nightferry.night.measuring import Limits, measure
from nightferry.night.situation import situation
from nightferry.planning.prospect import prospect
from nightferry.tree.effects import Effects


def off(found: float, wanted: float) -> str:
    return f"{found / wanted - 1:+.1%}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", type=int, default=400, help="MiB to copy in the night")
    parser.add_argument("--rates", type=int, nargs=2, default=(40, 30), help="MiB a second of primary and secondary")
    parser.add_argument("--seconds", type=float, default=8.0, help="of each part of the measurement")
    given = parser.parse_args()
    if missing := missing_throttle():
        parser.error(missing)
    folder = Path(tempfile.mkdtemp(prefix="predicted-"))
    drives = DriveFactory(folder / "drives")
    try:
        size = (2 * given.size + 600) * MIB
        first, second = drives("ext4", size), drives("ext4", size)
        pair = Pair(first, second, folder / "state", rehearse_share=0.0)
        for number in range(3):
            pair.write(f"2026-05 spring concert/0{number + 1} kyrie.wav", os.urandom(64 * MIB))
        pair.run_well()
        reads = {first: given.rates[0] * MIB, second: given.rates[1] * MIB}
        writes = {second: given.rates[1] * MIB}
        worst_rate = worst_night = 0.0
        with slowed_down(reads, writes):
            first.drop_caches()
            found = measure(
                pair.settings, pair.state_dir, Unwatched(), effects=Effects(), clock=pair.clock,
                stop=Stop(pair.clock), limits=Limits(seconds=given.seconds),
            )  # fmt: skip
            for name, each, wanted in (
                ("primary, read", found.primary_read, given.rates[0]),
                ("secondary, written", found.secondary_write, given.rates[1]),
                ("secondary, read", found.secondary_read, given.rates[1]),
                ("both, read", found.both_read, sum(given.rates)),
                ("read and written at once", found.copy, min(given.rates)),
            ):
                assert each is not None, name
                worst_rate = max(worst_rate, abs(each.median / (wanted * MIB) - 1))
                print(
                    f"{name:26} {each.median / MIB:6.1f} MiB/s, quartiles {each.low / MIB:.1f} to"
                    f" {each.high / MIB:.1f}, wanted {wanted}: {off(each.median, wanted * MIB)}"
                )
        count = given.size // 40
        for night in ("by the measurement", "by the night before"):
            for number in range(count):
                pair.write(f"{night}/{number:02} gloria.wav", os.urandom(40 * MIB))
            first.sync()
            known = situation(pair.settings, pair.state_dir, Effects()).situation
            work = replace(known.work, changed_bytes_per_day=count * 40 * MIB, changed_files_per_day=count)
            said = prospect(replace(known, work=work)).night
            first.drop_caches()
            started = time.monotonic()
            with slowed_down(reads, writes):
                result = pair.run_well()
                took = time.monotonic() - started
            worst_night = max(worst_night, abs(said.whole_s / took - 1))
            print(
                f"night {night}: predicted {said.whole_s:.1f} s (copy {said.copy_s:.1f}, read back"
                f" {said.read_back_s:.1f}, verify {said.verify_s:.1f}), took {took:.1f} s: {off(said.whole_s, took)}"
            )
            print("   phases:", {name: round(seconds, 1) for name, seconds in result.phase_s.items() if seconds > 0.05})
        print(f"rates within {worst_rate:.1%}, nights within {worst_night:.1%}")
        return 0 if worst_rate <= 0.05 and worst_night <= 0.10 else 1
    finally:
        drives.close()


if __name__ == "__main__":
    sys.exit(main())
