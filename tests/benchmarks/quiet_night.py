"""A night with nothing changed, beside `find -printf` of the same metadata: time, memory, what it writes.

    python tests/benchmarks/quiet_night.py [--files 1000000] [--rounds 5] [--phases]

A million files in 20,000 folders on ext4 on a loop device, the state on a drive of its own, whose sectors are counted.
`--phases` tells of one night with everything that it does by default, phase by phase. Needs root; touches only the
drives it makes itself.
"""

from __future__ import annotations

import argparse
import os
import resource
import time
from collections.abc import Sequence
from dataclasses import replace

from large_trees import FIND_FORMAT, Settled, bytes_a_file, settled_pair, written_bytes
from measure import MIB, SCAN, Bench, Case, Row, drop_caches, finish, parser, phases, reached, spend

from nightferry.night.context import Clock, Unwatched
from nightferry.night.run import run_night
from nightferry.reporting.page.reports import leave_night_report

REACH = {"warm": 1.5, "cold": 1.15}
MEMORY_LIMIT_BYTES = 120 * MIB
WRITES_LIMIT_BYTES = 1 * MIB
ROW_LIMIT_BYTES = 200


def measure(bench: Bench, settled: Settled, files: int, *, by_phase: bool = False) -> tuple[list[Row], list[str]]:
    """Rows of the table, and sentences on what has no row there."""
    find = Case("find -printf", ["find", settled.pair.primary.root, "-xdev", "-printf", FIND_FORMAT])
    night = Case("nightferry run", settled.pair.run_command(), figures=phases)
    name = f"quiet night, {files:,} files"
    rows: list[Row] = []
    for cache, reach in REACH.items():
        found = bench.compare(name, cache, [find, night])
        rows += [*found, scan_row(found, reach)]
    peak_bytes = max(row.peak_bytes for row in rows if row.case == night.name)
    before = written_bytes(settled.state)
    spend(night)
    state_bytes = written_bytes(settled.state) - before
    row_bytes = bytes_a_file(settled)
    said = [
        goal(f"peak memory {peak_bytes / MIB:.0f} MiB", peak_bytes <= MEMORY_LIMIT_BYTES, "120 MiB"),
        goal(f"{state_bytes / 1024:.0f} KiB written to the state", state_bytes <= WRITES_LIMIT_BYTES, "1 MiB"),
        goal(f"manifest {row_bytes:.0f} bytes a file beside its name", row_bytes <= ROW_LIMIT_BYTES, "200"),
    ]
    if by_phase:
        said += ["", *phase_table(settled)]
    return rows, said


def scan_row(found: Sequence[Row], reach: float) -> Row:
    """The night's own part that does what ``find`` does, as a line of its own."""
    find, night = found
    scan_s = night.figures[SCAN]
    return replace(
        night, case="of it: scan and compare", wall_s=scan_s, wall_least_s=scan_s, wall_most_s=scan_s,
        wall_ratio=scan_s / find.wall_s, cpu_ratio=None, user_s=0.0, system_s=0.0, cpu_s=0.0, reach=reach, figures={},
    )  # fmt: skip


def goal(what: str, is_so: bool, limit: str) -> str:
    return f"{what}: {reached(is_so)} (at most {limit})"


# --- one night, phase by phase


class PhaseCosts(Unwatched):
    """Processor time and writes of each phase. Of this process, so what the kernel writes later is not in it."""

    def __init__(self) -> None:
        self.costs: list[tuple[str, float, float, int, int]] = []
        self._name = ""
        self._since = self._now()

    def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
        now = self._now()
        if self._name:
            wall_s, cpu_s, written = (after - before for after, before in zip(now[:3], self._since[:3], strict=True))
            self.costs.append((self._name, wall_s, cpu_s, int(written), int(now[3])))
        self._name, self._since = name, self._now()

    def _now(self) -> tuple[float, float, float, float]:
        usage = resource.getrusage(resource.RUSAGE_SELF)
        with open("/proc/self/io") as io:
            written = next(int(line.split()[1]) for line in io if line.startswith("write_bytes"))
        return time.monotonic(), usage.ru_utime + usage.ru_stime, written, usage.ru_maxrss * 1024


def phase_table(settled: Settled) -> list[str]:
    """Of a night with all defaults but verification, in a process of its own, cold and warm."""
    lines = [
        "| phase | cache | wall s | processor s | written MiB | peak MiB |",
        "| --- | --- | ---: | ---: | ---: | ---: |",
    ]
    for cache in ("cold", "warm"):
        if cache == "cold":
            drop_caches()
        reader, writer = os.pipe()
        pid = os.fork()
        if pid == 0:
            code = 1
            try:
                os.write(writer, "\n".join(_one_night(settled, cache)).encode())
                code = 0
            finally:
                os._exit(code)
        os.close(writer)
        with os.fdopen(reader) as pipe:
            lines += pipe.read().splitlines()
        _, status = os.waitpid(pid, 0)
        if status:
            raise RuntimeError("the night of which the phases are told failed")
    return lines


def _one_night(settled: Settled, cache: str) -> list[str]:
    costs = PhaseCosts()
    result = run_night(settled.settings(), settled.pair.state, costs, clock=Clock(), report=leave_night_report)
    costs.phase("end")
    if result.outcome != "complete":
        raise RuntimeError(f"the night came to {result.outcome}: {result.failure}")
    return [
        f"| {name} | {cache} | {wall_s:.2f} | {cpu_s:.2f} | {written / MIB:.2f} | {peak / MIB:.0f} |"
        for name, wall_s, cpu_s, written, peak in costs.costs
        if wall_s >= 0.005
    ]


def main() -> None:
    options = parser(__doc__)
    options.add_argument("--files", type=int, default=1_000_000)
    options.add_argument("--phases", action=argparse.BooleanOptionalAction, default=False, help="a table by phase too")
    args = options.parse_args()
    with Bench(args) as bench:
        rows, said = measure(bench, settled_pair(bench, args.files), args.files, by_phase=args.phases)
    finish(args, rows, said)


if __name__ == "__main__":
    main()
