"""A first copy between two drives of known rates, and the same on one core and on a quarter of one.

    python tests/benchmarks/throttled_copy.py [--mib 2048] [--rates 112 109] [--rounds 3]

The kernel slows two ext4 drives on loop devices down (blkio of cgroup v1) to what two hard disks behind USB do, in MB a
second: the primary reads at the first rate, the secondary reads and writes at the second. Where reading and writing
overlap, copying takes as long as the slower one alone; what is told is the share of its rate that the phase "copy"
reached. Needs root. Touches only the drives it makes.
"""

from __future__ import annotations

import contextlib
import sys
from dataclasses import replace

from first_night import make_media
from measure import COPY, MIB, ON_ONE_CORE, Bench, BenchPair, Case, finish, parser, phases, share_of_a_core, shell

from drives import missing_throttle, slowed_down

MB = 1_000_000
REACH = 0.97
SHARE = "share of the slower drive's rate"


def main() -> None:
    options = parser(__doc__, rounds=3)
    options.add_argument("--mib", type=int, default=2048, help="content in MiB (default: 2048)")
    options.add_argument("--rates", type=int, nargs=2, default=(112, 109), help="MB a second of primary and secondary")
    args = options.parse_args()
    if why := missing_throttle():
        sys.exit(why)
    with Bench(args) as bench:
        primary, secondary = (bench.drive("ext4", args.mib * MIB * 9 // 8 + 256 * MIB) for _ in range(2))
        make_media(primary.root, args.mib * MIB)
        size_bytes = sum(each.stat().st_size for each in primary.root.rglob("*.wav"))
        pair = BenchPair(bench, primary, secondary, read_back="off", verify_share="off")
        reads = {primary: args.rates[0] * MB, secondary: args.rates[1] * MB}
        writes = {secondary: args.rates[1] * MB}
        slowest = min(args.rates) * MB

        def told(stdout: bytes) -> dict[str, float]:
            found = phases(stdout)
            return {SHARE: size_bytes / found["copy"] / slowest, **found}

        def slow() -> contextlib.AbstractContextManager[None]:
            return slowed_down(reads, writes)

        copied = shell(COPY, primary.root, secondary.root)
        with share_of_a_core(0.25) as quarter:
            cases = [Case("cp -a; sync", copied, pair.empty, around=slow)]
            cases += [
                replace(pair.case(name, within=within, around=slow), figures=told)
                for name, within in (
                    ("nightferry run", ()),
                    ("nightferry run, on one core", ON_ONE_CORE),
                    ("nightferry run, on a quarter of one", quarter),
                )
            ]
            rows = bench.compare("first copy between slow drives", "cold", cases)
    ideal_s = size_bytes / slowest
    at_best = f"{size_bytes / MIB:.0f} MiB at {slowest / MB:.0f} MB/s take {ideal_s:.2f} s; at least {REACH} is wanted"
    finish(args, rows, [at_best])


if __name__ == "__main__":
    main()
