"""The first night of big media, beside `cp -a` and a sync of the drive; with read-back beside `xxh128sum` of the copy.

    python tests/benchmarks/first_night.py [--gib 3] [--rounds 5]

Twelve files of random bytes on ext4 drives on loop devices. All of the night's work is included: hash, durable commits,
manifest, seal, report. Needs root. Touches only the drives it makes.
"""

from __future__ import annotations

import os
from pathlib import Path

from measure import COPY, GIB, MIB, Bench, BenchPair, Case, Row, finish, parser, shell

FILES = 12
REACH = 1.0


def make_media(root: Path, size_bytes: int) -> None:
    """Recordings as a choir has them: a folder for each concert, files of some hundred MiB."""
    piece = 8 * MIB
    for number in range(FILES):
        folder = root / f"2026-{number // 4 + 5:02} concert"
        folder.mkdir(exist_ok=True)
        with open(folder / f"{number % 4 + 1:02} part.wav", "wb", buffering=0) as file:
            for _ in range(max(1, size_bytes // FILES // piece)):
                file.write(os.urandom(piece))


def main() -> None:
    options = parser(__doc__)
    options.add_argument("--gib", type=float, default=3.0, help="content in GiB (default: 3)")
    options.add_argument("--cache", choices=["cold", "warm", "both"], default="both")
    args = options.parse_args()
    with Bench(args) as bench:
        size_bytes = int(args.gib * GIB)
        primary, secondary = (bench.drive("ext4", size_bytes * 9 // 8 + 256 * MIB) for _ in range(2))
        make_media(primary.root, size_bytes)
        pair = BenchPair(bench, primary, secondary)

        def renew(read_back: str) -> None:
            pair.configure(read_back=read_back)
            pair.renew()

        checked = 'echo 3 >/proc/sys/vm/drop_caches; find "$2/copy" -type f -exec xxh128sum {} +'
        paths = (primary.root, secondary.root)
        rows: list[Row] = []
        for cache in ("cold", "warm") if args.cache == "both" else (args.cache,):
            rows += bench.compare(
                f"first night, {args.gib:g} GiB of media, not read back", cache,
                [Case("cp -a; sync", shell(COPY, *paths), pair.empty), pair.case(prepare=lambda: renew("off"))],
                reach=REACH,
            )  # fmt: skip
            rows += bench.compare(
                f"first night, {args.gib:g} GiB of media, all read back", cache,
                [
                    Case("cp -a; sync; drop caches; xxh128sum", shell(f"{COPY}; {checked}", *paths), pair.empty),
                    pair.case(prepare=lambda: renew("all")),
                ],
                reach=REACH,
            )  # fmt: skip
        finish(args, rows)


if __name__ == "__main__":
    main()
