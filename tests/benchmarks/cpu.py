"""Processor time for each GiB copied, which is what carries over to a slower machine.

    python tests/benchmarks/cpu.py [--gib 3] [--files 40000] [--rounds 5]

A first night without read-back beside `cp -a`, `sync` and `xxh128sum` of the copy, which leaves about as much behind:
a durable copy and its checksums. Big media and small files; ext4 drives on loop devices; everything is in memory before
and the caches stay, so that no waiting is counted. Needs root. Touches only the drives it makes.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from first_night import make_media
from measure import GIB, MIB, Bench, BenchPair, Case, Row, finish, parser, shell
from small_files import make_small_files


def main() -> None:
    options = parser(__doc__)
    options.add_argument("--gib", type=float, default=3.0, help="big media in GiB, 0 for none (default: 3)")
    options.add_argument("--files", type=int, default=40_000, help="small files, 0 for none (default: 40000)")
    args = options.parse_args()
    size_bytes = int(args.gib * GIB)
    rows: list[Row] = []
    told: list[str] = []
    if size_bytes:
        found = measure(
            args, f"processor, {args.gib:g} GiB of media", size_bytes * 9 // 8 + 256 * MIB,
            lambda root: make_media(root, size_bytes),
        )  # fmt: skip
        told += [f"{row.case}: {row.cpu_s / args.gib:.3f} s a GiB" for row in found]
        rows += found
    if args.files:
        found = measure(
            args, f"processor, {args.files:,} small files", (512 + args.files * 24 // 1024) * MIB,
            lambda root: make_small_files(root, args.files),
        )  # fmt: skip
        told += [f"{row.case}: {row.cpu_s / args.files * 1e6:.0f} microseconds a small file" for row in found]
        rows += found
    finish(args, rows, told)


def measure(args: object, name: str, drive_bytes: int, make: Callable[[Path], None]) -> list[Row]:
    with Bench(args) as bench:  # type: ignore[arg-type]
        primary, secondary = (bench.drive("ext4", drive_bytes) for _ in range(2))
        make(primary.root)
        pair = BenchPair(bench, primary, secondary, read_back="off", verify_share="off")

        def empty() -> None:
            bench.renew(secondary)
            (secondary.root / "copy").mkdir()

        copied = shell(
            'cp -a "$1/." "$2/copy"; sync -f "$2"; find "$2/copy" -type f -exec xxh128sum {} + >"$2/list"',
            primary.root, secondary.root,
        )  # fmt: skip
        return bench.compare(name, "warm", [Case("cp -a; sync; xxh128sum", copied, empty), pair.case()])


if __name__ == "__main__":
    main()
