"""Lives random lives and prints what failed, cut down to a short script.

python tests/lives/run.py --lives 1000 --nights 60 --jobs 2
python tests/lives/run.py --seed 17 --lives 1            the life of one seed again
python tests/lives/run.py --script failing.py --verbose  the steps of a script, as they were printed
"""

from __future__ import annotations

import argparse
import ast
import multiprocessing
import os
import sys
import time
from collections import defaultdict
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from lives import small_events
from lives.life import LifeDrawer, Outcome, Worlds, live, random_life, script, shrink
from lives.world import Step

assert small_events  # enters its steps, which scripts name


def main() -> int:
    args = _arguments()
    worlds = Worlds(args.world, _set(args.ignore), _set(args.without), _set(args.only))
    if args.known:
        return _known(worlds)
    if args.script is not None or args.verbose:
        steps = LifeDrawer(args.seed, args.nights) if args.script is None else ast.literal_eval(args.script.read_text())
        outcome = live(steps, worlds, args.seed, verbose=args.verbose)
        print(outcome.failure or "nothing failed")
        return 1 if outcome.failure else 0
    return _many(args, worlds)


def _set(given: str) -> frozenset[str]:
    return frozenset(filter(None, given.split(",")))


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1, help="of the first life; the others follow")
    parser.add_argument("--lives", type=int, default=1)
    parser.add_argument("--nights", type=int, default=60)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--world", default="tmpfs", help="tmpfs, or real drives: ext4, xfs, btrfs, exfat, ntfs")
    parser.add_argument("--known", action="store_true", help="the lives that once failed (known.py)")
    parser.add_argument("--script", type=Path)
    parser.add_argument("--ignore", default="", help="rules that are not looked at, with commas between")
    parser.add_argument("--without", default="", help="kinds of steps that are not drawn, with commas between")
    parser.add_argument("--only", default="", help="kinds of events that are drawn, with commas between")
    parser.add_argument("--until", help="a rule: the first life that breaks it is the last")
    parser.add_argument("--no-shrink", action="store_true")
    parser.add_argument("--each", type=int, default=2, help="failures of one rule that are shrunk")
    parser.add_argument("--verbose", action="store_true", help="each step as it is done")
    return parser.parse_args()


def _known(worlds: Worlds) -> int:
    from lives.known import FAILS_TODAY, KNOWN

    surprises = 0
    for known in KNOWN:
        outcome = live(known.steps, worlds._replace(kind=known.drives))
        found = None if outcome.failure is None else outcome.failure.rule
        fails = found in known.rules
        is_surprise = (found is not None and not fails) or fails != (known.name in FAILS_TODAY)
        surprises += is_surprise
        told = str(outcome.failure)[:600] if outcome.failure else "nothing failed"
        print(f"{'unexpected: ' if is_surprise else ''}{known.name} ({known.drives}): {told}")
    return 1 if surprises else 0


def _many(args: argparse.Namespace, worlds: Worlds) -> int:
    seeds = range(args.seed, args.seed + args.lives)
    by_rule: dict[str, list[Outcome]] = defaultdict(list)
    began, nights = time.monotonic(), 0
    with multiprocessing.get_context("fork").Pool(args.jobs, maxtasksperchild=20) as pool:
        lived = pool.imap_unordered(partial(random_life, args.nights, worlds), seeds)
        for done, outcome in enumerate(lived, start=1):
            nights += outcome.nights
            if outcome.failure is not None:
                by_rule[outcome.failure.rule].append(outcome)
                print(f"seed {outcome.seed}: {str(outcome.failure)[-3000:]}", flush=True)
                if outcome.failure.rule == args.until:
                    break
            if done % 20 == 0:
                print(f"{done} lives, {nights} nights, {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
        took = time.monotonic() - began
        print(f"{done} lives, {nights} nights in {took:.0f} s, {1000 * took / max(1, nights):.0f} ms a night")
        for rule, failed in sorted(by_rule.items(), key=lambda each: -len(each[1])):
            print(f"  {rule}: {len(failed)}, seeds {sorted(each.seed or 0 for each in failed)[:20]}", flush=True)
        if not args.no_shrink:
            shortest = [sorted(failed, key=lambda each: len(each.steps))[: args.each] for failed in by_rule.values()]
            for outcome, steps in pool.imap_unordered(
                partial(_shrunk, worlds), [each for few in shortest for each in few]
            ):
                print(f"\n# seed {outcome.seed}: {str(outcome.failure)[:600]}\n{script(steps)}", flush=True)
    return 1 if by_rule else 0


def _shrunk(worlds: Worlds, outcome: Outcome) -> tuple[Outcome, list[Step]]:
    assert outcome.failure is not None
    return outcome, shrink(outcome.steps, outcome.failure.rule, worlds)


if __name__ == "__main__":
    os.environ.setdefault("PYTHONHASHSEED", "0")
    sys.exit(main())
