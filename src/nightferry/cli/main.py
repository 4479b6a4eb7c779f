"""The command line: which command, and what becomes of its errors.

Each command is a module of its own, which imports what it needs when it runs: ``--help`` and a wrong
command line answer at once, also on a small box.
"""

from __future__ import annotations

import argparse
import gc
import itertools
import os
import shutil
import sys
import textwrap
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from types import ModuleType
from typing import NoReturn

from nightferry import __version__
from nightferry.cli import (
    completion,
    daemon,
    history,
    lastnight,
    mend,
    pair,
    plan,
    preflight,
    rehearse,
    release,
    restore,
    run,
    status,
    tonight,
    trial,
    verify,
)
from nightferry.cli.common import forget_output, say_error, wrapped
from nightferry.reporting.look import exits

# In the order in which somebody new meets them. Each has SUMMARY, DESCRIPTION, EXAMPLE, configure() and main().
COMMANDS: dict[str, ModuleType] = {
    "trial": trial,
    "plan": plan,
    "pair": pair,
    "preflight": preflight,
    "tonight": tonight,
    "run": run,
    "lastnight": lastnight,
    "history": history,
    "verify": verify,
    "mend": mend,
    "restore": restore,
    "rehearse": rehearse,
    "release": release,
    "status": status,
    "daemon": daemon,
}

_ABOUT = "Keeps an independent copy of one drive on another, night by night, and says in the morning how it went."

_HELP_COLUMNS = 110

_OVERVIEW = """\
nightferry keeps an independent copy of one drive on another, night by night.

To see what it does, without any drive:  nightferry trial

To begin with two drives of your own:
  1. write /etc/nightferry.toml, from config.example.toml
  2. make the two drives a pair:         nightferry pair recordings
  3. see what a night would do:          nightferry tonight
  4. run one, now:                       nightferry run

In the morning:                          nightferry status
                                         nightferry lastnight

All commands:  nightferry --help         One of them:  nightferry COMMAND --help
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Runs one command and returns its exit code."""
    for stream in (sys.stdout, sys.stderr):
        # A locale that cannot write a name shows it escaped instead of failing.
        with suppress(AttributeError, ValueError):
            stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
    # What a start makes stays; the collector of cycles went through it every 700 objects, for a tenth of the time.
    gc.set_threshold(50_000)
    # Else pydantic reads of every installed package whether it wants to take part: sixty files from a slow card, and
    # nobody else's code has a place in a process of root's.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    try:
        code = _main(argv)
        sys.stdout.flush()
    except BrokenPipeError:
        forget_output()
        return exits.PIPE_CLOSED
    except KeyboardInterrupt:
        return exits.INTERRUPTED
    except Exception as error:
        code = say_error(error)
        try:
            sys.stdout.flush()
        except (OSError, ValueError):  # a full disk: Python would try it again at its end, and say so in its own words
            forget_output()
    return code


def _main(argv: Sequence[str] | None) -> int:
    parser = build_parser()
    try:
        args, rest = parser.parse_known_args(argv)
        own: argparse.ArgumentParser = args.__dict__.pop("own_parser", parser)
        if rest:
            _take_late_words(own, args, rest)
        if args.command is not None and (args.print_manual or args.print_pairs or args.print_completion is not None):
            parser.error("--print-completion and --print-manual stand alone, without a command")
    except SystemExit as leaving:  # argparse has said why, or has printed what was asked for
        return leaving.code if isinstance(leaving.code, int) else exits.WRONG_USE
    if args.command is None:
        return _without_command(parser, args)
    code: int = COMMANDS[args.command].main(args)
    return code


def _without_command(parser: argparse.ArgumentParser, args: argparse.Namespace) -> int:
    if args.print_completion is not None:
        from nightferry.cli.completion import script

        sys.stdout.write(script(parser, args.print_completion))
    elif args.print_manual:
        from nightferry.cli.manual import page

        sys.stdout.write(page(parser, _ABOUT, _OVERVIEW))
    elif args.print_pairs:
        from nightferry.cli.completion import names_of_pairs

        sys.stdout.writelines(f"{name}\n" for name in names_of_pairs(args.config))
    else:
        from nightferry.cli.next_step import tell

        return tell(args.config, _OVERVIEW)
    return exits.SOUND


def _take_late_words(parser: argparse.ArgumentParser, args: argparse.Namespace, rest: list[str]) -> None:
    """`NAME --as-of 3 PATH`: argparse ends a list of words at the first option. Leaves where that is not the case."""
    end = rest.index("--") if "--" in rest else len(rest)
    plain, behind = rest[:end], rest[end + 1 :]
    if not hasattr(args, "given") or any(each.startswith("-") and each != "-" for each in plain):
        hint = " (a path that begins with - is given as ./-…)" if hasattr(args, "given") else ""
        parser.error(f"unrecognized arguments: {' '.join(rest)}{hint}")
    args.given += [*plain, *behind]


class _Help(argparse.HelpFormatter):
    """Sentences filled to the terminal's width, up to one that reads well; indented lines stay as they are."""

    def __init__(self, prog: str) -> None:
        columns = shutil.get_terminal_size().columns
        super().__init__(prog, width=min(columns, _HELP_COLUMNS) - 2)

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        found: list[str] = []
        for is_prose, group in itertools.groupby(text.splitlines(), lambda line: line[:1].strip() != ""):
            lines = list(group)
            found += textwrap.wrap(" ".join(lines), width) if is_prose else lines
        return "".join(f"{indent}{line}\n" for line in found)


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        """As argparse does, with where to look."""
        self.print_usage(sys.stderr)
        told = wrapped(f"{self.prog}: {message}; `{self.prog} --help` explains, with an example")
        self.exit(exits.WRONG_USE, f"{told}\n")


def build_parser() -> argparse.ArgumentParser:
    """The whole command line."""
    codes = "\n".join(f"  {code}  {meaning}" for code, meaning in exits.TABLE)
    parser = _Parser(
        prog="nightferry",
        description=_ABOUT,
        epilog=(
            f"exit codes (the worst, for a command on several pairs):\n{codes}\n\n"
            "example:\n  nightferry pair recordings && nightferry run recordings\n\n"
            "The configuration is /etc/nightferry.toml, or what --config or NIGHTFERRY_CONFIG names."
        ),
        formatter_class=_Help,
        allow_abbrev=False,
    )
    parser.add_argument("--config", metavar="FILE", type=Path, help="the configuration (default: /etc/nightferry.toml)")
    parser.add_argument(
        "--print-completion", metavar="SHELL", choices=completion.SHELLS,
        help="print the completion for a shell: bash, zsh or fish; README.md says where it goes",
    )  # fmt: skip
    parser.add_argument("--print-manual", action="store_true", help="print the manual page, nightferry(1)")
    parser.add_argument("--print-pairs", action="store_true", help=argparse.SUPPRESS)  # for the completion
    parser.add_argument("--version", action="version", version=f"nightferry {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")
    for name, module in COMMANDS.items():
        command = commands.add_parser(
            name,
            help=module.SUMMARY,
            description=module.DESCRIPTION,
            epilog=f"example:\n{module.EXAMPLE}",
            formatter_class=_Help,
            allow_abbrev=False,
        )
        module.configure(command)
        command.set_defaults(own_parser=command)  # to say what is wrong with it in its own words
    return parser


if __name__ == "__main__":
    sys.exit(main())
