"""Processor time for each GiB copied, which is what carries over to a slower machine.

    python tests/benchmarks/cpu.py [--gib 3] [--files 40000] [--rounds 5]

A first night without read-back beside `cp -a`, `sync` and `xxh128sum` of the copy, which leaves about as much behind:
a durable copy and its checksums. Big media and small files; ext4 drives on loop devices; everything is in memory before
and the caches stay, so that no waiting is counted. Needs root. Touches only the drives it makes.
"""

from __future__ import annotations

import argparse

from contents import Content, contents, options
from measure import COPY, Bench, BenchPair, Case, Row, finish, shell


def main() -> None:
    args = options(__doc__).parse_args()
    rows: list[Row] = []
    told: list[str] = []
    for content in contents(args):
        found = measure(args, content)
        told += [f"{row.case}: {content.each(row.cpu_s)}" for row in found]
        rows += found
    finish(args, rows, told)


def measure(args: argparse.Namespace, content: Content) -> list[Row]:
    with Bench(args) as bench:
        primary, secondary = (bench.drive("ext4", content.drive_bytes) for _ in range(2))
        content.make(primary.root)
        pair = BenchPair(bench, primary, secondary, read_back="off", verify_share="off")
        copied = shell(
            f'{COPY}; find "$2/copy" -type f -exec xxh128sum {{}} + >"$2/list"', primary.root, secondary.root
        )
        cases = [Case("cp -a; sync; xxh128sum", copied, pair.empty), pair.case()]
        return bench.compare(f"processor, {content.name}", "warm", cases)


if __name__ == "__main__":
    main()
