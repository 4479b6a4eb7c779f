"""Reading two drives back at once, against one after the other: medians, and how both compare.

    python tests/benchmarks/verify_both.py [--size 256] [--rates 40 30] [--rounds 5]

Two ext4 drives on loop devices, slowed down by the kernel to different rates (blkio of cgroup v1), with a pair on
them; what is measured is `nightferry verify` of everything, as `verify_pair` does it: the primary alone, the secondary
alone, both. If the two are read at once, both together take as long as the slower; if not, as long as the sum.
Needs root. Nothing but the drives it makes itself is touched.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "night"))

from harness import Pair

from drives import MIB, Drive, DriveFactory, missing_throttle, throttled
from nightferry.manifest.fixity import Side
from nightferry.night.context import Stop, Unwatched
from nightferry.recovery.verifying import Wanted, verify_pair
from nightferry.tree.effects import Effects


def seconds(pair: Pair, drives: tuple[Drive, Drive], sides: tuple[Side, ...], size_bytes: int) -> float:
    """How long all of it takes, read from the drives."""
    for drive in drives:
        drive.drop_caches()
    started_s = time.monotonic()
    result = verify_pair(
        pair.settings, pair.state_dir, Wanted(sides, also_fresh=True), Unwatched(), Effects(), pair.clock,
        Stop(pair.clock),
    )  # fmt: skip
    taken_s = time.monotonic() - started_s
    for side in sides:
        assert result.verified.size_bytes[side] == size_bytes, result.verified
    assert not result.open, result.open
    return taken_s


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", type=int, default=256, help="MiB on each drive (default: 256)")
    parser.add_argument("--rates", type=int, nargs=2, default=(40, 30), help="MiB/s of each drive (default: 40 30)")
    parser.add_argument("--rounds", type=int, default=5, help="of which the medians are told (default: 5)")
    args = parser.parse_args()
    if why := missing_throttle():
        sys.exit(why)
    with tempfile.TemporaryDirectory(prefix="nightferry-", dir="/var/tmp") as place:
        made = DriveFactory(Path(place) / "drives")
        try:
            measure(args, made, Path(place))
        finally:
            made.close()


def measure(args: argparse.Namespace, made: DriveFactory, place: Path) -> None:
    drives = made("ext4", (args.size + 64) * MIB), made("ext4", (args.size + 96) * MIB)
    pair = Pair(*drives, place / "state")
    files = args.size // 8
    for number in range(files):
        pair.write(f"2026-05 spring concert/{number:03} part.wav", os.urandom(8 * MIB))
    pair.run_well()
    sides: dict[str, tuple[Side, ...]] = {
        "primary": ("primary",), "secondary": ("secondary",), "both": ("primary", "secondary"),
    }  # fmt: skip
    found: dict[str, list[float]] = {name: [] for name in sides}
    rates = {drive: rate * MIB for drive, rate in zip(drives, args.rates, strict=True)}
    with throttled(rates):
        for _ in range(args.rounds):
            for name, chosen in sides.items():
                found[name].append(seconds(pair, drives, chosen, files * 8 * MIB))
    median = {name: statistics.median(each) for name, each in found.items()}
    print(
        f"{files} files of 8 MiB on each drive; at most {args.rates[0]} and {args.rates[1]} MiB/s; {args.rounds} rounds"
    )
    for name, each in found.items():
        rate = len(sides[name]) * files * 8 / median[name]
        print(f"{name:10} median {median[name]:7.2f} s  ({min(each):.2f} to {max(each):.2f})  {rate:6.1f} MiB/s in all")
    slower, total = max(median["primary"], median["secondary"]), median["primary"] + median["secondary"]
    print(f"both / slower of the two: {median['both'] / slower:.3f}   (1: at once)")
    print(f"both / sum of the two:    {median['both'] / total:.3f}   (1: one after the other)")


if __name__ == "__main__":
    main()
