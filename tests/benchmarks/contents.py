"""What is copied where big media and many small files are measured one after the other."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import NamedTuple

from first_night import make_media
from measure import GIB, MIB, parser
from small_files import make_small_files


class Content(NamedTuple):
    """One of the two. ``drive_bytes``: the size of a drive that holds it; ``each`` says a time by GiB or by file."""

    name: str
    drive_bytes: int
    make: Callable[[Path], None]
    each: Callable[[float], str]


def options(about: str | None) -> argparse.ArgumentParser:
    """The options of all benchmarks, and those that say how much of each."""
    made = parser(about)
    made.add_argument("--gib", type=float, default=3.0, help="big media in GiB, 0 for none (default: 3)")
    made.add_argument("--files", type=int, default=40_000, help="small files, 0 for none (default: 40000)")
    return made


def contents(args: argparse.Namespace) -> list[Content]:
    """Those that ``args`` ask for."""
    gib, files = args.gib, args.files
    size_bytes = int(gib * GIB)
    found = []
    if size_bytes:
        found.append(
            Content(
                f"{gib:g} GiB of media", size_bytes * 9 // 8 + 256 * MIB, partial(make_media, size_bytes=size_bytes),
                lambda seconds: f"{seconds / gib:.3f} s a GiB",
            )
        )  # fmt: skip
    if files:
        found.append(
            Content(
                f"{files:,} small files", (512 + files * 24 // 1024) * MIB, partial(make_small_files, files=files),
                lambda seconds: f"{seconds / files * 1e6:.0f} microseconds a small file",
            )
        )  # fmt: skip
    return found
