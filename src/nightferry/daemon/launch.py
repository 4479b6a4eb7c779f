"""The process of one night: bound to the daemon that started it, confined to what it writes, then the command line.

    python -m nightferry.daemon.launch PARENT PRIMARY SECONDARY STATE SCRATCH ARGUMENTS        (SCRATCH may be empty)

A process of its own, so that memory, a crash, or a drive that never answers stay with the night.
"""

from __future__ import annotations

import os
import sys
from contextlib import ExitStack
from pathlib import Path

from nightferry.cli.common import complain
from nightferry.cli.main import main
from nightferry.errors import NightferryError
from nightferry.night.parent import die_with_parent
from nightferry.reporting import exits
from nightferry.volumes.confined import confine, is_read_only_by_itself, open_secondary

# Where a night keeps what it needs for the moment: what outgrew memory, and rehearsals.
TEMPORARY = ("/tmp", "/var/tmp", "/dev/shm")
# Set by systemd/nightferry.service, whose mounts are its own.
OWN_MOUNTS = ("OWN_MOUNTS", "nightferry")


def launch(arguments: list[str]) -> int:
    """Runs it; returns the exit code."""
    parent, primary, secondary, state, scratch, *command = arguments
    die_with_parent(int(parent))
    own_mounts = os.environ.pop(OWN_MOUNTS[0], "") == OWN_MOUNTS[1]
    with ExitStack() as stack:
        try:
            if own_mounts and is_read_only_by_itself():
                stack.enter_context(open_secondary(Path(primary), Path(secondary)))
            elif not confine([Path(path) for path in (state, secondary, scratch, *TEMPORARY) if path]):
                complain("this night could not be confined to what it writes, which takes root and Linux 5.12")
        except (OSError, NightferryError) as error:
            why = error.strerror if isinstance(error, OSError) else error
            complain(f"this night could not be confined to what it writes ({why}), so it was not begun")
            return exits.FAILED
        return main(command)


if __name__ == "__main__":
    sys.exit(launch(sys.argv[1:]))
