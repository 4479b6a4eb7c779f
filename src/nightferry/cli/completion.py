"""Completion for shells, made by shtab from the parser of the command line: commands, options, files, names of pairs.

A completed word asks nightferry for nothing but the names of pairs, which ``--print-pairs`` gives.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path

SHELLS = ("bash", "zsh", "fish")

# What stands in the place of a value, by its name in the help, is completed with this.
_PAIRS = ("NAME", "NAME [PATH…]")
_FOLDERS = ("DIR", "FOLDER")
_FILES = ("FILE",)


def script(parser: argparse.ArgumentParser, shell: str) -> str:
    """The completion for one of ``SHELLS``."""
    import shtab

    names = _names_of_pairs()
    for action in _actions(parser):
        word = action.metavar if isinstance(action.metavar, str) else ""
        folder = action.type is Path and word == "PATH"  # where a drive is mounted
        found = (
            names if word in _PAIRS
            else shtab.DIRECTORY if word in _FOLDERS or folder
            else shtab.FILE if word in _FILES
            else None
        )  # fmt: skip
        if found is not None:
            setattr(action, "complete", found)  # noqa: B010 - an attribute of shtab's, which argparse does not know
        if isinstance(action, argparse._SubParsersAction):
            # Some shells show a line about each command: shtab takes the first of its description, which goes on.
            for told in action._choices_actions:
                action.choices[told.dest].description = told.help
    return shtab.complete(parser, shell=shell)


def _names_of_pairs() -> dict[str, object]:
    """In each shell's own way; in bash by the configuration that the words so far name, elsewhere by the usual one."""
    ask = "nightferry --print-pairs 2>/dev/null"
    with_config = 'nightferry ${config:+--config "$config"} --print-pairs 2>/dev/null'
    bash = f"""
_nightferry_pairs() {{
  local config='' at
  for ((at = 1; at < ${{#COMP_WORDS[@]}} - 1; at++)); do
    [[ ${{COMP_WORDS[at]}} == --config ]] && config=${{COMP_WORDS[at + 1]}}
  done
  compgen -W "$({with_config})" -- "$1"
}}
"""
    zsh = f"""
_nightferry_pairs() {{
  local -a names
  names=(${{(f)"$({ask})"}})
  compadd -a names
}}
"""
    return {
        "bash": "_nightferry_pairs", "zsh": "_nightferry_pairs", "fish": f"({ask})",
        "preamble": {"bash": bash, "zsh": zsh},
    }  # fmt: skip


def _actions(parser: argparse.ArgumentParser) -> Iterator[argparse.Action]:
    for action in parser._actions:
        yield action
        if isinstance(action, argparse._SubParsersAction):
            for each in action.choices.values():
                yield from _actions(each)


def names_of_pairs(config: Path | None) -> Sequence[str]:
    """The names that the configuration gives; none where it cannot be read, since nobody wants an error on a key."""
    from nightferry.errors import NightferryError
    from nightferry.reporting.standing.known_pairs import known

    try:
        return [pair.name for pair in known(config, ()).pairs]
    except NightferryError:
        return ()
