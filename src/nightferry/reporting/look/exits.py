"""The exit codes of a command, which of several counts, and what is said of a fault of our own."""

from __future__ import annotations

import os
import traceback
from collections.abc import Iterable

from nightferry.units import show_text

DEBUG_VARIABLE = "NIGHTFERRY_DEBUG"

SOUND, ATTENTION, WRONG_USE, WRONG_DRIVE, FAILED, BUSY = 0, 1, 2, 3, 4, 5

# As a shell reports a program that a signal ended: 128 and the signal's number.
INTERRUPTED = 130
PIPE_CLOSED = 141

# From the best to the worst. A pair that is busy is being looked after; a drive that is missing can be plugged in;
# what failed needs somebody to find out why; and with a wrong configuration nothing works at all.
_FROM_BEST = (SOUND, ATTENTION, BUSY, WRONG_DRIVE, FAILED, WRONG_USE)

OF_STATE = {"sound": SOUND, "attention": ATTENTION, "failed": FAILED}

# A state of `failed` whose reason is one of these is a drive that is not there or not the right one, and no fault.
_OF_DRIVE = frozenset({"absent_primary", "absent_secondary", "wrong_drive", "drive_hung"})

TABLE = (
    (SOUND, "sound"),
    (ATTENTION, "done, but something wants attention"),
    (WRONG_USE, "wrong command or configuration"),
    (WRONG_DRIVE, "a drive is missing or is not the paired one"),
    (FAILED, "failed"),
    (BUSY, "another run of this pair is in progress"),
)


def worst(codes: Iterable[int]) -> int:
    """The code of a command on several pairs; 0 for none. An unknown code is as bad as failed."""
    return max(codes, key=lambda code: _FROM_BEST.index(code if code in _FROM_BEST else FAILED), default=SOUND)


def of_status(state: str, first_code: str | None) -> int:
    """The code for how a pair stands, as its last run would have returned it. ``first_code``: of the first reason."""
    if state == "failed" and first_code in _OF_DRIVE:
        return WRONG_DRIVE
    return OF_STATE[state]


def unexpected(error: BaseException) -> str:
    """The sentence on a fault of nightferry's own."""
    told = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    return (
        f"this is a fault in nightferry itself, please report it with what you did and this line: {show_text(told)}"
        f" (with {DEBUG_VARIABLE}=1 in the environment it says more)"
    )


def debug_lines(error: BaseException) -> list[str]:
    """Where a fault came from, for who asks for it with the environment; empty otherwise."""
    if os.environ.get(DEBUG_VARIABLE) != "1":
        return []
    return "".join(traceback.format_exception(error)).splitlines()
