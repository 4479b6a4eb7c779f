"""Completion for shells, made by shtab from the parser of the command line: commands, options, files, names of pairs.

A completed word asks nightferry for nothing but the names of pairs, which ``--print-pairs`` gives.
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

SHELLS = ("bash", "zsh", "fish")

# What stands in the place of a value, by its name in the help, is completed with this.
_PAIRS = ("NAME", "NAME [PATH…]")
_FOLDERS = ("DIR", "FOLDER")
_FILES = ("FILE",)

# An option with a value, which zsh takes in a word of its own; with "=" behind its name either way (zshcompsys(1)).
_VALUE_IN_ZSH = re.compile(r'^(  "--[\w-]+)(?=\[.*\]:)', re.MULTILINE)


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
    made = shtab.complete(parser, shell=shell)
    return _VALUE_IN_ZSH.sub(r"\1=", made) if shell == "zsh" else made


def _names_of_pairs() -> dict[str, object]:
    """In each shell's own way, by the configuration that the words so far name. What stands in the environment counts
    by itself."""
    # A "=" is a word of its own in COMP_WORDS. The words are taken as they are typed: a path in quotes is not read.
    bash = """
_nightferry_pairs() {
  local config='' at
  for ((at = 1; at < ${#COMP_WORDS[@]} - 1; at++)); do
    if [[ ${COMP_WORDS[at]} == --config ]]; then
      config=${COMP_WORDS[at + 1]}
      [[ $config == = ]] && config=${COMP_WORDS[at + 2]}
    fi
  done
  compgen -W "$(nightferry ${config:+--config "$config"} --print-pairs 2>/dev/null)" -- "$1"
}
"""
    # The words that a completion gets are those of the command alone: what stands before it is in the line.
    zsh = """
_nightferry_pairs() {
  local at
  local -a names line config
  line=(${(z)BUFFER})
  for ((at = 2; at < $#line; at++)); do
    [[ $line[at] == --config ]] && config=(--config ${(Q)line[at + 1]})
    [[ $line[at] == --config=* ]] && config=(${(Q)line[at]})
  done
  names=(${(f)"$(nightferry $config --print-pairs 2>/dev/null)"})
  compadd -a names
}
"""
    fish = """
function __nightferry_pairs
  set -l words (commandline -opc)
  set -l config
  for at in (seq 2 (count $words))
    switch $words[$at]
      case --config
        test $at -lt (count $words); and set config --config $words[(math $at + 1)]
      case '--config=*'
        set config $words[$at]
    end
  end
  nightferry $config --print-pairs 2>/dev/null
end
"""
    return {
        "bash": "_nightferry_pairs", "zsh": "_nightferry_pairs", "fish": "(__nightferry_pairs)",
        "preamble": {"bash": bash, "zsh": zsh, "fish": fish},
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
