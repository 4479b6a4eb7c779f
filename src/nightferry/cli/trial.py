"""``nightferry trial``: a demonstration in a temporary place."""

from __future__ import annotations

import argparse
from pathlib import Path

from nightferry.cli.common import add_json

SUMMARY = "a whole demonstration in a temporary place, with invented recordings"
DESCRIPTION = """\
Makes two small volumes in a temporary place, fills one with the invented recordings of an amateur
choir, runs nights over them, lets an accident happen and a copy decay, shows what the nights did about
it, and restores from the copy alone.
Needs no drive, no configuration and no root; it cleans up after itself."""
EXAMPLE = "  nightferry trial --keep"


def configure(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("--keep", action="store_true", help="leave both volumes and all reports to look at")
    parser.add_argument("--folder", metavar="DIR", type=Path, help="where to make them (default: a temporary folder)")
    add_json(parser)


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    from nightferry.trial.trial import run_trial

    code: int = run_trial(keep=args.keep, folder=args.folder, json_output=args.json)
    return code
