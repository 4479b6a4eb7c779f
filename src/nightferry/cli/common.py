"""What the commands share: their arguments, the configuration, and how an error is said.

Imports nothing that is slow: it is loaded for ``--help`` too.
"""

from __future__ import annotations

import argparse
import os
import select
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from nightferry.errors import NightferryError
from nightferry.reporting.look import exits
from nightferry.units import show_text

if TYPE_CHECKING:
    from nightferry.settings import PairSettings, Settings


_NARROWEST = 40


def add_pairs(parser: argparse.ArgumentParser, *, needed: bool = False) -> None:
    """``NAME…`` of a command on pairs."""
    what = "the pairs, by the names that the configuration gives them"
    if needed:
        parser.add_argument("names", metavar="NAME", nargs="+", help=what)
    else:
        parser.add_argument("names", metavar="NAME", nargs="*", help=f"{what}; all of them where none is given")


def add_json(parser: argparse.ArgumentParser) -> None:
    """``--json`` of a command that reports."""
    parser.add_argument(
        "--json", action="store_true", help="print one JSON document instead of text; its keys are stable"
    )


def load_settings(args: argparse.Namespace) -> Settings:
    """The configuration that the command line names. Raises ``WrongUse``."""
    from nightferry.settings import load

    path: Path | None = args.config
    return load(path)


def chosen_pairs(args: argparse.Namespace) -> tuple[Settings, list[PairSettings]]:
    """The configuration, and the pairs that were asked for. Raises ``WrongUse``."""
    settings = load_settings(args)
    return settings, settings.chosen(args.names)


def agreed(question: str, should_stop: Callable[[], bool] = lambda: False) -> bool:
    """Asks on the terminal, and whether the answer is yes. Asked to stop meanwhile, it is no."""
    sys.stdout.flush()
    sys.stderr.write(f"{question} [y/N] ")
    sys.stderr.flush()
    while not _has_answer():
        if should_stop():
            return False
    return sys.stdin.readline().strip().lower() in ("y", "yes")


def _has_answer() -> bool:
    """Waits a moment at most: who sits in one call is taken for one that a drive holds up (night/hang.py)."""
    try:
        return bool(select.select([sys.stdin.fileno()], [], [], 0.2)[0])
    except (OSError, ValueError):  # nothing that can be waited for
        return True


def say_error(error: BaseException) -> int:
    """Says on stderr what went wrong, a sentence to a line; returns the exit code."""
    if isinstance(error, NightferryError):
        complain(str(error))
        return error.exit_code
    if isinstance(error, OSError):
        where = f"{error.filename!r}: " if error.filename else ""
        complain(f"the system refused: {where}{error.strerror or error}; see its log, and the drive in question")
    else:
        complain(exits.unexpected(error))
    for line in exits.debug_lines(error):
        _to_stderr(_printable(line))
    return exits.FAILED


def complain(sentences: str) -> None:
    """Each line to stderr, as "nightferry: …"."""
    for line in sentences.splitlines() or [""]:
        _to_stderr(wrapped(f"nightferry: {_printable(line)}"))


def wrapped(line: str) -> str:
    """Between words, on a terminal; elsewhere a sentence is a line."""
    try:
        if not sys.stderr.isatty():
            return line
    except (AttributeError, ValueError):  # it is closed
        return line
    import shutil
    import textwrap

    from nightferry.reporting.look.unbroken import JOINT, joined

    columns = max(_NARROWEST, shutil.get_terminal_size().columns)
    filled = textwrap.fill(
        joined(line, columns), columns, break_long_words=False, break_on_hyphens=False, replace_whitespace=False
    )
    return filled.replace(JOINT, " ")


def _printable(line: str) -> str:
    return line if line.isprintable() else "".join(each if each.isprintable() else show_text(each) for each in line)


def _to_stderr(line: str) -> None:
    with suppress(OSError, ValueError):  # nobody is listening: the exit code still tells
        print(line, file=sys.stderr, flush=True)


def forget_output() -> None:
    """Whoever read the output is gone: what is still buffered goes nowhere, without a complaint at exit."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError, AttributeError):
            os.dup2(nowhere, stream.fileno())
    os.close(nowhere)
