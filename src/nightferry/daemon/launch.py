"""The process of one night: bound to the daemon that started it, then the command line.

    python -m nightferry.daemon.launch PARENT ARGUMENTS

A process of its own, so that memory, a crash, or a drive that never answers stay with the night.
"""

from __future__ import annotations

import sys

from nightferry.cli.main import main
from nightferry.night.parent import die_with_parent


def launch(arguments: list[str]) -> int:
    """Runs it; returns the exit code."""
    parent, *command = arguments
    die_with_parent(int(parent))
    return main(command)


if __name__ == "__main__":
    sys.exit(launch(sys.argv[1:]))
