"""A night that nobody watches writes nowhere but where its work is: decided here, done by volumes/confined.py.

In the process that touches the drives, which is watched (hang.py): a drive that does not answer a look at its mount
point ends that night, and nothing else.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from nightferry.errors import Failed
from nightferry.settings import PairSettings
from nightferry.volumes.confined import confine, is_read_only_by_itself, open_secondary

# Where a night keeps what it needs for the moment: what outgrew memory, and rehearsals.
TEMPORARY = ("/tmp", "/var/tmp", "/dev/shm")
# Set by the services in systemd/, whose mounts are their own.
OWN_MOUNTS = ("OWN_MOUNTS", "nightferry")
CANNOT = "this night could not be confined to what it writes, which takes root and Linux 5.12"


@contextmanager
def confined(settings: PairSettings, state_dir: Path, *, is_unattended: bool) -> Iterator[bool]:
    """For the time of the block this process writes only the secondary, the state and temporary files.

    Where the service has mounts of its own, by opening the secondary in them for so long; else, where
    ``is_unattended``, in a mount namespace of its own, from now on. Says False where that was wanted and is not
    possible here: then nothing is confined.

    Raises:
        Failed: it went wrong half way; nothing was begun.
    """
    with ExitStack() as stack:
        try:
            if os.environ.get(OWN_MOUNTS[0]) == OWN_MOUNTS[1] and is_read_only_by_itself():
                stack.enter_context(open_secondary(settings.primary, settings.secondary))
                done = True
            else:
                done = not is_unattended or confine(_written(settings, state_dir))
        except OSError as error:
            raise Failed(_WHY.format(error.strerror)) from error
        yield done


_WHY = (
    "this night could not be confined to what it writes ({}), so it was not begun: see the system log, and compare the"
    " service with systemd/nightferry.service"
)


def _written(settings: PairSettings, state_dir: Path) -> list[Path]:
    scratch = [] if settings.rehearse_scratch is None else [settings.rehearse_scratch]
    return [state_dir, settings.secondary, *scratch, *map(Path, TEMPORARY)]
