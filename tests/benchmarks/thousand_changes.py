"""A night with a thousand files each changed, new, moved and removed, in trees of different sizes.

    python tests/benchmarks/thousand_changes.py [--files 100000 1000000] [--rounds 3]

What such a night takes beyond comparing is to grow with the changes and not with the tree. Among what moves is a folder
of 900 sparse files of 100 GiB in all, of which nothing may be copied. Needs root; touches only the drives it makes.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
from dataclasses import dataclass
from pathlib import Path

from large_trees import FILES_A_FOLDER, Settled, folder_name, settled_pair
from measure import MIB, SCAN, Bench, Case, Row, finish, parser, phases, reached, spend

EACH = 1_000
MOVED_ALONE = 100
SESSION_FILES = EACH - MOVED_ALONE
SESSION_BYTES = 100 << 30
CHANGED_BYTES = 4096
# Beyond comparing, a night over the larger tree may take so much longer than one over the smaller.
REACH = 1.25
BEYOND = "beyond comparing"
_FOLDERS = EACH // FILES_A_FOLDER


def make_session(root: Path, number: int) -> None:
    """A folder of long sparse recordings."""
    folder = root / f"session {number}"
    folder.mkdir()
    for each in range(SESSION_FILES):
        with open(folder / f"{each:03} take.wav", "wb") as file:
            file.truncate(SESSION_BYTES // SESSION_FILES // MIB * MIB)


@dataclass
class Changes:
    """Makes the changes of one round; each round has files of its own."""

    root: Path
    number: int

    @property
    def folders(self) -> list[Path]:
        """Those whose files change, move or go: three parts."""
        first = self.number * 3 * _FOLDERS
        return [self.root / folder_name(each) for each in range(first, first + 3 * _FOLDERS)]

    def make(self) -> None:
        changed, moved, removed = (self.folders[at : at + _FOLDERS] for at in range(0, 3 * _FOLDERS, _FOLDERS))
        for folder in changed:
            for file in folder.iterdir():
                # It keeps the bytes that it began with: whole files of noise are held back, as encrypted.
                file.write_bytes(bytes(16) + os.urandom(CHANGED_BYTES - 16))
        (self.root / f"moved {self.number}").mkdir()
        for at, file in enumerate(file for folder in moved for file in sorted(folder.iterdir())):
            if at < MOVED_ALONE:
                file.rename(self.root / f"moved {self.number}" / f"{at:04} kyrie.wav")
        (self.root / f"session {self.number}").rename(self.root / f"the session of {self.number}")
        for folder in removed:
            shutil.rmtree(folder)
        new = self.root / f"new {self.number}"
        new.mkdir()
        for each in range(EACH):
            (new / f"{each:04} agnus.wav").write_bytes(os.urandom(CHANGED_BYTES))


def prepare(bench: Bench, files: int, rounds: int) -> Settled:
    """A pair with so many files, and what is going to be changed in so many rounds."""
    rounds += 1  # for the memory of the pages and the code
    to_copy = [str(folder) for number in range(rounds) for folder in Changes(Path(), number).folders]
    to_copy += [f"session {number}" for number in range(rounds)]
    return settled_pair(
        bench, files, more=lambda root: [make_session(root, number) for number in range(rounds)],
        to_copy=tuple(to_copy), copied_bytes=256 * MIB,
    )  # fmt: skip


def measure(bench: Bench, settled: Settled, files: int, rounds: int) -> Row:
    """One line of the table; ``settled`` as ``prepare`` makes it."""
    numbers = iter(range(rounds + 1))

    def change() -> None:
        Changes(settled.pair.primary.root, next(numbers)).make()

    change()
    night = Case("nightferry run", settled.pair.run_command(), change, _figures)
    quiet = Case("nightferry run, nothing changed", settled.pair.run_command(), figures=phases)
    spend(quiet)
    _, row = bench.compare(f"4,000 changes among {files:,} files", "warm", [quiet, night])
    return row


def judge(rows: dict[int, Row]) -> str:
    """A sentence on rows of different sizes."""
    beyond = {files: row.figures[BEYOND] for files, row in sorted(rows.items())}
    least, most = min(beyond), max(beyond)
    how = reached(beyond[most] <= REACH * beyond[least])
    told = ", ".join(f"{seconds:.2f} s among {files:,} files" for files, seconds in beyond.items())
    if len(beyond) == 1:
        return f"4,000 changes, beyond comparing: {told}"
    return f"4,000 changes, beyond comparing: {told}: {how} (at most {REACH} of it in the smaller tree)"


def _figures(stdout: bytes) -> dict[str, float]:
    (pair,) = json.loads(stdout)["pairs"]
    counts = pair["counts"]
    found = {name: counts[name]["files"] for name in ("added", "changed", "moved", "removed")}
    wanted = {"added": EACH, "changed": EACH, "moved": MOVED_ALONE, "removed": EACH}
    copied_bytes = counts["added"]["bytes"] + counts["changed"]["bytes"]
    if found != wanted or counts["moved"]["folders"] != 1 or copied_bytes != 2 * EACH * CHANGED_BYTES:
        raise RuntimeError(f"the night did not do what it was to: {counts}")
    told = phases(stdout)
    return {BEYOND: round(told["night"] - told[SCAN] - told["preflight"], 3), **told}


def main() -> None:
    options = parser(__doc__, rounds=3)
    options.add_argument("--files", type=int, nargs="+", default=(100_000, 1_000_000))
    args: argparse.Namespace = options.parse_args()
    rows: dict[int, Row] = {}
    for files in args.files:
        with Bench(args) as bench:
            rows[files] = measure(bench, prepare(bench, files, args.rounds), files, args.rounds)
    finish(args, list(rows.values()), [judge(rows)])


if __name__ == "__main__":
    main()
