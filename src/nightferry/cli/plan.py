"""``nightferry plan``: what these drives can do, or drives that are not bought yet."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from nightferry.cli.common import add_json, add_pairs
from nightferry.errors import WrongUse
from nightferry.reporting.look import exits

if TYPE_CHECKING:
    from nightferry.planning.given import Given

SUMMARY = "what these drives can do, or drives not bought yet; beside a live mirror"
DESCRIPTION = """\
Works out the first copy, a usual night and whether it fits its window, the verify cycle that is possible,
restoring, how long old versions are kept, when the secondary is full, power, and what limits each; and sets
the same drives in other layouts beside it: single, stripe, live mirror, two drives copied each night.
For a pair it takes the rates of its nights, and of --measure, which reads existing files past the cache on
each drive and on both, writes into staging/ within a limit, and removes that again. For drives that are not
bought yet it takes what --read, --write and --size say, and needs no configuration."""
EXAMPLE = """\
  nightferry plan --measure recordings
  nightferry plan --read 112MB/s --write 109MB/s --size 1TB --network 1Gb/s --change 5GB/day"""

_FIGURES = (
    "read", "write", "size", "drives", "link", "network", "used", "change", "window", "cycle", "keep_free", "current",
    "own_supply", "annual_failure", "bit_error_rate", "checksums",
)  # fmt: skip


def configure(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    add_pairs(parser)
    parser.add_argument("--measure", action="store_true", help="measure the drives of the pairs first; takes a minute")
    given = parser.add_argument_group("drives not bought yet")
    given.add_argument("--read", metavar="RATE", help='what one drive reads, such as "112MB/s"')
    given.add_argument("--write", metavar="RATE", help='what one drive writes, such as "109MB/s"')
    given.add_argument("--size", metavar="SIZE", help='of one drive, such as "1TB"')
    given.add_argument("--drives", metavar="N", type=int, help="how many of them (default: 2)")
    given.add_argument(
        "--link", metavar="KIND",
        help="how they are connected: usb3-shared (default), usb3-own, usb2-shared, sata",
    )  # fmt: skip
    given.add_argument("--network", metavar="RATE", help='line rate of the network (default: "1Gb/s")')
    given.add_argument("--used", metavar="SIZE", help="how much of a drive is used (default: 80%%)")
    given.add_argument("--change", metavar="SIZE", help='what is new or changed a day (default: "5GB/day")')
    given.add_argument("--window", metavar="TIME", help='how long a night may take (default: "4h")')
    given.add_argument("--cycle", metavar="TIME", help='within which all is to be verified (default: "30d")')
    given.add_argument("--keep-free", metavar="SIZE", help='kept free on the secondary (default: "20GiB")')
    given.add_argument("--current", metavar="CURRENT", help='of one drive at its worst moment, such as "1000mA"')
    given.add_argument(
        "--own-supply", action="store_true", default=None, help="the drives, or their hub, have their own supply"
    )
    given.add_argument("--annual-failure", metavar="SHARE", help='chance that a drive fails in a year (default: "3%%")')
    given.add_argument("--bit-error-rate", metavar="RATE", help='as the maker states it (default: "1e-14")')
    given.add_argument(
        "--checksums", metavar="RATE", help="what one core checksums (default: more than a drive reads)"
    )  # fmt: skip
    add_json(parser)


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    said = [name for name in _FIGURES if getattr(args, name) is not None]
    if not said:
        from nightferry.cli.plan_pairs import plan_pairs

        return plan_pairs(args)
    if args.names or args.measure:
        raise WrongUse(
            "Either pairs are planned for, by their names, or drives that are not bought yet, by their figures: leave"
            f" out the names and --measure, or --{said[0].replace('_', '-')}."
        )
    return _as_given(args)


def _as_given(args: argparse.Namespace) -> int:
    from nightferry.planning.given import situation
    from nightferry.planning.prospect import prospect
    from nightferry.reporting.look import documents
    from nightferry.reporting.look.decimal_units import size
    from nightferry.reporting.look.terminal import Screen
    from nightferry.reporting.screens.plan_json import plan_as_json
    from nightferry.reporting.screens.plan_text import show_plan

    try:
        what = situation(read_figures(args))
        found = prospect(what)
    except ValueError as error:
        raise WrongUse(f"This cannot be planned: {error}.") from error
    code = exits.SOUND if found.night.margin_s >= 0 else exits.ATTENTION
    if args.json:
        plan = {
            "pair": None,
            "exit_code": code,
            "error": None,
            "measured": None,
            "nights": None,
            **plan_as_json(what, found),
        }
        documents.write({"command": "plan", "exit_code": code, "pairs": [plan]})
        return code
    drives = "1 drive" if what.drives == 1 else f"{what.drives} drives"
    show_plan(Screen(), f"Plan for {drives} of {size(what.drive_bytes)}", what, found)
    return code


def read_figures(args: argparse.Namespace) -> Given:
    """What the command line says of drives. Raises ``WrongUse``."""
    from nightferry.cli import figures
    from nightferry.planning import arrangement
    from nightferry.planning.given import Given

    missing = [f"--{name}" for name in ("read", "write", "size") if getattr(args, name) is None]
    if missing:
        verb = "is" if len(missing) == 1 else "are"
        raise WrongUse(
            f"For drives that are not bought yet, {' and '.join(missing)} {verb} missing; see the example in"
            " `nightferry plan --help`."
        )
    word = args.link or arrangement.DEFAULT
    if word not in arrangement.BY_WORD:
        raise WrongUse(f'--link: "{word}" is no kind of link; allowed: {", ".join(arrangement.BY_WORD)}.')
    take = figures.Taker(args)
    return Given(
        read=take("read", figures.rate),
        write=take("write", figures.rate),
        drive_bytes=take("size", figures.size),
        drives=2 if args.drives is None else args.drives,
        arrangement=arrangement.BY_WORD[word],
        network_bits_per_s=take("network", figures.line_rate, "1Gb/s"),
        used_bytes=take.optional("used", figures.size),
        change_bytes_per_day=take.optional("change", figures.size_per_day),
        window_s=take("window", figures.duration, "4h"),
        verify_cycle_s=take("cycle", figures.duration, "30d"),
        keep_free_bytes=take("keep_free", figures.size_or_none, "20GiB"),
        current_ma=take.optional("current", figures.current),
        own_supply=bool(args.own_supply),
        annual_failure=take("annual_failure", figures.chance, "3%"),
        bit_error_rate=take("bit_error_rate", figures.error_rate, "1e-14"),
        checksums=take.optional("checksums", figures.rate),
    )
