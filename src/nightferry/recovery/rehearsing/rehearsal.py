"""A restore test: a sample of the secondary restored from that drive alone, compared, timed, and what it proves.

Why at all: NIST SP 800-53 revision 5, CP-9(1), "Test backup information ... to verify media reliability and information
integrity", and CP-9(2), "Use a sample of backup information in the restoration of selected system functions as part of
contingency plan testing". What the sample proves: ``planning/confidence.py``.

Nothing of the box is used: the manifest is the one sealed on the drive, opened as ``restore`` opens it on another
machine, and so are the files.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from random import Random

from nightferry.errors import Failed, NightferryError
from nightferry.night.context import Clock, Progress
from nightferry.night.platter import Platter
from nightferry.planning.assurance import of_all_bytes, of_bytes, of_files
from nightferry.planning.restore_time import pace, whole_restore
from nightferry.recovery.alone import Secondary, open_secondary
from nightferry.recovery.rehearsing.pick import Picks, pick_sample
from nightferry.recovery.rehearsing.restored import Restorer
from nightferry.recovery.rehearsing.result import Found, Mismatch, Pick, Rehearsal
from nightferry.recovery.rehearsing.scratch import open_scratch
from nightferry.settings import PairSettings
from nightferry.tree.content import Buffers, Stopped
from nightferry.tree.effects import Effects
from nightferry.volumes.capabilities import syncfs_covers
from nightferry.volumes.mounts import mount_of

_NOT_REACHED = "the sealed manifest counts more files than its folders hold"


def rehearse(
    settings: PairSettings,
    rehearsal: Rehearsal,
    effects: Effects,
    clock: Clock,
    progress: Progress,
    should_stop: Callable[[], bool],
) -> None:
    """Carries out ``rehearsal``, which says what is wanted, and enters in it what came of it.

    The caller holds the locks, and everything that was written to the secondary is durable. It writes to neither
    drive. Where the drive alone is not enough, ``impossible`` says why.
    """
    with ExitStack() as stack:
        try:
            secondary = stack.enter_context(open_secondary(settings.secondary, effects, pair=settings.name))
            picks = _look(settings, secondary, rehearsal, should_stop)
        except Stopped:
            rehearsal.stopped = "time"
        except (NightferryError, OSError) as error:
            rehearsal.impossible = str(error)
        except (sqlite3.Error, ValueError, TypeError, OverflowError) as error:
            rehearsal.impossible = f"the manifest sealed on the secondary is not sound ({error})"
        else:
            _carry_out(settings, secondary, picks, rehearsal, effects, clock, progress, should_stop)
            rehearsal.found.notes = list(secondary.notes)
    rehearsal.ended_s = clock.now_s()


def _look(settings: PairSettings, secondary: Secondary, rehearsal: Rehearsal, should_stop: Callable[[], bool]) -> Picks:
    """What the drive says of itself, and the sample. Raises ``Stopped``."""
    if secondary.manifest is None:
        raise Failed(
            "No manifest that is sealed on the secondary can be read, so that only the content of its files could be"
            f" brought back: run `nightferry run {settings.name}`, which seals a new one."
            + "".join(f" {note}" for note in secondary.notes)
        )
    if secondary.which == "previous":
        raise Failed(
            "The manifest that was sealed last on the secondary cannot be used, and the one before is older than the"
            f" files: run `nightferry run {settings.name}`, which seals a new one."
            + "".join(f" {note}" for note in secondary.notes)
        )
    last = secondary.manifest.runs.last()
    rehearsal.found = Found(
        mount_of(settings.secondary).file_system, secondary.which, secondary.generation,
        None if last is None else last.number, list(secondary.notes),
    )  # fmt: skip
    picks = pick_sample(secondary.manifest, rehearsal.share, Random(rehearsal.seed), should_stop)
    rehearsal.population = picks.population
    return picks


def _carry_out(
    settings: PairSettings,
    secondary: Secondary,
    picks: Picks,
    rehearsal: Rehearsal,
    effects: Effects,
    clock: Clock,
    progress: Progress,
    should_stop: Callable[[], bool],
) -> None:
    assert secondary.manifest is not None
    direct = syncfs_covers(rehearsal.found.file_system)
    rehearsal.past_cache = direct
    wanted = _within_limit(picks, rehearsal)
    progress.phase("rehearse", len(wanted), sum(pick.size_bytes for pick in wanted))
    if not direct:
        _forget(settings, effects)
    with open_scratch(settings, secondary.pair.id, effects) as (scratch, place):
        rehearsal.place = place
        restorer = Restorer(
            secondary.manifest, secondary.root, scratch, rehearsal, effects, clock, progress, should_stop, direct=direct
        )
        try:
            for pick in wanted:
                if should_stop():
                    raise Stopped
                restorer.take(pick)
            restorer.flush()
        except Stopped:
            rehearsal.stopped = "time"
        finally:
            restorer.close()
    _conclude(picks, rehearsal, restorer.timed)


def _within_limit(picks: Picks, rehearsal: Rehearsal) -> list[Pick]:
    """What is restored, in its order: as much as the limit allows, and of the blind draws nothing is passed over."""
    left_bytes = math.inf if rehearsal.limit_bytes is None else rehearsal.limit_bytes
    wanted: dict[int, Pick] = {}
    for pick in picks.always:
        if id(pick) in wanted:
            continue
        if pick.size_bytes > left_bytes:
            rehearsal.passed_over.append(pick)
            continue
        wanted[id(pick)] = pick
        left_bytes -= pick.size_bytes
    for drawn in (*picks.files, *picks.byte_draws):
        if drawn is None or id(drawn) in wanted:
            continue
        if drawn.size_bytes > left_bytes:
            rehearsal.stopped = "limit"
            break
        wanted[id(drawn)] = drawn
        left_bytes -= drawn.size_bytes
    return list(wanted.values())


def _forget(settings: PairSettings, effects: Effects) -> None:
    """Below a program that serves the file system is a cache of its device, which is emptied instead of passed by."""
    buffers = Buffers()
    try:
        Platter(mount_of(settings.secondary), effects, buffers, direct_reads=False).forget()
    finally:
        buffers.close()


# --- what it proves


def _conclude(picks: Picks, rehearsal: Rehearsal, timed: list[tuple[int, float]]) -> None:
    right = {id(each.pick): each.is_right for each in rehearsal.tested}
    population, share = picks.population, rehearsal.share
    done, failed = _carried_out(picks.files, right)
    rehearsal.assurances.append(of_files(population.files, len(picks.files), done, failed, share))
    if done == population.files:
        wrong_bytes = sum(pick.size_bytes for pick in picks.files if pick is not None and not right[id(pick)])
        rehearsal.assurances.append(of_all_bytes(population.size_bytes, wrong_bytes, share))
    else:
        met = _carried_out(picks.byte_draws, right)
        rehearsal.assurances.append(of_bytes(population.size_bytes, len(picks.byte_draws), *met, share))
    if None in picks.files or None in picks.byte_draws:
        rehearsal.mismatches.append(Mismatch(b"", "secondary", b"", "missing", _NOT_REACHED))
    rehearsal.pace = pace(timed)
    rehearsal.whole = whole_restore(population.files, population.size_bytes, rehearsal.pace)


def _carried_out(draws: Sequence[Pick | None], right: dict[int, bool]) -> tuple[int, int]:
    """How many of the draws, from the first on, were carried out, and how many of those failed."""
    done = failed = 0
    for pick in draws:
        if pick is not None and id(pick) not in right:
            break
        done += 1
        failed += pick is None or not right[id(pick)]
    return done, failed
