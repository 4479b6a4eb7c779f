"""Restoring everything, beside `cp -a` of the copy and a sync: big media, and many small files.

    python tests/benchmarks/restore.py [--gib 3] [--files 40000] [--rounds 5]

What is restored is verified as it is written. ext4 drives on loop devices. Needs root. Touches only the drives it
makes.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from first_night import make_media
from measure import GIB, MIB, Bench, BenchPair, Case, Row, finish, parser, shell
from small_files import make_small_files

from drives import run

REACH = 1.05


def main() -> None:
    options = parser(__doc__)
    options.add_argument("--gib", type=float, default=3.0, help="big media in GiB, 0 for none (default: 3)")
    options.add_argument("--files", type=int, default=40_000, help="small files, 0 for none (default: 40000)")
    args = options.parse_args()
    size_bytes = int(args.gib * GIB)
    rows: list[Row] = []
    if size_bytes:
        rows += measure(
            args, f"restore, {args.gib:g} GiB of media", size_bytes * 9 // 8 + 256 * MIB,
            lambda root: make_media(root, size_bytes),
        )  # fmt: skip
    if args.files:
        rows += measure(
            args, f"restore, {args.files:,} small files", (512 + args.files * 24 // 1024) * MIB,
            lambda root: make_small_files(root, args.files),
        )  # fmt: skip
    finish(args, rows)


def measure(args: object, name: str, drive_bytes: int, make: Callable[[Path], None]) -> list[Row]:
    with Bench(args) as bench:  # type: ignore[arg-type]
        primary, secondary, other = (bench.drive("ext4", drive_bytes) for _ in range(3))
        make(primary.root)
        pair = BenchPair(bench, primary, secondary, read_back="off", verify_share="off")
        pair.pair()
        run(*pair.run_command())
        copied = shell('cp -a "$1/copy" "$2/all"; sync -f "$2"', secondary.root, other.root)
        restored = pair.command("restore", "--into", other.root / "all", "recordings")

        def empty() -> None:
            bench.renew(other)

        cases = [Case("cp -a; sync", copied, empty), Case("nightferry restore", restored, empty)]
        return [*bench.compare(name, "cold", cases, reach=REACH), *bench.compare(name, "warm", cases, reach=REACH)]


if __name__ == "__main__":
    main()
