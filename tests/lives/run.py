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

import lives.small_events  # noqa: F401
from lives.life import Outcome, live, random_life, script, shrink, worlds


def main() -> int:
    args = _arguments()
    ignored = frozenset(filter(None, args.ignore.split(",")))
    make = worlds(args.world, ignored)
    if args.known:
        return _known(ignored)
    if args.script is not None:
        steps = ast.literal_eval(args.script.read_text())
        outcome = live(steps, make, verbose=args.verbose)
        print(outcome.failure or "nothing failed")
        return 1 if outcome.failure else 0
    if args.verbose:
        outcome = _life(args.world, args.nights, ignored, args.seed, verbose=True)
        print(outcome.failure or "nothing failed")
        return 1 if outcome.failure else 0
    return _many(args, ignored)


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
    parser.add_argument("--no-shrink", action="store_true")
    parser.add_argument("--each", type=int, default=2, help="failures of one rule that are shrunk")
    parser.add_argument("--verbose", action="store_true", help="each step as it is done")
    return parser.parse_args()


def _life(world: str, nights: int, ignored: frozenset[str], seed: int, *, verbose: bool = False) -> Outcome:
    if verbose:
        from lives.life import LifeDrawer

        return live(LifeDrawer(seed, nights), worlds(world, ignored), seed, verbose=True)
    return random_life(seed, nights, worlds(world, ignored))


def _known(ignored: frozenset[str]) -> int:
    from lives.known import FAILS_TODAY, KNOWN

    surprises = 0
    for known in KNOWN:
        outcome = live(known.steps, worlds(known.drives, ignored))
        found = None if outcome.failure is None else outcome.failure.rule
        fails = found in known.rules
        surprises += (found is not None and not fails) or fails != (known.name in FAILS_TODAY)
        print(f"{known.name} ({known.drives}): {str(outcome.failure)[:600] if outcome.failure else 'nothing failed'}")
    return 1 if surprises else 0


def _many(args: argparse.Namespace, ignored: frozenset[str]) -> int:
    seeds = range(args.seed, args.seed + args.lives)
    by_rule: dict[str, list[int]] = defaultdict(list)
    began, nights = time.monotonic(), 0
    with multiprocessing.get_context("fork").Pool(args.jobs, maxtasksperchild=20) as pool:
        for done, outcome in enumerate(
            pool.imap_unordered(partial(_life, args.world, args.nights, ignored), seeds), start=1
        ):
            nights += outcome.nights
            if outcome.failure is not None:
                by_rule[outcome.failure.rule].append(outcome.seed or 0)
                print(f"seed {outcome.seed}: {str(outcome.failure)[-3000:]}", flush=True)
                if not args.no_shrink and len(by_rule[outcome.failure.rule]) <= args.each:
                    print(script(shrink(outcome.steps, outcome.failure.rule, worlds(args.world, ignored))), flush=True)
            if done % 20 == 0:
                print(f"{done} lives, {nights} nights, {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
    took = time.monotonic() - began
    print(f"{len(seeds)} lives, {nights} nights in {took:.0f} s, {1000 * took / max(1, nights):.0f} ms a night")
    for rule, failed in sorted(by_rule.items(), key=lambda each: -len(each[1])):
        print(f"  {rule}: {len(failed)}, seeds {sorted(failed)[:20]}")
    return 1 if by_rule else 0


if __name__ == "__main__":
    os.environ.setdefault("PYTHONHASHSEED", "0")
    sys.exit(main())
