"""Verification of both drives at once, beside `dd iflag=direct` of the same files on both at once.

    python tests/benchmarks/verify_rate.py [--size 2048] [--small 10000] [--rates 112 109] [--rounds 3]

Two ext4 drives on loop devices, slowed down by the kernel to different rates (blkio of cgroup v1, MB a second), with a
pair on them. If the two drives are read at once, both together take as long as the slower. Then the same with small
files, beside `xxh128sum`. Needs root. Touches only the drives it makes itself.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Mapping
from dataclasses import replace

from measure import GIB, MIB, Bench, BenchPair, Case, Row, finish, parser, reached, shell, spend

from drives import Drive, missing_throttle, throttled

REACH_RATE = 0.97
REACH_TIME = 1 / REACH_RATE
LARGE_BYTES = 256 * MIB
SMALL_BYTES = 100 << 10

# Reads all files of two folders at once; says how many nanoseconds each folder took.
_BOTH = """
begin=$(date +%s%N)
all() { find "$1" -name '*.wav' -print0 | sort -z | READ; echo $2 $(($(date +%s%N) - begin)); }
all "$1" primary & all "$2" secondary & wait
"""
_DD = _BOTH.replace("READ", "xargs -0 -I{} dd if={} of=/dev/null iflag=direct bs=4M status=none")
_SUM = _BOTH.replace("READ", "xargs -0 xxh128sum >/dev/null")


def measure(
    bench: Bench, size_mib: int = 2048, small_files: int = 10_000, rates: tuple[int, int] = (112, 109)
) -> tuple[list[Row], list[str]]:
    """Rows of the table, and sentences on what has no row there."""
    large_bytes, small_bytes = size_mib * MIB, small_files * SMALL_BYTES
    sizes = [int(size * 1.1) + 400 * MIB for size in (large_bytes, small_bytes) * 2]
    drives = tuple(bench.drive("ext4", size, filled=False) for size in sizes)
    rows: list[Row] = []
    said: list[str] = []
    limits = {
        drive: rate * 1_000_000 for drive, rate in zip(drives, (rates[0], rates[0], rates[1], rates[1]), strict=True)
    }
    kinds = [("large files", large_bytes // LARGE_BYTES, LARGE_BYTES, _DD, "dd iflag=direct bs=4M, both at once")]
    kinds += [("small files", small_files, SMALL_BYTES, _SUM, "xxh128sum, both at once")]
    for (kind, files, size_bytes, script, name), pair in zip(kinds, (drives[::2], drives[1::2]), strict=True):
        found, more = _one_kind(bench, pair, kind, files, size_bytes, Case(name, shell(script)), limits)
        rows, said = rows + found, said + more
    return rows, said


def _one_kind(
    bench: Bench,
    drives: tuple[Drive, ...],
    kind: str,
    files: int,
    size_bytes: int,
    tool: Case,
    limits: Mapping[Drive, int],
) -> tuple[list[Row], list[str]]:
    primary, secondary = drives
    for number in range(files):
        folder = primary.root / "2026-05 spring concert" / f"{number // 100:03}"
        folder.mkdir(parents=True, exist_ok=True)
        with open(folder / f"{number:05} part.wav", "wb") as file:
            for _ in range(max(1, size_bytes // (4 * MIB))):
                file.write(os.urandom(min(size_bytes, 4 * MIB)))
    pair = BenchPair(bench, primary, secondary, read_back="off", verify_share="off")
    pair.pair()
    spend(Case("the first night", pair.run_command()))
    tool = replace(tool, command=[*tool.command, primary.root, secondary.root / "copy"], figures=_tool_seconds)
    verify = Case("nightferry verify --all", pair.command("verify", "--all", "--json", "recordings"), figures=_seconds)
    with throttled({drive: limits[drive] for drive in drives}):
        rows = bench.compare(f"verification, {kind}", "cold", [tool, verify])
    # The start of Python is no part of how fast a drive is read.
    reading_s = max(rows[1].figures.values())
    part = replace(
        rows[1], case="of it: reading", wall_s=reading_s, wall_least_s=reading_s, wall_most_s=reading_s,
        wall_ratio=reading_s / rows[0].wall_s, cpu_ratio=None, user_s=0.0, system_s=0.0, cpu_s=0.0,
        reach=REACH_TIME if size_bytes >= LARGE_BYTES else None, figures={},
    )  # fmt: skip
    said = []
    name = tool.name.split()[0].rstrip(",")
    total_bytes = files * size_bytes
    for side in ("primary", "secondary"):
        theirs, ours = (total_bytes / row.figures[side] for row in rows[:2])
        how = f"{reached(ours / theirs >= REACH_RATE)} (at least {REACH_RATE})"
        said.append(
            f"{kind}, {side}: {ours / 1e6:.1f} MB/s, {ours / theirs:.3f} of the {theirs / 1e6:.1f} MB/s of"
            f" {name}{f': {how}' if size_bytes >= LARGE_BYTES else ''}"
        )
    gib = 2 * total_bytes / GIB
    said.append(
        f"{kind}: processor time a GiB verified {rows[1].cpu_s / gib:.2f} s, of {name} {rows[0].cpu_s / gib:.2f} s"
    )
    return [*rows, part], said


def _tool_seconds(stdout: bytes) -> dict[str, float]:
    return {side: int(ns) / 1e9 for side, ns in (line.split() for line in stdout.decode().splitlines())}


def _seconds(stdout: bytes) -> dict[str, float]:
    (pair,) = json.loads(stdout)["pairs"]
    assert not pair["damage"] and not pair["changed"], pair
    return {side: read["seconds"] for side, read in pair["read"].items()}


def main() -> None:
    options = parser(__doc__, rounds=3)
    options.add_argument("--size", type=int, default=2048, help="MiB of large files on each drive (default: 2048)")
    options.add_argument("--small", type=int, default=10_000, help="small files on each drive (default: 10000)")
    options.add_argument("--rates", type=int, nargs=2, default=(112, 109), help="MB/s of each drive (default: 112 109)")
    args: argparse.Namespace = options.parse_args()
    if why := missing_throttle():
        sys.exit(why)
    with Bench(args) as bench:
        rows, said = measure(bench, args.size, args.small, tuple(args.rates))
    finish(args, rows, said)


if __name__ == "__main__":
    main()
