"""The manual page, in roff with its man macros, made from the parser: it says what ``--help`` says."""

from __future__ import annotations

import argparse
import os
import re
import time
from collections.abc import Iterator, Sequence

from nightferry import __version__
from nightferry.reporting.look import exits

_NO_LIMIT_COLUMNS = 100_000
_ESCAPES = {"\\": r"\e", "-": r"\-", "'": r"\(aq", "`": r"\(ga", "^": r"\(ha", "~": r"\(ti", '"': r"\(dq"}

_FILES = (
    ("/etc/nightferry.toml", "the configuration; config.example.toml explains every setting"),
    (
        "/var/lib/nightferry/PAIR/",
        "the state of a pair: its manifest, status.json, and the morning reports in reports/",
    ),
    ("SECONDARY/copy/", "the plain tree of files"),
    ("SECONDARY/retired/", "what each night displaced, under the same paths"),
    ("SECONDARY/records/", "the sealed manifest, the checksum list, and the reports"),
)
_ENVIRONMENT = (
    ("NIGHTFERRY_CONFIG", "the configuration, where --config names none"),
    ("NIGHTFERRY_…", "settings, over those of the file, as config.example.toml says"),
    ("NO_COLOR", "no colours"),
    (exits.DEBUG_VARIABLE, "1: where a fault of nightferry itself came from"),
)


def page(parser: argparse.ArgumentParser, about: str, overview: str) -> str:
    """All of it.

    Args:
        about: the program in one sentence.
        overview: how to begin, laid out in lines.
    """
    commands = next(each for each in parser._actions if isinstance(each, argparse._SubParsersAction))
    lines = [
        f'.TH NIGHTFERRY 1 "{_date()}" "nightferry {__version__}" "User Commands"',
        ".nh",  # no word is broken, and no line stretched: what stands here is typed again
        ".ad l",
        ".SH NAME", rf"nightferry \- {_text(about[0].lower() + about[1:].rstrip('.'))}",
        ".SH SYNOPSIS", r".B nightferry", "[" + _bold("--config") + " " + _italic("FILE") + "]",
        _italic("COMMAND") + " ...",
        ".SH DESCRIPTION", *_laid_out(overview),
        ".SH OPTIONS", *_options(parser),
        ".SH COMMANDS",
    ]  # fmt: skip
    for name, command in commands.choices.items():
        lines += [f".SS {name}", *_command(command)]
    lines += [".SH EXIT STATUS", "Of a command on several pairs, the worst."]
    lines += _list((str(code), meaning) for code, meaning in exits.TABLE)
    lines += [".SH FILES", *_list(_FILES), ".SH ENVIRONMENT", *_list(_ENVIRONMENT)]
    return "\n".join(lines) + "\n"


def _command(parser: argparse.ArgumentParser) -> Iterator[str]:
    yield _text(_usage(parser))
    yield ".PP"
    yield _text(" ".join((parser.description or "").split()))
    yield from _options(parser)
    if parser.epilog:
        yield ".PP"
        yield from _laid_out(parser.epilog)


def _usage(parser: argparse.ArgumentParser) -> str:
    formatter = argparse.HelpFormatter(parser.prog, width=_NO_LIMIT_COLUMNS)
    formatter.add_usage(parser.usage, parser._actions, parser._mutually_exclusive_groups, prefix="")
    return formatter.format_help().strip()


def _options(parser: argparse.ArgumentParser) -> Iterator[str]:
    formatter = argparse.HelpFormatter(parser.prog, width=_NO_LIMIT_COLUMNS)
    for action in parser._actions:
        if action.help == argparse.SUPPRESS or isinstance(action, argparse._SubParsersAction):
            continue
        value = formatter._metavar_formatter(action, action.dest.upper())(1)[0]
        if not action.option_strings:
            term = _italic(value)
        elif action.nargs == 0:
            term = ", ".join(map(_bold, action.option_strings))
        else:
            term = ", ".join(f"{_bold(each)} {_italic(value)}" for each in action.option_strings)
        yield from (".TP", term, _text(formatter._expand_help(action) if action.help else ""))


def _list(items: Iterator[tuple[str, str]] | Sequence[tuple[str, str]]) -> Iterator[str]:
    for term, meaning in items:
        yield from (".TP", _bold(term), _text(meaning))


def _laid_out(text: str) -> Iterator[str]:
    """Paragraphs; lines that are indented keep their form."""
    is_kept = False
    for line in text.strip("\n").splitlines():
        wants_kept = line.startswith("  ") or (is_kept and not line)
        if wants_kept != is_kept:
            yield ".nf" if wants_kept else ".fi"
            is_kept = wants_kept
        yield (_text(line) if line else ".sp" if is_kept else ".PP")
    if is_kept:
        yield ".fi"


def _bold(text: str) -> str:
    return rf"\fB{_escaped(text)}\fR"


def _italic(text: str) -> str:
    return rf"\fI{_escaped(text)}\fR"


def _text(text: str) -> str:
    found = _escaped(text)
    return rf"\&{found}" if found.startswith((".", r"\(aq")) else found


def _escaped(text: str) -> str:
    found = "".join(_ESCAPES.get(each, each) for each in text)
    return re.sub(r"[^\x00-\x7f]", lambda match: rf"\[u{ord(match[0]):04X}]", found)


def _date() -> str:
    """Of the day on which it was made, in UTC; of SOURCE_DATE_EPOCH for a build that is to be repeatable."""
    try:
        made_s = float(os.environ["SOURCE_DATE_EPOCH"])
    except (KeyError, ValueError):
        made_s = time.time()
    return time.strftime("%Y-%m-%d", time.gmtime(made_s))
