"""What a rehearsal adds to a quiet night, beside reading the whole copy with `xxh128sum`.

    python tests/benchmarks/rehearsal.py [--gib 3] [--files 40000] [--rounds 5]

The sample of the default setting ("1%", some 299 files and 299 draws among the bytes), restored from the secondary
alone, compared and thrown away; of big media that is nearly all of a few files. ext4 drives on loop devices, from cold
caches. Needs root. Touches only the drives it makes.
"""

from __future__ import annotations

import argparse

from contents import Content, contents, options
from measure import Bench, BenchPair, Case, Row, finish, shell, spend


def main() -> None:
    args = options(__doc__).parse_args()
    rows: list[Row] = []
    said: list[str] = []
    for content in contents(args):
        found = measure(args, content)
        rows += found
        added_s = found[2].wall_s - found[1].wall_s
        said.append(f"{content.name}: a rehearsal adds {added_s:.2f} s to the night")
    finish(args, rows, said)


def measure(args: argparse.Namespace, content: Content) -> list[Row]:
    with Bench(args) as bench:
        primary, secondary = (bench.drive("ext4", content.drive_bytes) for _ in range(2))
        content.make(primary.root)
        pair = BenchPair(bench, primary, secondary)
        quiet = {"read_back": "off", "verify_share": "off"}
        pair.configure(**quiet)
        pair.pair()
        spend(Case("the first night", pair.run_command()))
        summed = shell('find "$1/copy" -type f -exec xxh128sum {} + >/dev/null', secondary.root)
        cases = [
            Case("xxh128sum of the copy", summed),
            pair.case("a quiet night", prepare=lambda: pair.configure(**quiet)),
            pair.case(
                "the same with a rehearsal",
                prepare=lambda: pair.configure(**quiet, rehearse_share="1%", rehearse_every="1d"),
            ),
        ]
        return bench.compare(f"rehearsal, {content.name}", "cold", cases)


if __name__ == "__main__":
    main()
