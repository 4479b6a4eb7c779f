"""What touches the drives of a pair, done by a process of its own: a drive that never answers ends it all the same."""

from __future__ import annotations

import argparse
import signal
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, NoReturn, TypeVar

from nightferry.cli.common import load_settings
from nightferry.cli.stopping import ENDING, Asked, stopping_on_signals
from nightferry.errors import WrongUse

if TYPE_CHECKING:
    from nightferry.settings import PairSettings

_T = TypeVar("_T")


class Drives(NamedTuple):
    """Those that something is about: role and path of each, and how long one may leave a request unanswered."""

    places: Sequence[tuple[str, Path]]
    limit_s: float


def drives_of(pair: PairSettings, *more: tuple[str, Path]) -> Drives:
    """Those of a pair, and others besides."""
    return Drives((("primary", pair.primary), ("secondary", pair.secondary), *more), pair.io_limit.total_seconds())


def drives_alone(args: argparse.Namespace, *places: tuple[str, Path]) -> Drives:
    """Those of no configured pair. The limit is that of the configuration's pairs, where there is one."""
    from nightferry.settings import PairSettings

    limits = [PairSettings.model_fields["io_limit"].default]
    with suppress(WrongUse):
        limits = [pair.io_limit for pair in load_settings(args).pair] or limits
    return Drives(places, max(limits).total_seconds())


def watched(action: Callable[[], _T], command: str, drives: Drives, asked: Asked | None = None) -> _T:
    """Does it in a child of this process (night/hang.py) and returns what it returns, which has to be picklable.

    Ctrl-C and SIGTERM reach ``action`` as they would without: through ``asked``, where that is given, else as
    ``KeyboardInterrupt``. A second one ends it at once, also while a drive keeps it waiting.

    ``command``: as a person typed it, for the sentence on a drive that does not answer.

    Raises:
        HungDrive: a drive did not answer within the limit.
        NightferryError: what ``action`` raised; ``Failed`` where it ended without an answer.
        KeyboardInterrupt: it was asked to stop, and did.
    """
    from nightferry.night.hang import Words, supervised

    words = Words(f"`nightferry {command}`", "What was finished is safe; when the drive answers again, call it again.")

    def begin(what: Callable[[], _T], asked: Asked) -> _T:
        places, limit_s = drives
        return supervised(what, places, limit_s, lambda: asked.is_set, at_once=lambda: asked.times > 1, words=words)

    def interruptible() -> _T:
        _interrupt_on_signals()
        return action()

    if asked is not None:
        return begin(action, asked)
    with stopping_on_signals() as told:
        return begin(interruptible, told)


def _interrupt_on_signals() -> None:
    """In the child: the first signal that would end it leaves through all that is to be put away; no other disturbs."""

    def disregard(number: int, frame: object) -> None:
        pass

    def leave(number: int, frame: object) -> NoReturn:
        for each in ENDING:
            # Not SIG_IGN: Python complains, with a traceback, of a signal that came before and finds no function.
            signal.signal(each, disregard)
        raise KeyboardInterrupt

    for number in ENDING:
        if signal.getsignal(number) is not signal.SIG_IGN:  # as nohup(1) wants it
            signal.signal(number, leave)
