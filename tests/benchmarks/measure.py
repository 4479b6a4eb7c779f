"""What the benchmarks share: drives, commands run in turn with the ordinary tool, medians, ratios, a table.

    with Bench(args) as bench:                         # a folder, real drives in it, all taken apart at the end
        primary, secondary = bench.drive("ext4", size), bench.drive("ext4", size)
        pair = BenchPair(bench, primary, secondary, read_back="off")
        rows = bench.compare(
            "first night of big media", "cold",
            [Case("cp -a; sync", shell("cp -a …"), prepare), Case("nightferry run", pair.run_command(), pair.renew)],
        )
    finish(args, rows)                                 # prints the table, and writes it as JSON for the suite

Everything that is measured is a real command in a process of its own. Its processor time is that of the process and of
all children it waited for (wait4(2)); its memory the largest of any of them. What the kernel does on its own threads
(writing back, the loop device) is in no process's account, theirs or ours.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import platform
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from drives import _FORMAT, MIB, CommandError, Drive, DriveFactory, Kind, missing_privileges, run

GIB = 1 << 30
SCAN = "scan and compare"  # the phase that does what `find` does
NIGHTFERRY = (sys.executable, "-m", "nightferry")
# What a first night is compared with: ``shell(COPY, primary, secondary)``.
COPY = 'cp -a "$1/." "$2/copy"; sync -f "$2"'
_CPU = Path("/sys/fs/cgroup/cpu")  # cgroup v1: Documentation/scheduler/sched-bwc.rst


@dataclass
class Spent:
    """What one run of a command took, its children included; ``peak_bytes`` is that of the largest of them."""

    wall_s: float
    user_s: float
    system_s: float
    peak_bytes: int
    figures: dict[str, float] = field(default_factory=dict)

    @property
    def cpu_s(self) -> float:
        return self.user_s + self.system_s


@dataclass
class Case:
    """One contestant.

    Attributes:
        name: as the table shows it.
        command: the argument vector; run again in each round.
        prepare: called before each run, not measured: puts everything back to where it begins.
        figures: makes more numbers of what it wrote to stdout, such as the night's own phases.
        within: put before the command, as ``ON_ONE_CORE``.
        around: made and entered for each run, after ``prepare``: as drives that are slowed down while it lasts.
    """

    name: str
    command: Sequence[str | bytes | Path]
    prepare: Callable[[], None] = lambda: None
    figures: Callable[[bytes], dict[str, float]] = lambda stdout: {}
    within: Sequence[str | Path] = ()
    around: Callable[[], contextlib.AbstractContextManager[None]] = contextlib.nullcontext


@dataclass
class Row:
    """One line of the table: medians of several runs, and how they compare with the first case of their group."""

    benchmark: str
    case: str
    cache: str  # cold or warm
    runs: int
    wall_s: float
    wall_least_s: float
    wall_most_s: float
    cpu_s: float
    user_s: float
    system_s: float
    peak_bytes: int
    wall_ratio: float | None  # median of the ratios of each round to the first case in that round
    cpu_ratio: float | None
    reach: float | None = None  # the wall ratio that is to be reached
    figures: dict[str, float] = field(default_factory=dict)


def shell(script: str, *arguments: str | bytes | Path) -> list[str | bytes | Path]:
    """A command of ordinary tools, its arguments as ``$1``, ``$2`` and so on."""
    return ["sh", "-c", f"set -e; {script}", "sh", *arguments]


def spend(case: Case) -> Spent:
    """Runs a command once and says what it took; raises where it ends otherwise than it should."""
    with tempfile.TemporaryFile() as stdout, tempfile.TemporaryFile() as stderr:
        begin_s = time.perf_counter()
        child = subprocess.Popen(
            [*case.within, *case.command], stdin=subprocess.DEVNULL, stdout=stdout, stderr=stderr, process_group=0
        )  # fmt: skip
        try:
            _, status, usage = os.wait4(child.pid, 0)
        except BaseException:  # stopped: nobody may work on drives that are about to be taken apart
            _end(child)
            raise
        wall_s = time.perf_counter() - begin_s
        child.returncode = os.waitstatus_to_exitcode(status)  # so that nobody waits for it again
        for file in (stdout, stderr):
            file.seek(0)
        said, complained = stdout.read(), stderr.read()
        if child.returncode != 0:
            raise RuntimeError(f"{case.name}: ended with {child.returncode}: {(complained + said)[-4000:].decode()}")
    figures = case.figures(said)
    return Spent(wall_s, usage.ru_utime, usage.ru_stime, usage.ru_maxrss << 10, figures)


def _end(child: subprocess.Popen[bytes]) -> None:
    """Ends a command, with those that it started: its process group."""
    for number in (signal.SIGTERM, signal.SIGKILL):
        with contextlib.suppress(ProcessLookupError):
            os.killpg(child.pid, number)
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(30)
            return


def drop_caches() -> None:
    """Whatever is read next comes from the device. What waits to be written is written first."""
    os.sync()
    Path("/proc/sys/vm/drop_caches").write_text("3")


class Bench:
    """One benchmark: its folder, its drives, its options."""

    def __init__(self, args: argparse.Namespace) -> None:
        self.args = args
        self._stack = contextlib.ExitStack()

    def __enter__(self) -> Bench:
        if why := missing_privileges():
            sys.exit(why)
        # So that the drives are taken apart then too.
        self._handler_before = signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
        self.folder = Path(
            self._stack.enter_context(tempfile.TemporaryDirectory(prefix="nightferry-bench-", dir=self.args.folder))
        )
        self._drives = DriveFactory(self.folder / "drives")
        self._stack.callback(self._drives.close)
        return self

    def __exit__(self, *_: object) -> None:
        signal.signal(signal.SIGTERM, signal.SIG_IGN)  # a second one must not leave drives behind
        self._stack.close()
        signal.signal(signal.SIGTERM, self._handler_before)

    def drive(
        self, kind: Kind, size_bytes: int, *, filled: bool = True, format_options: Sequence[str] = ()
    ) -> Drive:  # fmt: skip
        """A fresh drive. ``filled``: its image has all its blocks already, as a disk does: the file system below it has
        none to find while something is measured."""
        drive = self._drives(kind, size_bytes, format_options=format_options)
        if filled:
            drive.detach()
            with drive.image.open("r+b", buffering=0) as image:
                zeros = bytes(4 * MIB)
                for _ in range(0, drive.image.stat().st_size, len(zeros)):
                    image.write(zeros)
                os.fsync(image.fileno())
            self.renew(drive)
        return drive

    def renew(self, drive: Drive) -> None:
        """Empties a drive by formatting it anew: each run meets the very same file system."""
        if drive.is_mounted:
            drive.unmount()
        if not drive.device:
            drive.attach()
        for attempt in range(60):
            try:
                run(*_FORMAT[drive.kind], drive.device)
                break
            except CommandError:  # still mounted in another namespace, that of a process which is about to end
                if attempt == 59:
                    raise
                time.sleep(0.5)
        drive.mount()

    def compare(self, benchmark: str, cache: str, cases: Sequence[Case], *, reach: float | None = None) -> list[Row]:
        """Runs the cases in turn, ``--rounds`` times; the first is what the others are compared with.

        In turn, so that a slow moment of the machine does not meet one of them only. Before a cold run all caches
        are dropped; before a warm one whatever ``prepare`` did is left as it is.
        """
        taken: dict[str, list[Spent]] = {case.name: [] for case in cases}
        for number in range(self.args.rounds):
            for case in cases:
                case.prepare()
                os.sync()
                if cache == "cold":
                    drop_caches()
                with case.around():
                    spent = spend(case)
                taken[case.name].append(spent)
                self._say(f"{benchmark}, {cache}, round {number + 1}: {case.name}: {_short(spent)}")
        base = taken[cases[0].name]
        return [_row(benchmark, case.name, cache, taken[case.name], base, reach) for case in cases]

    def _say(self, line: str) -> None:
        if not self.args.quiet:
            print(line, file=sys.stderr, flush=True)


def finish(args: argparse.Namespace, rows: Sequence[Row], said: Sequence[str] = ()) -> None:
    """Prints the table and the sentences beside it, and writes both where ``--json`` says."""
    print("\n".join([*([table(rows), ""] if rows else []), *said]))
    if args.json is not None:
        document = {"machine": machine(), "rows": [asdict(row) for row in rows], "said": list(said)}
        args.json.write_text(json.dumps(document, indent=1) + "\n")


def parser(about: str | None, *, rounds: int = 5) -> argparse.ArgumentParser:
    """The options that all benchmarks have."""
    made = argparse.ArgumentParser(description=about, formatter_class=argparse.RawDescriptionHelpFormatter)
    made.add_argument("--rounds", type=int, default=rounds, help=f"runs of each, in turn (default: {rounds})")
    made.add_argument("--folder", type=Path, default=Path("/var/tmp"), help="where the images lie (default: /var/tmp)")
    made.add_argument("--json", type=Path, metavar="FILE", help="write the rows here too")
    made.add_argument("--quiet", action="store_true", help="say nothing of each run, only the table")
    return made


class BenchPair:
    """A pair as a user has it: a configuration, two drives, and the commands."""

    def __init__(
        self, bench: Bench, primary: Drive, secondary: Drive, state: Path | None = None, **settings: object
    ) -> None:
        """``settings`` go into the configuration, such as ``read_back="off"``; ``state`` is where the manifest lies."""
        self._bench = bench
        self.primary, self.secondary = primary, secondary
        self.state = state or bench.folder / "state"
        self.config = bench.folder / "nightferry.toml"
        self.configure(**settings)

    def configure(self, **settings: object) -> None:
        """Writes the configuration. What hinders a measurement is off: nothing to wait for, no room kept free."""
        given = {
            "settle_quiet": "0s", "keep_free": "0GiB", "rehearse_share": "off", "hold_share": "off",
            "hold_count": "off", **settings,
        }  # fmt: skip
        lines = [f'state_dir = "{self.state}"', "[[pair]]", 'name = "recordings"', f'primary = "{self.primary.root}"']
        lines += [f'secondary = "{self.secondary.root}"', *(f"{name} = {json.dumps(v)}" for name, v in given.items())]
        self.config.write_text("\n".join(lines) + "\n")

    def command(self, *words: str | Path) -> list[str | Path]:
        return [*NIGHTFERRY, "--config", self.config, *words]

    def run_command(self) -> list[str | Path]:
        """A night, whatever the time of day."""
        return self.command("run", "--without-window", "--json", "recordings")

    def renew(self) -> None:
        """An empty secondary, no state, and a pair of it: what stands before a first night."""
        self._bench.renew(self.secondary)
        self.pair()

    def empty(self) -> None:
        """An empty secondary, and the folder in it that ``COPY`` fills."""
        self._bench.renew(self.secondary)
        (self.secondary.root / "copy").mkdir()

    def pair(self) -> None:
        """Makes the two drives a pair, as if they had never been one."""
        shutil.rmtree(self.state, ignore_errors=True)
        for drive in (self.primary, self.secondary):
            (drive.root / ".nightferry-volume.toml").unlink(missing_ok=True)
        run(*self.command("pair", "--yes", "recordings"))

    def case(self, name: str = "nightferry run", **given: Any) -> Case:
        """A night as a case; its phases are told beside it."""
        return Case(name, self.run_command(), given.pop("prepare", self.renew), phases, **given)


def phases(stdout: bytes) -> dict[str, float]:
    """From ``nightferry run --json``: the seconds of each phase, and of the night alone: all of them together, so
    without the start of Python, the seal and the report."""
    found = {name: round(seconds, 3) for name, seconds in json.loads(stdout)["pairs"][0]["phase_s"].items()}
    return {"night": round(sum(found.values()), 3), **found}


# --- slower machines


# For ``Case.within``: the command, and what it starts, on one core.
ON_ONE_CORE = ("taskset", "--cpu-list", str(min(os.sched_getaffinity(0))))


@contextlib.contextmanager
def share_of_a_core(share: float) -> Iterator[Sequence[str | Path]]:
    """For ``Case.within``: the command, and what it starts, get this share of one core's time (cpu.cfs_quota_us)."""
    group = _CPU / f"nightferry-bench-{os.getpid()}"
    group.mkdir()
    try:
        (group / "cpu.cfs_period_us").write_text("100000")
        (group / "cpu.cfs_quota_us").write_text(str(int(100_000 * share)))
        yield ("sh", "-c", 'echo $$ >"$0"; exec "$@"', group / "cgroup.procs")
    finally:
        for _ in range(50):  # what was in it may be about to end
            with contextlib.suppress(OSError):
                group.rmdir()
                break
            time.sleep(0.1)


# --- numbers and words


def _row(
    benchmark: str, name: str, cache: str, taken: Sequence[Spent], base: Sequence[Spent], reach: float | None
) -> Row:  # fmt: skip
    walls = [each.wall_s for each in taken]
    is_base = taken is base
    figures = {key: statistics.median(each.figures.get(key, 0.0) for each in taken) for key in taken[0].figures}
    return Row(
        benchmark, name, cache, len(taken), statistics.median(walls), min(walls), max(walls),
        statistics.median(each.cpu_s for each in taken), statistics.median(each.user_s for each in taken),
        statistics.median(each.system_s for each in taken), max(each.peak_bytes for each in taken),
        None if is_base else statistics.median(a.wall_s / b.wall_s for a, b in zip(taken, base, strict=True)),
        None if is_base else statistics.median(a.cpu_s / b.cpu_s for a, b in zip(taken, base, strict=True)),
        None if is_base else reach, figures,
    )  # fmt: skip


def _short(spent: Spent) -> str:
    return f"{spent.wall_s:.2f} s, user {spent.user_s:.2f} s, system {spent.system_s:.2f} s"


def table(rows: Sequence[Row]) -> str:
    """The rows as a Markdown table."""
    lines = [
        "| benchmark | cache | what | wall s (least to most) | ratio | to reach | user + system s | ratio | peak MiB |",
        "| --- | --- | --- | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    lines += [
        f"| {row.benchmark} | {row.cache} | {row.case} |"
        f" {row.wall_s:.2f} ({row.wall_least_s:.2f} to {row.wall_most_s:.2f}) | {_ratio(row.wall_ratio)} |"
        f" {_reached(row)} | {row.user_s:.2f} + {row.system_s:.2f} | {_ratio(row.cpu_ratio)} |"
        f" {row.peak_bytes / MIB:.0f} |"
        for row in rows
    ]
    for row in rows:
        if row.figures:
            shown = ", ".join(f"{name} {value:.2f}" for name, value in row.figures.items())
            lines.append(f"\n{row.benchmark}, {row.cache}, {row.case}: {shown}")
    return "\n".join(lines)


def _reached(row: Row) -> str:
    if row.reach is None or row.wall_ratio is None:
        return ""
    return f"{row.reach:.2f}, {reached(row.wall_ratio <= row.reach)}"


def reached(is_so: bool) -> str:
    return "reached" if is_so else "NOT reached"


def _ratio(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


def machine() -> dict[str, str | int]:
    """What a number was measured on."""
    about = Path("/proc/cpuinfo").read_text().splitlines()
    processor = next((line.split(":", 1)[1].strip() for line in about if "model name" in line), platform.machine())
    return {
        "date": f"{datetime.now(UTC):%Y-%m-%d}",
        "kernel": platform.release(),
        "processor": processor,
        "cores": os.cpu_count() or 0,
        "memory_bytes": os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES"),
        "python": platform.python_version(),
    }
