"""``nightferry status --follow``: a run under way, until it ends."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from nightferry.cli.common import complain
from nightferry.cli.stopping import Asked, stopping_on_signals

if TYPE_CHECKING:
    from nightferry.reporting.look.terminal import Screen
    from nightferry.reporting.standing.following import Look, Pace
    from nightferry.reporting.standing.known_pairs import Known

_EVERY_S = 1.0
_BEGINNING_LOOKS = 10
# Between two pairs of one run there is a moment in which nothing is under way. And a night gives its lock back
# before the status says how it ended; one that was cut off never says it.
_QUIET_LOOKS = 3
_CUT_OFF_LOOKS = 20

# What shows a round of looks, of which the first says whether it is new.
_Show = Callable[[Sequence["Look"], dict[str, "Pace"]], None]


def follow(known: Known, show_json: Callable[[], object] | None) -> bool:
    """Shows what is under way until nothing is, or until somebody asks to stop: then False.

    Args:
        show_json: prints how all pairs stand as one JSON document; None: for a person.
    """
    from nightferry.reporting.look.terminal import Screen
    from nightferry.reporting.standing.following import Pace

    paces = {pair.name: Pace() for pair in known.pairs}
    screen = Screen()
    with stopping_on_signals() as asked:
        found = _once_begun(known, asked, is_quiet=show_json is not None)
        if not any(each.busy for each in found) and not asked.is_set:
            if show_json is None:
                complain("nothing began; this is how things stand. `nightferry run` begins a night now.")
            return True
        with _showing(screen, show_json) as show:
            before = None
            quiet = 0
            while not asked.is_set:
                for each in found:
                    paces[each.pair].see(each)
                quiet = 0 if any(each.busy for each in found) else quiet + 1
                if quiet >= (_CUT_OFF_LOOKS if any(_has_run(each) for each in found) else _QUIET_LOOKS):
                    return True
                if found != before and not quiet:
                    show(found, paces)
                before = found
                _pause(asked)
                found = _looks(known)
    if show_json is None:
        complain("no longer followed; what is under way goes on. `nightferry status` says how it stands.")
    return False


def _once_begun(known: Known, asked: Asked, *, is_quiet: bool) -> list[Look]:
    """Whoever begins a night and follows it is faster than the night."""
    found = _looks(known)
    for each in range(_BEGINNING_LOOKS):
        if asked.is_set or any(look.busy for look in found):
            break
        if each == 0 and not is_quiet:
            complain("nothing is under way; some seconds more, for a night that is just beginning.")
        _pause(asked)
        found = _looks(known)
    return found


def _looks(known: Known) -> list[Look]:
    from nightferry.reporting.standing.following import look

    now_s = time.time()
    return [look(pair.name, known.state_dir / pair.name, now_s) for pair in known.pairs]


def _has_run(found: Look) -> bool:
    return found.status is not None and found.status.run is not None


def _pause(asked: Asked) -> None:
    end_s = time.monotonic() + _EVERY_S
    while not asked.is_set and time.monotonic() < end_s:
        time.sleep(0.1)


@contextmanager
def _showing(screen: Screen, show_json: Callable[[], object] | None) -> Iterator[_Show]:
    if show_json is not None:
        document = show_json

        def as_json(found: Sequence[Look], paces: dict[str, Pace]) -> None:
            document()
            sys.stdout.flush()

        yield as_json
    elif screen.is_terminal:
        from nightferry.reporting.look.terminal import Block
        from nightferry.reporting.standing.following import heading, rows, share

        with screen.redrawn() as draw:

            def in_place(found: Sequence[Look], paces: dict[str, Pace]) -> None:
                draw([
                    Block(heading(each), tuple(rows(each, paces[each.pair])), share(each.run) if each.run else None)
                    for each in found
                ])  # fmt: skip

            yield in_place
    else:
        said: dict[str, str] = {}

        def lines(found: Sequence[Look], paces: dict[str, Pace]) -> None:
            from nightferry.reporting.standing.following import line

            for each in found:
                told = line(each, paces[each.pair])
                if each.busy is not None and said.get(each.pair) != told:
                    said[each.pair] = told
                    screen.line(told)
            sys.stdout.flush()

        yield lines
