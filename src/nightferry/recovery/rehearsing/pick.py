"""Which files of a secondary are restored in a rehearsal, from the manifest that was sealed there."""

from __future__ import annotations

import errno
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import ROOT_ID, Entry
from nightferry.manifest.rehearsals import Held, Rehearsals
from nightferry.night.carry import in_copy, in_retired
from nightferry.planning.sampling import (
    A_RETIRED,
    DRAWN_BYTE,
    DRAWN_FILE,
    RETIRED,
    Drawing,
    Plan,
    Reservoir,
    plan,
)
from nightferry.recovery.rehearsing.result import Pick, Population
from nightferry.tree.content import Stopped
from nightferry.tree.metadata import Kind

A_SYMLINK = "a symlink"
SYMLINKS = 3

_STOP_EVERY = 10_000  # names; a tenth of a second to a second


@dataclass
class Picks:
    """``files`` and ``byte_draws`` in the order of the draw; None: the manifest's own tree does not lead there."""

    planned: Plan
    population: Population
    always: list[Pick] = field(default_factory=list)
    files: list[Pick | None] = field(default_factory=list)
    byte_draws: list[Pick | None] = field(default_factory=list)


def pick_sample(manifest: Manifest, share: float, random: Random, should_stop: Callable[[], bool]) -> Picks:
    """Two passes over the sealed manifest: one to count, one to draw.

    Raises ``ValueError`` where it is not sound, and ``Stopped``.
    """
    rehearsals = Rehearsals(manifest.database)
    population = Population(*rehearsals.files(), *rehearsals.held_files())
    planned = plan(population.files, population.size_bytes, share)
    last = manifest.runs.last()
    drawing: Drawing[Entry] = Drawing(
        population.files, population.size_bytes, planned, 0 if last is None else last.number, random
    )
    symlinks: Reservoir[Entry] = Reservoir(SYMLINKS, random)
    for number, (path, entry) in enumerate(manifest.entries.below(ROOT_ID, b"")):
        if number % _STOP_EVERY == 0 and should_stop():
            raise Stopped
        if entry.stat.kind is Kind.SYMLINK and entry.content.target is not None:
            symlinks.offer(entry)
        elif entry.stat.kind is Kind.FILE and entry.content.digest is not None:
            first, separator, _ = path.partition(b"/")
            drawing.offer(entry, entry.stat.size_bytes, entry.since, first if separator else b"")
    sample = drawing.end()
    made: dict[int, Pick] = {}

    def of(entry: Entry | None, why: str) -> Pick | None:
        if entry is None:
            return None
        if entry.id not in made:
            made[entry.id] = _pick(manifest, entry)
        pick = made[entry.id]
        if why not in pick.why:
            pick.why.append(why)
        return pick

    picks = Picks(planned, population)
    always = [*sample.always, *((A_SYMLINK, entry) for entry in symlinks.kept)]
    picks.always = [pick for why, entry in always if (pick := of(entry, why)) is not None]
    picks.files = [of(entry, DRAWN_FILE) for entry in sample.files]
    picks.byte_draws = [of(entry, DRAWN_BYTE) for entry in sample.byte_draws]
    picks.always += _retired(manifest, rehearsals, random)
    return picks


def _pick(manifest: Manifest, entry: Entry) -> Pick:
    try:
        path = manifest.entries.path(entry.id)
    except KeyError as error:
        raise ValueError("a file lies in a folder that is not there") from error
    xattrs = manifest.entries.xattrs(entry.xattrs)
    return Pick("secondary", path, in_copy(path), path, entry.stat, xattrs, entry.content, entry.parent)


def _retired(manifest: Manifest, rehearsals: Rehearsals, random: Random) -> list[Pick]:
    chosen: Reservoir[Held] = Reservoir(RETIRED, random)
    for held in rehearsals.held():
        chosen.offer(held)
    return [
        Pick(
            "retired",
            manifest.past.path_as_of(held.parent, held.name, held.until - 1),
            in_retired(held.held),
            held.held,
            held.stat,
            manifest.entries.xattrs(held.xattrs),
            held.content,
            0,
            [A_RETIRED],
        )
        for held in chosen.kept
    ]


def is_absence(number: int | None) -> bool:
    """Whether an error says that nothing stands there."""
    return number in (errno.ENOENT, errno.ENOTDIR, errno.ELOOP)
