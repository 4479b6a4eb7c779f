"""``nightferry pair``: two drives become a pair, on a person's word."""

from __future__ import annotations

import argparse
import sys
import time
from functools import partial
from typing import TYPE_CHECKING, Any

from nightferry.cli.common import add_json, add_pairs, agreed, chosen_pairs, complain, say_error
from nightferry.errors import NightferryError, WrongUse
from nightferry.reporting.look import exits
from nightferry.units import format_count, format_duration, format_rate, format_size, show_name, show_text

if TYPE_CHECKING:
    from nightferry.manifest.overview import Overview
    from nightferry.night.proposal import Proposal, Side
    from nightferry.reporting.look.terminal import Screen
    from nightferry.settings import PairSettings, Settings

SUMMARY = "make two drives a pair; or take a pair over on a new box"
DESCRIPTION = """\
Makes the two drives that the configuration names under NAME a pair: shows both as they are found, asks,
and writes an identity card to each and the folders of the copy to the secondary. Where both drives are
a pair already and this machine knows nothing of it, or less than the secondary does, their state is taken
over from the secondary; where no sound one is left there either, it is built anew by reading the secondary.
That works with the secondary alone too, on a new box or after the primary died: the configuration names the
pair, its secondary and the place where a primary is to be."""
EXAMPLE = "  nightferry pair recordings"

_QUESTION = "Make these two drives a pair?"
_QUESTION_ADOPT = "Take this pair over on this machine?"
_QUESTION_REBUILD = "Read the secondary and build the manifest anew?"
# What a hard disk behind USB 3 reads at the least, for saying how long something may take before anything was read.
_READING_BYTES_PER_S = 100_000_000


def configure(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    add_pairs(parser, needed=True)
    parser.add_argument("--yes", action="store_true", help="do not ask; needed where there is no terminal")
    add_json(parser)


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    from nightferry.cli.watched import drives_of, watched
    from nightferry.reporting.look import documents

    settings, pairs = chosen_pairs(args)
    made, codes = [], []
    for pair in pairs:
        try:
            code, told = watched(partial(_one, args, settings, pair), "pair", drives_of(pair))
        except NightferryError as hung:  # a drive never answered, or the process that asked it was ended
            code, told = say_error(hung), {**_as_json(pair.name, None, done=False), "error": str(hung)}
        codes.append(code)
        made.append(told)
    code = exits.worst(codes)
    if args.json:
        documents.write({"command": "pair", "exit_code": code, "pairs": made})
    return code


def _one(args: argparse.Namespace, settings: Settings, pair: PairSettings) -> tuple[int, dict[str, Any]]:
    """The code of one pair, and what ``--json`` says of it."""
    from nightferry.reporting.look.terminal import Screen

    # With --json stdout is for the document alone; what a person is asked about goes to stderr.
    screen = Screen(sys.stderr if args.json else sys.stdout)
    asking = _Asking(screen, pair, settings, yes=args.yes)
    proposal, error = None, None
    try:
        proposal = _pair(pair, settings, asking, screen)
        code = exits.ATTENTION if proposal is None else exits.SOUND
    except NightferryError as refused:
        error = str(refused)
        code = say_error(refused)
    found = proposal or asking.proposal
    return code, {**_as_json(pair.name, found, done=proposal is not None), "error": error}


class _Asking:
    """Shows what is about to be written, and asks."""

    def __init__(self, screen: Screen, pair: PairSettings, settings: Settings, *, yes: bool) -> None:
        self._screen, self._pair, self._settings, self._yes = screen, pair, settings, yes
        self.proposal: Proposal | None = None

    def __call__(self, proposal: Proposal) -> bool:
        self.proposal = proposal
        _show(self._screen, self._pair, self._settings, proposal)
        if self._yes:
            return True
        if not sys.stdin.isatty():
            raise WrongUse(
                f'Nobody can be asked about the pair "{proposal.pair}", since this is not a terminal: nothing was'
                " written. If the two drives above are the right ones, add --yes."
            )
        return agreed({"adopt": _QUESTION_ADOPT, "rebuild": _QUESTION_REBUILD}.get(proposal.action, _QUESTION))


def _pair(pair: PairSettings, settings: Settings, asking: _Asking, screen: Screen) -> Proposal | None:
    from nightferry.night.pairing import make_pair

    proposal = make_pair(pair, settings.state_dir, asking)
    if proposal is not None and proposal.action in ("adopt", "rebuild"):
        leave_status(pair, settings)
    screen.gap()
    if proposal is None:
        screen.text(f"Nothing was written; {pair.name} is not a pair.")
    elif proposal.action == "none":
        screen.heading(f"{pair.name} is a pair already; nothing was written.")
        screen.text(f"See what tonight would do: `nightferry tonight {pair.name}`")
    elif proposal.action == "adopt":
        generation = "" if proposal.generation is None else f", generation {format_count(proposal.generation)}"
        screen.heading(f"{pair.name} was taken over from its secondary{generation}.", "sound")
        screen.text(f"See what was done last: `nightferry lastnight {pair.name}`")
        if proposal.primary is None:
            _say_what_works_alone(screen, pair)
        else:
            screen.text(f"and what tonight would do: `nightferry tonight {pair.name}`")
    elif proposal.action == "rebuild":
        screen.heading(f"The manifest of {pair.name} was built anew from its secondary.", "sound")
        screen.text("All files are known again, also the retired versions. What changed in which night is lost.")
        if proposal.primary is None:
            _say_what_works_alone(screen, pair)
        else:
            screen.text(f"See what tonight would do: `nightferry tonight {pair.name}`")
    else:
        screen.heading(f"{pair.name} is a pair now.", "sound")
        screen.text(f"See what the first night would do: `nightferry tonight {pair.name}`")
        screen.text(f"or run it now, for as long as it takes: `nightferry run --without-window {pair.name}`")
    return proposal


def leave_status(pair: PairSettings, settings: Settings) -> None:
    """What the records know, until a night ran. Where it cannot be written, the pair is taken over all the same."""
    from nightferry.night.context import Clock
    from nightferry.reporting.morning import taken_over

    problem = taken_over(pair, settings.state_dir, Clock(), is_public=settings.status_public)
    if problem is not None:
        complain(problem)


def _say_what_works_alone(screen: Screen, pair: PairSettings) -> None:
    screen.text(
        f"Files can be restored now: nightferry restore {pair.name} --into FOLDER. A night needs the primary again,"
        f" mounted at {show_text(str(pair.primary))}; or a new one there, which"
        f" nightferry restore {pair.name} --new-primary fills."
    )


def _show(screen: Screen, pair: PairSettings, settings: Settings, proposal: Proposal) -> None:
    from nightferry.reporting.look.drive_facts import drive_rows

    screen.heading(f"The pair {pair.name}")
    for side in (proposal.primary, proposal.secondary):
        if side is not None:
            screen.gap()
            screen.table((side.role, ""), drive_rows(side))
    screen.gap()
    if proposal.action in ("adopt", "rebuild"):
        _show_state(screen, pair, settings, proposal)
        return
    assert proposal.primary is not None
    if proposal.same_file_system:
        screen.point(
            "Both are on one file system: when that drive fails, the copy is gone with it. This is good for a trial"
            " only; use two drives.",
            state="attention",
        )
    elif (used := _used_bytes(proposal.primary)) > proposal.secondary.room.free_bytes - pair.keep_free:
        screen.point(
            f"The primary holds up to {format_size(used)}; the secondary has"
            f" {format_size(proposal.secondary.room.free_bytes)} free, of which {format_size(pair.keep_free)}"
            " (keep_free) stay free: not everything may fit.",
            state="attention",
        )
    if proposal.secondary.names and proposal.action == "create":
        screen.point(
            "The secondary is not empty: what is there stays as it is, and takes up room.",
            state="attention",
        )
    folder = show_text(str(settings.state_dir / pair.name))
    primary, secondary = show_text(str(pair.primary)), show_text(str(pair.secondary))
    screen.point(f"To be written to the primary: {primary}/.nightferry-volume.toml, its identity card. Nothing else.")
    screen.point(
        f"To be written to the secondary: {secondary}/.nightferry-volume.toml, and the folders copy, retired, staging"
        " and records."
    )
    screen.point(f"To be written here: the state of this pair, in {folder}.")
    screen.gap()


def _show_state(screen: Screen, pair: PairSettings, settings: Settings, proposal: Proposal) -> None:
    """What is to be taken over or built anew."""
    folder = show_text(str(settings.state_dir / pair.name))
    if proposal.found is not None:
        screen.table(("state on the secondary", ""), _state_rows(proposal.found))
        screen.gap()
    if proposal.primary is None:
        screen.point(
            f"Its primary is not at {show_text(str(pair.primary))}: the pair is taken over with its secondary alone.",
            state="attention",
        )
    if proposal.is_previous:
        screen.point(
            "The manifest sealed last on the secondary is damaged or was altered: the one sealed before it is taken,"
            " and what stands on the drive beyond it is looked up there. See whether that drive is sound.",
            state="attention",
        )
    if proposal.older is not None:
        screen.point(
            f"The state in {folder} is older, generation {format_count(proposal.older)}, as after restoring the system"
            " disk from an old image: it is kept aside there, as manifest.older-DATE.sqlite3.",
            state="attention",
        )
    if proposal.action == "rebuild":
        size, took = proposal.to_read_bytes, format_duration(proposal.to_read_bytes / _READING_BYTES_PER_S)
        metadata = (
            ""
            if proposal.primary is not None
            else " And it loses what the secondary's file system cannot hold of owners, permissions, attributes and"
            " symlinks, unless the primary is mounted first, from which that is read."
        )
        screen.point(
            "No sound manifest of this pair is left, neither here nor on the secondary. It can be built anew by reading"
            f" every file of the secondary: up to {format_size(size)}, some {took} at"
            f" {format_rate(_READING_BYTES_PER_S)}. That keeps every file and every retired version. It loses the"
            f" history: what changed in which night, and since when a file stands as it is.{metadata}",
            state="attention",
        )
    screen.point(f"To be written: the state of this pair, to {folder}. Nothing on either drive.")


def _state_rows(found: Overview) -> list[tuple[str, str]]:
    from nightferry.reporting.look import words

    last = "none"
    if found.run is not None and found.ended_s is not None:
        age_s = time.time() - found.ended_s
        ago = words.ago(age_s) if age_s >= 0 else "later than now by this clock"
        last = f"{format_count(found.run)}, {found.outcome or 'without an end'}, {words.when(found.ended_s)}, {ago}"
    damage = f"{format_count(found.open_damage)} open, see nightferry mend" if found.open_damage else "none"
    return [
        ("generation", format_count(found.generation)),
        ("last night", last),
        ("files", f"{format_count(found.files)}, {format_size(found.size_bytes)}"),
        ("retired versions", format_count(found.kept_versions)),
        ("damage", damage),
        ("held", "yes: it waits for nightferry release" if found.is_held else "no"),
    ]


def _used_bytes(side: Side) -> int:
    return max(0, side.room.total_bytes - side.room.free_bytes)


def _as_json(name: str, proposal: Proposal | None, *, done: bool) -> dict[str, Any]:
    return {
        "pair": name,
        "action": proposal and proposal.action,
        "done": done,
        "generation": proposal and proposal.generation,
        "older_generation": proposal and proposal.older,
        "found": None if proposal is None or proposal.found is None else _found_as_json(proposal.found),
        "same_file_system": proposal and proposal.same_file_system,
        "primary": proposal and proposal.primary and _side_as_json(proposal.primary),
        "secondary": proposal and _side_as_json(proposal.secondary),
    }


def _found_as_json(found: Overview) -> dict[str, Any]:
    from nightferry.reporting.standing.status import moment

    return {
        "night": found.run,
        "outcome": found.outcome,
        "ended": None if found.ended_s is None else moment(found.ended_s),
        "files": found.files,
        "bytes": found.size_bytes,
        "retired_versions": found.kept_versions,
        "open_damage": found.open_damage,
        "held": found.is_held,
    }


def _side_as_json(side: Side) -> dict[str, Any]:
    import os

    from nightferry.units import json_name

    return {
        **json_name(os.fsencode(side.path)),
        "device": show_name(side.source),
        "file_system": side.file_system,
        "total_bytes": side.room.total_bytes,
        "free_bytes": side.room.free_bytes,
        "names": side.names,
        "has_card": side.has_card,
    }
