"""Runs all benchmarks and writes one table of them, with its date and machine.

    python tests/benchmarks/all.py [--quick] [--rounds 3] [--markdown FILE] [--json FILE] [--only NAME ...]

Each is run against the ordinary tool in the same run, in turn; the table has medians, ratios and whether what was to be
reached was reached. `--quick` takes sizes so small that the numbers mean little: it shows that all of them run. Needs
root, some 30 GiB below --folder, and a machine that does nothing else. Touches only the drives it makes itself.
"""

from __future__ import annotations

import argparse
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from json import loads
from pathlib import Path

import growth
import quiet_night
import thousand_changes
import verify_rate
from large_trees import settled_pair
from measure import GIB, Bench, Row, finish, machine, parser, table

from drives import missing_throttle

HERE = Path(__file__).resolve().parent
Found = tuple[list[Row], list[str]]


@dataclass
class Sizes:
    """What is measured with."""

    trees: tuple[int, ...]
    large_gib: tuple[int, ...]
    verify_mib: int
    verify_small: int
    # Options of the benchmarks that are programs of their own.
    options: dict[str, list[str]]


FULL = Sizes(
    (10_000, 100_000, 1_000_000), (1, 10, 100), 1024, 5_000,
    {"small_files": ["--cache", "cold"], "throttled_copy": ["--mib", "1024"]},
)  # fmt: skip
QUICK = Sizes(
    (10_000, 20_000), (1, 2), 256, 200,
    {
        "first_night": ["--gib", "0.1"], "small_files": ["--files", "1000", "--cache", "cold"],
        "cpu": ["--gib", "0.1", "--files", "500"], "restore": ["--gib", "0.1", "--files", "500"],
        "rehearsal": ["--gib", "0.1", "--files", "500"],
        "throttled_copy": ["--mib", "128"],
    },
)  # fmt: skip


def trees(args: argparse.Namespace, sizes: Sizes) -> Found:
    """All that is measured on large trees, so that each is made once."""
    rows: list[Row] = []
    said: list[str] = []
    points: list[growth.Point] = []
    changes: dict[int, Row] = {}
    for files in sizes.trees:
        with Bench(args) as bench:
            changing = files in sizes.trees[-2:]
            settled = thousand_changes.prepare(bench, files, args.rounds) if changing else settled_pair(bench, files)
            points.append(growth.point(settled, files))
            if files == sizes.trees[-1]:
                rows, said = quiet_night.measure(bench, settled, files, by_phase=True)
            if changing:
                changes[files] = thousand_changes.measure(bench, settled, files, args.rounds)
    said += ["", thousand_changes.judge(changes), ""]
    said += growth.table(points, growth.large_files(args, sizes.large_gib))
    return [*rows, *changes.values()], said


def verification(args: argparse.Namespace, sizes: Sizes) -> Found:
    if why := missing_throttle():
        return [], [f"verification of slowed-down drives was not measured: {why}"]
    with Bench(args) as bench:
        return verify_rate.measure(bench, sizes.verify_mib, sizes.verify_small)


def program(name: str) -> Callable[[argparse.Namespace, Sizes], Found]:
    """A benchmark of its own, run as a person runs it."""

    def run(args: argparse.Namespace, sizes: Sizes) -> Found:
        with tempfile.NamedTemporaryFile(suffix=".json") as told:
            command = [sys.executable, HERE / f"{name}.py", "--json", told.name, "--folder", args.folder]
            command += [
                "--rounds",
                str(args.rounds),
                *(["--quiet"] if args.quiet else []),
                *sizes.options.get(name, []),
            ]
            with subprocess.Popen(command, stdout=subprocess.DEVNULL, process_group=0) as child:
                try:
                    code = child.wait()
                except BaseException:  # stopped: not killed, as `run` does, since it has drives to take apart
                    child.terminate()
                    raise
            if code:
                raise subprocess.CalledProcessError(code, command)
            document = loads(Path(told.name).read_bytes())
        return [Row(**row) for row in document["rows"]], document.get("said", [])

    return run


def start_up(args: argparse.Namespace, sizes: Sizes) -> Found:
    """Commands that are asked often; that program has a table of its own."""
    told = subprocess.run(
        [sys.executable, HERE / "start_up.py", str(args.rounds * 3)], check=True, stdout=subprocess.PIPE, text=True
    ).stdout
    return [], ["Start of the commands that are asked most often:", "", "```", *told.splitlines(), "```"]


PROGRAMS = ("first_night", "small_files", "throttled_copy", "restore", "rehearsal", "cpu")
BENCHMARKS: dict[str, Callable[[argparse.Namespace, Sizes], Found]] = {
    **{name: program(name) for name in PROGRAMS},
    "trees": trees,
    "verification": verification,
    "start_up": start_up,
}


def markdown(rows: Sequence[Row], said: Sequence[str], taken_s: float) -> str:
    """The table as the README quotes it."""
    on = machine()
    head = (
        f"Measured on {on['date']}, {on['cores']} cores ({on['processor']}), {int(on['memory_bytes']) / GIB:.0f} GiB of"
        f" memory, Linux {on['kernel']}, Python {on['python']}, ext4 on loop devices; medians;"
        f" {taken_s / 60:.0f} minutes for all of it. A ratio is to the first line of its group."
    )
    return "\n".join([head, "", table(rows), "", *said, ""])


def main() -> None:
    options = parser(__doc__, rounds=3)
    options.add_argument("--quick", action="store_true", help="small sizes, to see that all of it runs")
    options.add_argument("--markdown", type=Path, metavar="FILE", help="write the table here")
    options.add_argument("--only", nargs="+", choices=list(BENCHMARKS), default=list(BENCHMARKS))
    args = options.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    if args.quick:
        args.rounds = 1
    sizes = QUICK if args.quick else FULL
    began_s = time.monotonic()
    rows: list[Row] = []
    said: list[str] = []
    for name in args.only:
        more, words = BENCHMARKS[name](args, sizes)
        rows, said = rows + more, [*said, *words, ""]
    finish(args, rows, said)
    if args.markdown is not None:
        args.markdown.write_text(markdown(rows, said, time.monotonic() - began_s))


if __name__ == "__main__":
    main()
