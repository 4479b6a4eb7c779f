"""Restoring everything, beside `cp -a` of the copy and a sync: big media, and many small files.

    python tests/benchmarks/restore.py [--gib 3] [--files 40000] [--rounds 5]

What is restored is verified as it is written. ext4 drives on loop devices. Needs root. Touches only the drives it
makes.
"""

from __future__ import annotations

import argparse

from contents import Content, contents, options
from measure import Bench, BenchPair, Case, Row, finish, shell, spend

REACH = 1.05


def main() -> None:
    args = options(__doc__).parse_args()
    finish(args, [row for content in contents(args) for row in measure(args, content)])


def measure(args: argparse.Namespace, content: Content) -> list[Row]:
    with Bench(args) as bench:
        primary, secondary, other = (bench.drive("ext4", content.drive_bytes) for _ in range(3))
        content.make(primary.root)
        pair = BenchPair(bench, primary, secondary, read_back="off", verify_share="off")
        pair.pair()
        spend(Case("the first night", pair.run_command()))
        copied = shell('cp -a "$1/copy" "$2/all"; sync -f "$2"', secondary.root, other.root)
        restored = pair.command("restore", "--into", other.root / "all", "recordings")

        def empty() -> None:
            bench.renew(other)

        name = f"restore, {content.name}"
        cases = [Case("cp -a; sync", copied, empty), Case("nightferry restore", restored, empty)]
        return [*bench.compare(name, "cold", cases, reach=REACH), *bench.compare(name, "warm", cases, reach=REACH)]


if __name__ == "__main__":
    main()
