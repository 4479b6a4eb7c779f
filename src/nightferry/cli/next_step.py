"""``nightferry`` alone: how things stand, and the next useful command."""

from __future__ import annotations

import sys
import time
from pathlib import Path

from nightferry.cli.common import complain
from nightferry.errors import NightferryError
from nightferry.reporting.look import exits
from nightferry.reporting.standing.known_pairs import config_path, known


def tell(config: Path | None, overview: str) -> int:
    """Returns what ``status`` would, or 0 where nothing is configured yet: then ``overview`` says how to begin."""
    path = config_path(config)
    if not path.exists() and config is None:
        sys.stdout.write(overview)
        return exits.SOUND
    try:
        found = known(config, ())
    except NightferryError as error:
        complain(str(error))
        complain("once the configuration is put right, `nightferry preflight` says whether all is ready.")
        return error.exit_code
    from nightferry.reporting.look.terminal import Screen
    from nightferry.reporting.standing.following import look
    from nightferry.reporting.standing.next_step import steps

    screen = Screen()
    now_s = time.time()
    codes = []
    for position, pair in enumerate(found.pairs):
        folder = found.state_dir / pair.name
        seen = look(pair.name, folder, now_s)
        if position:
            screen.gap()
        screen.heading(f"{pair.name}: {seen.state}", seen.state)
        if seen.busy is not None:
            screen.point("A night is under way." if seen.run is not None else f"{seen.busy} is at work.")
        for reason in seen.reasons:
            screen.point(reason.sentence, state=seen.state)
        if not seen.reasons and seen.status is not None and seen.status.protected_as_of is not None:
            from nightferry.reporting.standing.status import shown_moment

            screen.text(f"Everything is on the secondary as of {shown_moment(seen.status.protected_as_of)}.")
        ways = steps(
            pair.name, seen.status, seen.state, seen.reasons,
            is_paired=_is_paired(folder), is_busy=seen.busy is not None,
        )  # fmt: skip
        screen.gap()
        screen.table(("", ""), [(way.command, f"to {way.purpose}") for way in ways])
        codes.append(exits.of_status(seen.state, seen.reasons[0].code if seen.reasons else None))
    screen.gap()
    screen.text("All commands: `nightferry --help`")
    return exits.worst(codes)


def _is_paired(folder: Path) -> bool:
    """Whether this machine knows the pair; true for who may not look."""
    from nightferry.reporting.standing.status import MANIFEST

    try:
        (folder / MANIFEST).stat()  # exists() would say False for who may not look, by Python 3.14
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:
        return True
    return True
