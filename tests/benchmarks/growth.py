"""How costs grow: quiet nights over 10,000 to a million files, and first nights of one file of 1 to 100 GiB.

    python tests/benchmarks/growth.py [--files 10000 100000 1000000] [--gib 1 10 100]

Time, memory, the manifest's size and what is written, with what follows from the slope for ten million files. The large
files are all hole: they are hashed as the zeros that they stand for and take no room. Needs root; touches only the
drives it makes itself.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import NamedTuple

from large_trees import Settled, bytes_a_file, manifest_bytes, settled_pair, written_bytes
from measure import GIB, MIB, SCAN, Bench, BenchPair, Case, drop_caches, finish, parser, phases, reached, spend

# Memory at ten times as many files may be so much more.
MEMORY_REACH = 1.10


class Point(NamedTuple):
    """One quiet night, warm; processor time and memory of the whole command. ``cold_s``: comparing, cache dropped."""

    files: int
    scan_s: float
    cold_s: float
    cpu_s: float
    peak_bytes: int
    manifest_bytes: int
    bytes_a_file: float
    state_bytes: int
    secondary_bytes: int


class Large(NamedTuple):
    """A first night of one file."""

    size_bytes: int
    wall_s: float
    cpu_s: float
    peak_bytes: int


def point(settled: Settled, files: int) -> Point:
    night = Case("nightferry run", settled.pair.run_command(), figures=phases)
    drop_caches()
    cold = spend(night)
    spend(night)
    drives = (settled.state, settled.pair.secondary)
    before = [written_bytes(drive) for drive in drives]
    warm = spend(night)
    state_bytes, secondary_bytes = (written_bytes(drive) - then for drive, then in zip(drives, before, strict=True))
    return Point(
        files, warm.figures[SCAN], cold.figures[SCAN], warm.cpu_s, warm.peak_bytes, manifest_bytes(settled),
        bytes_a_file(settled), state_bytes, secondary_bytes,
    )  # fmt: skip


def extrapolated(points: Sequence[Point], files: int) -> Point:
    """By the slope between the two largest trees."""
    one, other = points[-2:]
    share = (files - one.files) / (other.files - one.files)
    values = [a + (b - a) * share for a, b in zip(one, other, strict=True)]
    whole = [int(each) for each in values]
    return Point(files, *values[1:4], *whole[4:6], other.bytes_a_file, *whole[7:])


def table(points: Sequence[Point], larges: Sequence[Large]) -> list[str]:
    """Markdown, with what follows for ten times as many files as the largest tree has."""
    rows = [*points, extrapolated(points, points[-1].files * 10)] if len(points) > 1 else list(points)
    lines = [
        "| files | comparing, warm s | cold s | processor s, whole night | peak MiB | manifest MiB | bytes a file"
        " | to the state KiB | to the secondary MiB |",
        "| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for row in rows:
        name = f"{row.files:,}" if row in points else f"{row.files:,} (slope)"
        lines.append(
            f"| {name} | {row.scan_s:.2f} | {row.cold_s:.2f} | {row.cpu_s:.1f} | {row.peak_bytes / MIB:.0f} |"
            f" {row.manifest_bytes / MIB:.0f} | {row.bytes_a_file:.0f} | {row.state_bytes / 1024:.0f} |"
            f" {row.secondary_bytes / MIB:.0f} |"
        )
    if larges:
        lines += ["", "| first night of one file | wall s | processor s | peak MiB |", "| ---: | ---: | ---: | ---: |"]
        lines += [
            f"| {each.size_bytes / GIB:.0f} GiB | {each.wall_s:.1f} | {each.cpu_s:.1f} | {each.peak_bytes / MIB:.0f} |"
            for each in larges
        ]
    if len(points) > 1:
        ratio = points[-1].peak_bytes / points[-2].peak_bytes
        lines += [
            "",
            f"peak memory among {points[-1].files:,} files is {ratio:.2f} of that among {points[-2].files:,}:"
            f" {reached(ratio <= MEMORY_REACH)} (at most {MEMORY_REACH:.2f})",
        ]
    return lines


def first_night_of(bench: Bench, size_bytes: int) -> Large:
    primary, secondary = (bench.drive("ext4", 512 * MIB, filled=False) for _ in range(2))
    with open(primary.root / "the long rehearsal.wav", "wb") as file:
        file.truncate(size_bytes)
    pair = BenchPair(bench, primary, secondary, read_back="off", verify_share="off")
    pair.pair()
    spent = spend(Case("nightferry run", pair.run_command()))
    if (secondary.root / "copy" / "the long rehearsal.wav").stat().st_size != size_bytes:
        raise RuntimeError("the file was not copied")
    return Large(size_bytes, spent.wall_s, spent.cpu_s, spent.peak_bytes)


def large_files(args: argparse.Namespace, sizes_gib: Sequence[int]) -> list[Large]:
    found = []
    for gib in sizes_gib:
        with Bench(args) as bench:
            found.append(first_night_of(bench, gib * GIB))
    return found


def main() -> None:
    options = parser(__doc__)
    options.add_argument("--files", type=int, nargs="+", default=(10_000, 100_000, 1_000_000))
    options.add_argument("--gib", type=int, nargs="*", default=(1, 10, 100))
    args = options.parse_args()
    points = []
    for files in args.files:
        with Bench(args) as bench:
            points.append(point(settled_pair(bench, files), files))
    finish(args, [], table(points, large_files(args, args.gib)))


if __name__ == "__main__":
    main()
