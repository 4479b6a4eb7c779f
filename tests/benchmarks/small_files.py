"""The first night of many small files, beside `cp -a` and a sync of the drive.

    python tests/benchmarks/small_files.py [--files 200000] [--rounds 5]

Files of 200 bytes to 8 KiB, in folders of 100, on ext4 drives on loop devices; read-back is off, all else of the
night's work is included: hash, durable commits, manifest, seal, report. Needs root. Touches only the drives it makes.
"""

from __future__ import annotations

import os
import random
from pathlib import Path

from measure import COPY, MIB, Bench, BenchPair, Case, finish, parser, shell

IN_FOLDER = 100
REACH = 1.0


def make_small_files(root: Path, files: int) -> None:
    """A tree as a photo library's previews or a mail store: small files, a hundred to a folder, two levels deep."""
    dice = random.Random(20260503)
    block = dice.randbytes(16 << 10)
    for number in range(files):
        folder = root / f"{number // (IN_FOLDER * 100):03}" / f"{number // IN_FOLDER % 100:02} rehearsal"
        if number % IN_FOLDER == 0:
            folder.mkdir(parents=True, exist_ok=True)
        start, size = dice.randrange(8 << 10), dice.randrange(200, 8 << 10)
        fd = os.open(folder / f"take {number:07}.jpg", os.O_WRONLY | os.O_CREAT, 0o644)
        os.write(fd, block[start : start + size])
        os.close(fd)


def main() -> None:
    options = parser(__doc__)
    options.add_argument("--files", type=int, default=200_000)
    options.add_argument("--cache", choices=["cold", "warm", "both"], default="both")
    args = options.parse_args()
    size = (256 + args.files * 12 // 1024) * MIB * 2
    with Bench(args) as bench:
        primary, secondary = bench.drive("ext4", size), bench.drive("ext4", size)
        make_small_files(primary.root, args.files)
        pair = BenchPair(bench, primary, secondary, read_back="off")
        copied = shell(COPY, primary.root, secondary.root)
        cases = [Case("cp -a; sync", copied, pair.empty), pair.case()]
        rows = []
        for cache in ("cold", "warm") if args.cache == "both" else (args.cache,):
            rows += bench.compare(f"first night, {args.files:,} small files", cache, cases, reach=REACH)
        finish(args, rows)


if __name__ == "__main__":
    main()
