"""Which sync makes small files durable fastest: fsync(2) of each, or one syncfs(2) for a batch?

Run as root: ``python tests/benchmarks/sync_method.py [--files N] [--runs N] [--folder DIR]``. Writes files of 16 KiB to
fresh ext4 and xfs drives (loop devices on images in DIR) and prints medians. A loop device hands each flush on to the
file system below, so that the ratio is that of the drive which holds DIR: give one on the kind of drive in question.
"""

from __future__ import annotations

import argparse
import os
import random
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from drives import MIB, Drive, DriveFactory, missing_privileges
from nightferry.tree.effects import Effects

FILE_BYTES = 16 << 10
EACH = 0  # the batch size that stands for fsync of each file
METHODS = (EACH, 10, 100, 1000)


def write_durably(drive: Drive, folder: Path, files: int, batch: int, effects: Effects) -> float:
    """Writes ``files`` files into a new folder and makes them durable; returns the seconds it took."""
    folder.mkdir()
    content = random.Random(batch).randbytes(FILE_BYTES)
    root_fd = os.open(drive.root, os.O_RDONLY)
    folder_fd = os.open(folder, os.O_RDONLY)
    try:
        begin = time.perf_counter()
        for number in range(1, files + 1):
            fd = effects.open(b"%d.jpg" % number, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600, dir_fd=folder_fd)
            effects.write(fd, content)
            if batch == EACH:
                effects.fsync(fd)
            effects.close(fd)
            if batch != EACH and number % batch == 0:
                effects.syncfs(root_fd)
        # either way the names are durable when the folder is; for syncfs this also covers an unfinished batch
        if batch == EACH:
            effects.fsync(folder_fd)
        elif files % batch:
            effects.syncfs(root_fd)
        return time.perf_counter() - begin
    finally:
        os.close(folder_fd)
        os.close(root_fd)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=2000)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--folder", type=Path, help="where the images are made (default: a temporary one)")
    options = parser.parse_args()
    if why := missing_privileges():
        sys.exit(why)
    effects = Effects()
    print(f"{options.files} files of {FILE_BYTES >> 10} KiB, median of {options.runs} runs (least to most)")
    print(f"{'drive':6} {'method':24} {'seconds':>8} {'(range)':>15} {'files/s':>8} {'x fsync':>8}")
    with tempfile.TemporaryDirectory(dir=options.folder) as work:
        factory = DriveFactory(Path(work) / "drives")
        try:
            for kind in ("ext4", "xfs"):
                drive = factory(kind, 1024 * MIB)
                taken: dict[int, list[float]] = {batch: [] for batch in METHODS}
                for run in range(options.runs):
                    # in turn, so that a slow moment of the machine does not meet one method only
                    for batch in METHODS:
                        folder = drive.root / f"{run}-{batch}"
                        taken[batch].append(write_durably(drive, folder, options.files, batch, effects))
                        drive.sync()
                base_s = statistics.median(taken[EACH])
                for batch in METHODS:
                    median_s = statistics.median(taken[batch])
                    name = "fsync of each" if batch == EACH else f"syncfs for each {batch}"
                    spread = f"({min(taken[batch]):.2f}-{max(taken[batch]):.2f})"
                    rate, ratio = options.files / median_s, base_s / median_s
                    print(f"{kind:6} {name:24} {median_s:8.2f} {spread:>15} {rate:8.0f} {ratio:8.1f}")
        finally:
            factory.close()


if __name__ == "__main__":
    main()
