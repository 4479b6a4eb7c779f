"""Lives every case of the small tree (cases.py), or a part, and counts what failed.

python tests/lives/exhaustive.py --part 3/8 --jobs 2        every eighth sequence, from the third
python tests/lives/exhaustive.py --from 51200               goes on at a number
python tests/lives/exhaustive.py --every 499 --offset 17    evenly spread: numbers 17, 516, ...
python tests/lives/exhaustive.py --case 51213               one again: printed as a script for run.py, and lived
python tests/lives/exhaustive.py --count                    how many there are, and lives none

Each case begins with a pair that is made anew. A saved image put back would give each file of the primary another inode
and ctime, by which the program knows a file; and making a pair takes a twentieth of a case.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import NamedTuple, TextIO

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from lives import small_events
from lives.cases import SLOTS, Case, case, sequences, total
from lives.life import Worlds, live, script, shrink
from lives.world import Step, World

assert small_events  # enters its steps


class Lived(NamedTuple):
    """``rule`` None: nothing failed. ``reached`` False: its event did not come about, so that it is no case."""

    number: int
    kind: str
    rule: str | None = None
    message: str = ""
    nights: int = 0
    cpu_s: float = 0.0
    reached: bool = True


class _Watched:
    """The steps of a case, which end where its event does not come about: the night was over before the barrier, or had
    nothing to hold."""

    def __init__(self, chosen: Case) -> None:
        self._steps = chosen.steps
        self._goes_on = chosen.shape == "three"
        self._world: World | None = None
        self.reached = True

    def make(self, base: Path) -> World:
        self._world = World(base)
        return self._world

    def __iter__(self) -> Iterator[Step]:
        for step in self._steps:
            yield step
            if not self._goes_on and not self._came_about(step):
                self.reached = False
                return

    def _came_about(self, step: Step) -> bool:
        assert self._world is not None
        name, args = step
        said = self._world.last
        if name == "disturbed_night" and args["how"] == "barrier":
            return said is not None and said.outcome == "killed"
        return name != "held_night" or (said is not None and said.outcome == "held")


def run(chosen: Case) -> Lived:
    """Lives a case."""
    began, watched = _cpu_s(), _Watched(chosen)
    outcome = live(watched, watched.make)
    rule, message = (None, "") if outcome.failure is None else (outcome.failure.rule, outcome.failure.message)
    return Lived(chosen.number, chosen.told, rule, message, outcome.nights, _cpu_s() - began, watched.reached)


def run_all(numbers: Iterable[int]) -> list[Lived]:
    """Lives the cases of these numbers; behind the last barrier of a night no more of its sequence are tried."""
    done: list[Lived] = []
    over: tuple[int, str] | None = None
    for number in numbers:
        chosen = case(number)
        if chosen is None or (number // SLOTS, chosen.kind) == over:
            continue
        lived = run(chosen)
        done.append(lived)
        if not lived.reached:
            over = number // SLOTS, chosen.kind
    return done


def _cpu_s() -> float:
    """Of this process and of those that it waited for."""
    return sum(os.times()[:4])


# --- the command line


def main() -> int:
    args = _arguments()
    if args.case is not None:
        return _one(args.case, shrunk=args.shrink)
    tasks = list(_tasks(args))
    if args.only:
        tasks = [[number for number in task if _kind(number).startswith(args.only)] for task in tasks]
    if args.count:
        _count(tasks)
        return 0
    return _many(tasks, args)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--part", default="1/1", help="of how many: every n-th sequence")
    parser.add_argument("--from", type=int, default=0, dest="first", help="the first number")
    parser.add_argument("--to", type=int, default=None, help="the number behind the last")
    parser.add_argument("--every", type=int, default=1, help="of the numbers only each so many-th")
    parser.add_argument("--offset", type=int, default=0, help="with --every: the remainder")
    parser.add_argument(
        "--only", default="", help="kinds that begin so, as --count names them, such as 'together: rot'"
    )
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--case", type=int, help="one, printed as a script")
    parser.add_argument("--shrink", action="store_true", help="cut what fails down to the fewest steps")
    parser.add_argument("--count", action="store_true", help="only says how many there are")
    parser.add_argument("--out", type=Path, help="a file for what failed, one JSON document a line")
    return parser.parse_args()


def _tasks(args: argparse.Namespace) -> Iterator[list[int]]:
    """Numbers, sequence by sequence."""
    part, parts = map(int, args.part.split("/"))
    end = total() if args.to is None else min(args.to, total())
    for place in range(-(-total() // SLOTS)):
        if place % parts != part - 1:
            continue
        first = place * SLOTS
        numbers = range(max(first, args.first), min(first + SLOTS, end))
        chosen = [number for number in numbers if number % args.every == args.offset]
        if chosen:
            yield chosen


def _kind(number: int) -> str:
    chosen = case(number)
    return "" if chosen is None else chosen.told


def _count(tasks: list[list[int]]) -> None:
    kinds: Counter[str] = Counter()
    for number in (each for task in tasks for each in task):
        if kind := _kind(number):
            kinds[kind] += 1
    shapes = Counter(each.shape for each in sequences())
    print(f"{dict(shapes)} sequences; {kinds.total()} cases, those behind a night's last barrier among them:")
    for kind, count in sorted(kinds.items()):
        print(f"  {kind}: {count}")


def _one(number: int, *, shrunk: bool) -> int:
    chosen = case(number)
    if chosen is None:
        print(f"{number} has no case; --count says how many there are")
        return 2
    print(f"# {number}, {chosen.told}")
    print(script(chosen.steps))
    lived = run(chosen)
    print(f"[{lived.rule}] {lived.message}" if lived.rule else "nothing failed" if lived.reached else "not reached")
    if lived.rule and shrunk:
        print(script(shrink(list(chosen.steps), lived.rule, Worlds())))
    return 1 if lived.rule else 0


def _many(tasks: list[list[int]], args: argparse.Namespace) -> int:
    began = time.monotonic()
    totals: Counter[str] = Counter()
    failed: dict[tuple[str, str], list[int]] = defaultdict(list)
    nights, cpu_s, last = 0, 0.0, 0
    sequences()  # before the processes part
    with ExitStack() as stack:
        out = stack.enter_context(args.out.open("a")) if args.out else None
        pool = stack.enter_context(multiprocessing.get_context("fork").Pool(args.jobs, maxtasksperchild=50))
        for at, (task, done) in enumerate(zip(tasks, pool.imap(run_all, tasks), strict=True)):
            for lived in done:
                nights, cpu_s = nights + lived.nights, cpu_s + lived.cpu_s
                totals[lived.kind if lived.reached else "not reached"] += 1
                if lived.rule is not None:
                    failed[lived.rule, lived.kind].append(lived.number)
                    _tell(lived, out)
            if time.monotonic() - began > 30 * (last + 1):
                last = int((time.monotonic() - began) / 30)
                told = f"{at + 1} of {len(tasks)} sequences, {totals.total()} cases, {nights} nights"
                print(f"{told}; all before {task[-1] + 1} are done", file=sys.stderr, flush=True)
    took, cases = time.monotonic() - began, max(1, totals.total())
    print(f"{totals.total()} cases, {nights} nights in {took:.0f} s; {1000 * cpu_s / cases:.0f} ms of processor a case,"
          f" {1000 * cpu_s / max(1, nights):.0f} a night")  # fmt: skip
    for kind, count in sorted(totals.items()):
        wrong = sum(len(numbers) for (_, other), numbers in failed.items() if other == kind)
        print(f"  {kind}: {count}, {wrong} failed")
    for (rule, kind), numbers in sorted(failed.items(), key=lambda each: -len(each[1])):
        print(f"  [{rule}] {kind}: {len(numbers)}, such as {numbers[:8]}")
    return 1 if failed else 0


def _tell(lived: Lived, out: TextIO | None) -> None:
    if out is not None:
        print(json.dumps(lived._asdict()), file=out, flush=True)


if __name__ == "__main__":
    os.environ.setdefault("PYTHONHASHSEED", "0")
    sys.exit(main())
