"""The configuration that the daemon goes by: the last one that was right.

Nights are processes that read the configuration themselves. So that they read the one the daemon goes by, also while
somebody edits the file or has broken it, it is kept as a copy in the state folder.
"""

from __future__ import annotations

import os
from pathlib import Path

from nightferry.errors import Failed, WrongUse
from nightferry.reporting.standing.known_pairs import load_and_remember
from nightferry.settings import Settings, load
from nightferry.settings.source import file_to_read
from nightferry.units import show_text

COPY_NAME = "daemon-settings.toml"
_LIMIT_BYTES = 4 << 20


def take(path: Path | None) -> tuple[Settings, Path]:
    """Reads the configuration and keeps a copy of what was read; returns both.

    Raises:
        WrongUse: it is wrong; an earlier copy stays as it is.
        Failed: the copy cannot be written.
    """
    settings = load_and_remember(path)  # errors are about the file that a person edits
    source = file_to_read(path)
    copy = settings.state_dir / COPY_NAME
    temporary = copy.with_name(COPY_NAME + ".new")
    try:
        with source.open("rb") as file:
            content = file.read(_LIMIT_BYTES + 1)
        copy.parent.mkdir(parents=True, exist_ok=True)
        flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC | os.O_NOFOLLOW
        with os.fdopen(os.open(temporary, flags, 0o600), "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise Failed(
            f"The configuration cannot be copied to {show_text(str(copy))} ({error.strerror}): make room on that disk,"
            " or run as root."
        ) from error
    if load(temporary) != settings:
        raise WrongUse(f"{show_text(str(source))}: it changed while it was read; try again.")
    os.replace(temporary, copy)
    return settings, copy
